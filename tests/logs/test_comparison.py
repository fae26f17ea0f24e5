"""Before against after: how sure a comparison is, and how it reads. Drives that differ or do not are compared beside the reviews."""

from __future__ import annotations

import json
from collections.abc import Callable

import numpy as np
import pytest

from camcalc.logs import DriveLog, compare_logs
from camcalc.logs.comparison import ComparisonVerdict
from camcalc.words import describe
from tests.oracles import drive_log

from .conftest import as_log

Driven = Callable[..., drive_log.Log]


def cruise(cells: int, windows: int, seed: int, size: float = 0.6, scatter: float = 0.8) -> DriveLog:
    """Stretches between gaps, each in a cell of its own, with a swing whose size is drawn anew in every 3 s from the same chances."""
    rng = np.random.default_rng(seed)
    step = np.arange(0.0, 3.0 * windows + 0.02, 0.02)
    time = np.concatenate([step + k * (step[-1] + 5.0) for k in range(cells)])
    speed = []
    for k in range(cells):
        sizes = size * rng.lognormal(0.0, scatter, windows + 1)[(step // 3.0).astype(int)]
        speed.append((10.0 + k) / 3.0 * 3.3333 + 20.0 / 3.0 + sizes * np.sin(2.0 * np.pi * 3.0 * step))
    level = np.repeat((np.arange(cells) * 10.0 + 25.0) * 1e3, len(step))
    return DriveLog.of(time=time, speed=np.concatenate(speed), load=level, load_kind="manifold pressure", pedal=np.full(len(time), 0.2))


@pytest.mark.parametrize(("cells", "windows"), [(6, 1), (3, 2), (1, 6), (1, 20)])
def test_chance_alone_is_seldom_taken_for_a_change(cells: int, windows: int) -> None:
    """Pairs from the same chances: one in twenty is meant to be called different; six lone windows come to one in eleven, which is let pass."""
    found = [compare_logs(cruise(cells, windows, 2 * seed), cruise(cells, windows, 2 * seed + 1)) for seed in range(120)]
    assert all(one.matched_cells == cells for one in found)
    wrong = sum(one.verdict in (ComparisonVerdict.BETTER, ComparisonVerdict.WORSE) for one in found)
    print(f"\n{cells} cells of {windows} windows: {wrong} of {len(found)} taken for a change")
    assert wrong <= 15


@pytest.mark.parametrize(("cells", "windows"), [(6, 1), (1, 20)])
def test_a_swing_that_shrinks_to_a_fifth_is_told(cells: int, windows: int) -> None:
    pairs = [(cruise(cells, windows, seed, scatter=0.4), cruise(cells, windows, seed + 500, size=0.12, scatter=0.4)) for seed in range(10)]
    found = [compare_logs(before, after) for before, after in pairs]
    assert all(one.verdict is ComparisonVerdict.BETTER and one.confidence > 0.95 for one in found)
    assert all(one.energy_low <= one.energy_ratio <= one.energy_high for one in found)


def test_swing_from_nothing_is_worse() -> None:
    still, moving = cruise(2, 4, 1, size=0.0), cruise(2, 4, 1)
    still = still.replace(speed=np.round(still.si.speed, 3))
    assert compare_logs(still, moving).verdict is ComparisonVerdict.WORSE
    assert compare_logs(still, still).verdict is ComparisonVerdict.NO_DIFFERENCE


def test_a_comparison_reads_in_a_hundred_columns_and_becomes_plain_data(driven: Driven) -> None:
    both = compare_logs(as_log(driven("table", seed=1)), as_log(driven("clean", seed=11)))
    text = describe(both)
    assert max(map(len, text.splitlines())) <= 100
    for word in ("Better: the swing is", "final spark", "confidence", "before   after"):
        assert word in text
    data = json.loads(json.dumps(both.to_dict(), allow_nan=False))
    assert data["surging_before"]["value"] > 90.0
    assert data["confidence"] == both.confidence
