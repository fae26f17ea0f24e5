"""Later spark at equal torque in words: what it does on the way to the ceiling, why the line ends, what was not computed."""

from __future__ import annotations

import math

import numpy as np

from ..advice.trade_off import LineEnd, ToCeiling, TradeOff
from .describing import describe
from .figures import btdc, signed_percent

__all__ = ["end_words", "to_ceiling_words", "trade_off_lines", "trade_off_words"]

# A change of missed cycles below this share is not worth words.
SHOWN_MISSES = 0.001
WHY_THE_CEILING = (
    "A ceiling serves every state of the load swing: few misses at its light end, no knock at its full end. This cell's mean load does not show that."
)


@describe.register
def trade_off_words(trade: TradeOff) -> str:
    """Return what later spark does in one cell, a line each.

    Parameters
    ----------
    trade : TradeOff

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.trade_off import trade_off
    >>> trade = trade_off(QuickEngine(load_build("examples/quarry-road/build.toml")), speed="1400 rpm", torque="60 N m")
    >>> trade_off_words(trade).splitlines()[-1]
    'Exhaust temperature does not answer to spark in this model, so none is shown.'
    """
    return "\n".join(trade_off_lines(trade))


def trade_off_lines(trade: TradeOff) -> list[str]:
    """Return the lines of ``trade_off_words``: the way to the ceiling first, then why the line ends, then what was not computed.

    Parameters
    ----------
    trade : TradeOff

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.trade_off import trade_off
    >>> trade = trade_off(QuickEngine(load_build("examples/quarry-road/build.toml")), speed="1400 rpm", torque="60 N m")
    >>> len(trade_off_lines(trade))
    3
    """
    lines = [to_ceiling_words(trade.to_ceiling), WHY_THE_CEILING] if trade.to_ceiling is not None else []
    lines.append(end_words(trade))
    if not trade.knock_known:
        lines.append("Knock was not computed by this model: none of these sparks is checked for it.")
    if not np.isfinite(trade.si.exhaust_temperature).any():
        lines.append("Exhaust temperature does not answer to spark in this model, so none is shown.")
    if trade.si.torque <= 0.0:
        lines.append("No torque is left at the crank here: no fuel per work.")
    return lines


@describe.register
def to_ceiling_words(change: ToCeiling) -> str:
    """Return what going down to the ceiling does at equal torque.

    Parameters
    ----------
    change : ToCeiling

    Examples
    --------
    >>> to_ceiling_words(ToCeiling(from_spark=35.0, to_spark=17.0, fuel_change=0.073, exhaust_change=115.0, variation_change=0.012, missed_change=0.0,
    ...     torque_per_degree_from=0.2, torque_per_degree_to=1.4))
    'From 35 deg BTDC down to the ceiling, 17 deg BTDC: 7 % more fuel, exhaust 115 K hotter, COV of IMEP 1.2 points higher, 1.40 N m per degree (was 0.20).'
    """
    si = change.si
    parts = [signed_percent(si.fuel_change, "more fuel", "less fuel")]
    if math.isfinite(si.exhaust_change):
        parts.append(f"exhaust {abs(si.exhaust_change):.0f} K {'hotter' if si.exhaust_change >= 0.0 else 'cooler'}")
    parts.append(f"COV of IMEP {abs(100.0 * si.variation_change):.1f} points {'higher' if si.variation_change >= 0.0 else 'lower'}")
    if abs(si.missed_change) >= SHOWN_MISSES:
        parts.append(f"{abs(100.0 * si.missed_change):.1f} points {'more' if si.missed_change >= 0.0 else 'fewer'} missed cycles")
    parts.append(f"{si.torque_per_degree_to:.2f} N m per degree (was {si.torque_per_degree_from:.2f})")
    return f"From {btdc(si.from_spark)} down to the ceiling, {btdc(si.to_spark)}: {', '.join(parts)}."


def end_words(trade: TradeOff) -> str:
    """Return why the line of equal torque ends at its last spark.

    Parameters
    ----------
    trade : TradeOff

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> from camcalc.advice.trade_off import trade_off
    >>> trade = trade_off(QuickEngine(load_build("examples/quarry-road/build.toml")), speed="1400 rpm", torque="60 N m")
    >>> end_words(trade).split(",")[2]
    ' burns half its charge later than 35 deg ATDC'
    """
    si = trade.si
    last = f"The last spark, {btdc(float(si.spark[-1]), trade.mark('spark', si.spark.size - 1))},"
    return {
        LineEnd.LATEST_BURN: f"{last} burns half its charge later than {si.latest_half_burned:.0f} deg ATDC, the sheet's limit.",
        LineEnd.HOTTEST_EXHAUST: f"{last} makes the exhaust hotter than {si.hottest_exhaust - 273.15:.0f} degC, the sheet's limit.",
        LineEnd.NO_MORE_AIR: f"{last} is where {si.barometer / 1e3:.0f} kPa of air no longer give the torque later, or the search ends.",
    }[trade.ends]
