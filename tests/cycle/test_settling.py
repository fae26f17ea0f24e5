"""When a march of cycles ends, and as what: by residuals and dilutions told to it, without any gas."""

from __future__ import annotations

from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from camcalc.cycle.layout import Unknown
from camcalc.cycle.operating import Ending
from camcalc.cycle.steady import NO_MARKS, Settled, march
from camcalc.errors import NoSolutionError

TOLERANCE = 1e-5
CLEAN, CLOSE, GONE = 0.5, 0.95, 0.99
NONE: Any = None


class Told:
    """A march whose cycles have the residuals and burned fractions that it is given; after the last it goes on with that."""

    plain = False
    setup = SimpleNamespace(speed=15.0, intake_pressure=40e3)

    def __init__(self, *cycles: tuple[float, float]) -> None:
        self.cycles: Iterator[tuple[float, float]] = iter([*cycles, *[cycles[-1]] * 500])

    def cycle(self, z: Any) -> tuple[Any, Settled]:
        self.slug_change, diluted = next(self.cycles)
        new = z.copy()
        new[Unknown.CYLINDER_FRACTION] = z[Unknown.CYLINDER_FRACTION] = diluted
        return new, Settled(NONE, NONE, NONE, z, NO_MARKS, NO_MARKS, NO_MARKS, NONE, 1, np.inf, (), Ending.NOT_SETTLED)


def marched(*cycles: tuple[float, float], most: int = 150) -> Settled:
    told: Any = Told(*cycles)
    return march(told, np.ones(len(Unknown)), None, tolerance=TOLERANCE, most=most)


def test_the_first_cycle_within_the_tolerance_is_the_settled_one() -> None:
    found = marched((1e-2, CLEAN), (1e-3, CLEAN), (0.9 * TOLERANCE, CLEAN), (1e-3, CLEAN))
    assert found.outcome is Ending.SETTLED
    assert found.history == (1e-2, 1e-3, 0.9 * TOLERANCE)
    assert (found.cycles, found.residual) == (3, 0.9 * TOLERANCE)


def test_a_charge_of_burned_gas_alone_ends_at_once() -> None:
    found = marched((1e-2, CLEAN), (1e-2, GONE))
    assert (found.outcome, found.cycles) == (Ending.NO_FRESH_CHARGE, 2)


def test_nearly_burned_gas_alone_is_waited_for() -> None:
    # Sixty cycles are let pass; then it counts as none that comes back.
    found = marched((1e-2, CLOSE))
    assert (found.outcome, found.cycles) == (Ending.NO_FRESH_CHARGE, 61)
    assert marched(*[(1e-2, CLOSE)] * 60, (0.5 * TOLERANCE, CLEAN)).outcome is Ending.SETTLED


def test_a_clean_charge_may_take_long() -> None:
    found = marched(*[(1e-2, CLEAN)] * 100, (0.5 * TOLERANCE, CLEAN))
    assert (found.outcome, found.cycles) == (Ending.SETTLED, 101)


def test_what_hovers_near_the_tolerance_is_settled_when_cycles_run_out_and_what_does_not_is_none() -> None:
    hovering = (7.9 * TOLERANCE, CLEAN)
    found = marched((1e-2, CLEAN), hovering, most=40)
    assert (found.outcome, found.cycles, found.residual) == (Ending.SETTLED, 40, 7.9 * TOLERANCE)
    with pytest.raises(NoSolutionError, match=r"no settled cycle at 900 rpm and 40.0 kPa after 40 cycles"):
        marched((8.1 * TOLERANCE, CLEAN), most=40)
    # Thirty cycles must hover, not the last alone.
    with pytest.raises(NoSolutionError):
        marched(*[(1e-2, CLEAN)] * 11, hovering, most=40)
    assert marched(*[(1e-2, CLEAN)] * 10, hovering, most=40).outcome is Ending.SETTLED


def test_a_cycle_that_is_lost_is_an_error_however_close_the_ones_before_were() -> None:
    with pytest.raises(NoSolutionError, match="after 41 cycles"):
        marched(*[(7.9 * TOLERANCE, CLEAN)] * 40, (np.inf, CLEAN))
