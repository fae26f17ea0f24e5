"""End of injection in words: which valve state the fuel meets, why, how long the injector is open, and where a controller would interpolate badly."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from ..advice.fuel_placement import InjectionReason, Placement, Strategy
from ..advice.injection import (
    LARGEST_DUTY,
    FuelDelivery,
    InjectionBasis,
    InjectionPoint,
    InjectionWindows,
    StrategyJump,
    StrategyMap,
    strategy_jumps,
)
from .describing import describe
from .figures import before_overlap, percent

__all__ = [
    "STRATEGIES", "basis_words", "delivery_words", "duty_words", "end_words", "injection_lines", "injection_words", "jump_words", "point_words",
    "reason_lines", "strategy_name",
]  # fmt: skip

STRATEGIES = {Strategy.CLOSED_VALVE: "closed valve", Strategy.OPEN_VALVE: "open valve"}
BASES = {
    InjectionBasis.FUEL_FOLLOWED: "By following the fuel in the valve flows of the settled cycle.",
    InjectionBasis.VALVE_EVENTS: "By valve events alone: this engine model computes no flow in the runners.",
}
NO_END = {
    FuelDelivery.BATCH_PORT: "No end of injection to set: injectors fire in groups, so no one end suits every cylinder.",
    FuelDelivery.THROTTLE_BODY: "No end of injection to set: fuel enters above the throttle and reaches all cylinders through the plenum.",
    FuelDelivery.CARBURETTOR: "No end of injection to set: a carburettor meters fuel by air flow, not by pulses.",
    FuelDelivery.DIRECT: "No answer: camcalc computes no windows for direct injection.",
}


@describe.register
def injection_words(windows: InjectionWindows) -> str:
    """Return what the ends of injection rest on, why each, and where a controller must not interpolate, a line each.

    Parameters
    ----------
    windows : InjectionWindows

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.injection import injection_windows
    >>> engine = QuickEngine(load_build("examples/long-meadow/build.toml"))
    >>> windows = injection_windows(engine, np.array([1600.0]) / 60.0, np.array([60e3]))
    >>> injection_words(windows).splitlines()[1]
    '60 kPa, 1600 rpm: Closed valve, where fuel has the most time to evaporate.'
    """
    if not windows.applies:
        return delivery_words(windows.reason)
    rows = range(windows.si.manifold_pressure.size)
    lines = [f"{windows.si.manifold_pressure[row] / 1e3:.0f} kPa, {line}" for row in rows for line in reason_lines(windows, row)]
    jumps = strategy_jumps(windows)
    return "\n".join([basis_words(windows), *lines, *([jump_words(jumps)] if jumps else [])])


def injection_lines(windows: InjectionWindows, row: int) -> list[str]:
    """Return what the ends at one load rest on, why each, and where a controller must not interpolate.

    Parameters
    ----------
    windows : InjectionWindows
    row : int

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.injection import injection_windows
    >>> engine = QuickEngine(load_build("examples/long-meadow/build.toml"))
    >>> windows = injection_windows(engine, np.array([1600.0]) / 60.0, np.array([60e3]))
    >>> len(injection_lines(windows, 0))
    2
    """
    jumps = strategy_jumps(windows)
    return [basis_words(windows), *reason_lines(windows, row), *([jump_words(jumps)] if jumps else [])]


def delivery_words(delivery: FuelDelivery) -> str:
    """Return whether a fuel system has an end of injection to set, and why not.

    >>> delivery_words(FuelDelivery.CARBURETTOR)
    'No end of injection to set: a carburettor meters fuel by air flow, not by pulses.'
    """
    return NO_END.get(delivery, "Each cylinder has its own end of injection.")


def basis_words(windows: InjectionWindows) -> str:
    """Return what the windows rest on and what their angles count from.

    Parameters
    ----------
    windows : InjectionWindows

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.injection import injection_windows
    >>> engine = QuickEngine(load_build("examples/long-meadow/build.toml"))
    >>> windows = injection_windows(engine, np.array([1600.0]) / 60.0, np.array([60e3]))
    >>> basis_words(windows).split(". ")[0]
    'By valve events alone: this engine model computes no flow in the runners'
    """
    counted = "Angles count back from overlap TDC, the one between exhaust and intake stroke; negative ones lie after it."
    return counted if windows.basis is None else f"{BASES[windows.basis]} {counted}"


def end_words(windows: InjectionWindows, row: int, column: int) -> str:
    """Return one cell's end of injection with its zero and strategy, and as the controller counts it where that differs.

    Parameters
    ----------
    windows : InjectionWindows
    row, column : int
        Of manifold pressure and speed, from 0.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.injection import injection_windows
    >>> engine = QuickEngine(load_build("examples/long-meadow/build.toml"))
    >>> windows = injection_windows(engine, np.array([1600.0]) / 60.0, np.array([60e3]))
    >>> end_words(windows, 0, 0)
    '104 deg before overlap TDC, closed valve'
    """
    strategy = windows.strategy[row][column]
    if strategy is None:
        return f"No end of injection: {windows.why[row][column]}."
    said = f"{before_overlap(windows.si.end_of_injection[row, column])}, {STRATEGIES[strategy]}"
    return f"{said}; {windows.si.controller_end[row, column]:.0f} deg {windows.controller_reference}" if windows.counts_otherwise else said


def strategy_name(windows: InjectionWindows, row: int, column: int) -> str:
    """Return how a table names a cell's strategy: with what is wrong where neither is clean, or why there is none.

    Parameters
    ----------
    windows : InjectionWindows
    row, column : int

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.injection import injection_windows
    >>> engine = QuickEngine(load_build("examples/long-meadow/build.toml"))
    >>> windows = injection_windows(engine, np.array([1600.0]) / 60.0, np.array([60e3]))
    >>> strategy_name(windows, 0, 0)
    'closed valve'
    """
    strategy, why = windows.strategy[row][column], windows.why[row][column]
    if strategy is None:
        return "injector too small" if why is InjectionReason.INJECTOR_TOO_SMALL else "does not run"
    flaw = {InjectionReason.TOO_LONG_FOR_BOTH: ", pulse too long", InjectionReason.MISPLACED_ON_BOTH: ", not clean"}.get(why, "")
    return STRATEGIES[strategy] + flaw


def point_words(point: InjectionPoint) -> str:
    """Return why one operating point's end of injection is recommended.

    Parameters
    ----------
    point : InjectionPoint

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.injection import point_at
    >>> point_words(point_at(QuickEngine(load_build("examples/long-meadow/build.toml")), 1600.0 / 60.0, 60e3))
    'Closed valve, where fuel has the most time to evaporate.'
    """
    return " ".join(text for text in (_reason(point.reason, _of(point.shut), _of(point.opened)), duty_words(point.duty)) if text)


def duty_words(duty: float) -> str:
    """Return what to do where the injector is open for more of the cycle than to plan with; nothing where it is not.

    >>> duty_words(0.93)
    'The injector is open 93 % of the cycle. Plan with 90 % at most: fit larger injectors.'
    """
    if not LARGEST_DUTY < duty < math.inf:
        return ""
    return f"The injector is open {percent(duty)} of the cycle. Plan with {percent(LARGEST_DUTY)} at most: fit larger injectors."


def reason_lines(windows: InjectionWindows, row: int) -> list[str]:
    """Return why each end is recommended at one load, each reason once, with its speeds and the shares of fuel over them.

    Parameters
    ----------
    windows : InjectionWindows
    row : int

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.injection import injection_windows
    >>> engine = QuickEngine(load_build("examples/long-meadow/build.toml"))
    >>> windows = injection_windows(engine, np.array([1600.0]) / 60.0, np.array([60e3]))
    >>> reason_lines(windows, 0)
    ['1600 rpm: Closed valve, where fuel has the most time to evaporate.']
    """
    columns: dict[InjectionReason, list[int]] = {}
    for column, why in enumerate(windows.why[row]):
        columns.setdefault(why, []).append(column)
    shares = {why: [_shares(found, row, at) for found in (windows.shut_valve, windows.open_valve)] for why, at in columns.items()}
    lines = [f"{_speeds(windows, at)}: {_reason(why, *shares[why])}" for why, at in columns.items()]
    full = [column for column in range(windows.si.speed.size) if duty_words(float(windows.si.duty[row, column]))]
    return lines + ([f"{_speeds(windows, full)}: {duty_words(float(np.max(windows.si.duty[row, full])))}"] if full else [])


def _speeds(windows: InjectionWindows, columns: list[int]) -> str:
    return f"{', '.join(f'{windows.si.speed[column] * 60:.0f}' for column in columns)} rpm"


def jump_words(jumps: Sequence[StrategyJump]) -> str:
    """Return between which neighbours a controller would interpolate its pulses into the overlap, and what to do.

    Parameters
    ----------
    jumps : sequence of StrategyJump

    Examples
    --------
    >>> jump_words([StrategyJump((800.0 / 60.0, 20.0), (4e4, 4e4), 200.0)]).split(". ")[0]
    'Closed and open valve meet between 800 and 1200 rpm at 40 kPa, 200 deg apart'
    """
    places = "; ".join(f"{_between(jump)}, {jump.apart:.0f} deg apart" for jump in jumps)
    return (
        f"Closed and open valve meet {places}. A controller that interpolates there ends its pulses in the overlap. "
        "Set two breakpoints side by side there, or keep one strategy on both."
    )


def _between(jump: StrategyJump) -> str:
    (slow, fast), (light, full) = jump.speeds, jump.pressures
    if slow != fast:
        return f"between {slow * 60:.0f} and {fast * 60:.0f} rpm at {full / 1e3:.0f} kPa"
    return f"between {light / 1e3:.0f} and {full / 1e3:.0f} kPa at {fast * 60:.0f} rpm"


class _Shares(NamedTuple):
    """Shares of one strategy's fuel as text, over some cells."""

    misplaced: str
    past_injector: str
    to_plenum: str


def _shares(found: StrategyMap | None, row: int, columns: list[int]) -> _Shares | None:
    """Return shares over some speeds of one load, from the least to the most; None where they are not known."""
    if found is None or not np.isfinite(found.si.misplaced[row, columns]).any():
        return None
    return _Shares(*(_span(values[row, columns]) for values in (found.si.misplaced, found.si.past_injector, found.si.to_plenum)))


def _span(values: Any) -> str:
    least, most = (percent(float(edge)) for edge in (np.nanmin(values), np.nanmax(values)))
    return least if least == most else f"{least.removesuffix(' %')} to {most}"


def _of(found: Placement | None) -> _Shares | None:
    return None if found is None else _Shares(*(percent(share) for share in (found.misplaced, found.past_injector, found.to_plenum)))


def _reason(why: InjectionReason, closed: _Shares | None, opened: _Shares | None) -> str:
    """Return a reason with the shares of fuel behind it, where they are known."""
    passing = blown = missed = ""
    if closed is not None and opened is not None:
        passing = f" Carried past the injector and back: {closed.past_injector} of the fuel. Into the plenum: {closed.to_plenum}."
        blown = f" On the closed valve {closed.past_injector} would go back past the injector, {closed.to_plenum} into the plenum."
        missed = f" Misplaced: {closed.misplaced} on the closed valve, {opened.misplaced} on the open one."
    return {
        InjectionReason.FITS_CLOSED_VALVE: f"Closed valve, where fuel has the most time to evaporate.{passing}",
        InjectionReason.TOO_LONG_FOR_CLOSED_VALVE: "Open valve. The pulse is too long for the closed valve.",
        InjectionReason.BLOWN_OFF_CLOSED_VALVE: f"Open valve. Reversion blows too much fuel off the closed valve.{blown}",
        InjectionReason.TOO_LONG_FOR_BOTH: f"The pulse is too long for the closed valve and for the open one.{missed} Larger injectors shorten it.",
        InjectionReason.MISPLACED_ON_BOTH: f"Neither closed nor open valve is clean; the end shown misplaces less.{missed}",
        InjectionReason.INJECTOR_TOO_SMALL: "No end of injection. The pulse is longer than the cycle. Fit larger injectors.",
        InjectionReason.NOT_RUNNING: "No end of injection. The engine does not run here.",
    }[why]
