"""The injection plot counts its angles as the table and the data do: before overlap top dead centre, time to the right."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc import QuickEngine
from camcalc.advice.injection import injection_windows
from camcalc.plot import plot_injection
from camcalc.report.figures import _crank_frame


def test_ends_and_pulses_stand_where_the_data_have_them(build_of: Callable[..., Any]) -> None:
    build = build_of("quarry-road")
    windows = injection_windows(QuickEngine(build), np.array([800.0, 1600.0, 3000.0]) / 60.0, np.array([60e3]))
    ax = plot_injection(windows, build.cam)
    si = windows.si
    ends = [line.get_xdata()[0] for line in ax.get_lines() if line.get_marker() == "|"]
    assert ends == pytest.approx(list(si.end_of_injection[0]), rel=1e-12)
    pulses = [tuple(line.get_xdata()) for line in ax.get_lines() if len(set(line.get_xdata())) == 2]
    assert pulses == [pytest.approx((start, end), rel=1e-12) for start, end in zip(si.start_of_injection[0], si.end_of_injection[0], strict=True)]
    left, right = ax.get_xlim()
    assert left > right
    assert "before overlap TDC" in ax.get_xlabel()
    ax.figure.canvas.draw()
    assert _crank_frame(ax, "injection").split()[-2:] == ["-500.00", '300.00"']
