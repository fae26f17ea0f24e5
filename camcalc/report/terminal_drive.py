"""What the brief says of driving, on a terminal: gears that buck, other cures, what spark trades, the road test."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console

from ..cautions import AT_SURGE, Caution
from ..words import describe
from ..words.cures import change_words, cure_words, ranking_words, trouble_words
from ..words.gears import surge_lines
from ..words.phrases import COUPLINGS, capitalised
from ..words.road_test import road_test_words
from .terminal_parts import blank, print_cautions, show, table

if TYPE_CHECKING:
    from ..advice.trade_off import TradeOff
    from ..brief import Brief
    from ..cures import CureRanking
    from ..drive.gear_advice import DriveAdvice
    from ..road_test import RoadTest

__all__ = ["print_cures", "print_road_test", "print_surge", "print_trade_off"]

CURE_HEADS = ["cure", "removes\n%", "idle COV\n%", "vacuum\ninHg", "cruise\nCOV, %", "damping", "shaking\nm/s2"]
TRADE_ROWS = (
    ("spark, deg b TDC", "spark", 0), ("MAP, kPa", "manifold_pressure", 1), ("vacuum, inHg", "manifold_vacuum", 1), ("COV of IMEP, %", "imep_variation", 1),
    ("exhaust, degC", "exhaust_temperature", 0), ("fuel, g/s", "fuel_flow", 3), ("N m per degree", "torque_per_degree", 2),
)  # fmt: skip
TRADE_COLUMNS = 9
SURGE_LEGEND = (
    "Verdicts by acceleration along the road. Slopes: the table's slope over the critical slope, highest on the road (gone: no damping left). "
    "Swing of the signals: estimates. camcalc surge shows one gear in full."
)


def print_surge(brief: Brief, console: Console) -> None:
    """Print which gear not to use below which speed, on the table proposed and on the one supplied."""
    if brief.surge:
        print_cautions(AT_SURGE, console)
    for advice in brief.surge:
        _surge(advice, brief.build.vehicle.road_speed_unit, console)
    console.print(f"  {SURGE_LEGEND}\n", highlight=False)


def _surge(advice: DriveAdvice, unit: str, console: Console) -> None:
    heads = ["gear", "coupling", "not below\nrpm", f"not below\n{unit}", "worst verdict\n(our grade)", "damping\nratio", "Hz"]
    heads += ["speed\nslope, %", "load\nslope, %"]
    made = table(f"Surge in the gears: {advice.table}", heads, left=2)
    for g in advice.gears:
        numbers = [blank(60.0 * g.si.bad_below, 0, g.mark("bad_below"))]
        numbers.append(blank(g.bad_below_road_speed.to(unit).magnitude, 0, g.mark("bad_below_road_speed")))
        rest = [blank(g.si.least_damping, 3, g.mark("least_damping")), blank(g.si.frequency, 1, g.mark("frequency"))]
        for name in ("slope_over_critical_along_speed", "slope_over_critical_along_load"):
            value = float(getattr(g.si, name))
            rest.append("gone" if math.isinf(value) else blank(100.0 * value, 0, g.mark(name)).replace(" or ", "\nor "))
        made.add_row(str(g.gear), COUPLINGS[g.coupling], *numbers, "no answer" if g.worst is None else str(g.worst), *rest)
    show(made, console, *(mark for g in advice.gears for name, mark in g.marks.items() if name != "slowest"))
    for text in surge_lines(advice, unit):
        console.print(f"  {text}", highlight=False, markup=False)


def print_cures(ranking: CureRanking, console: Console) -> None:
    """Print what else would cure it, best first, the cautions before it."""
    print_cautions(ranking.cautions, console)
    for text in ranking_words(ranking):
        console.print(f"  {text}", highlight=False, markup=False)
    road = f"gear {ranking.gear}, {60.0 * ranking.si.speed:.0f} rpm"
    made = table(f"What else would cure it, against {trouble_words(ranking.against)}; cruise in {road}", CURE_HEADS, left=1)
    for cure in (ranking.none, *(c for c in ranking.cures if c.tried)):
        si = cure.figures.si
        removes = blank(100.0 * cure.si.removes + 0.0) if cure is not ranking.none else "-"
        percents = [blank(100.0 * si.idle_variation, 1), blank(cure.figures.idle_vacuum.to("inHg").magnitude, 1), blank(100.0 * si.cruise_variation, 1)]
        made.add_row(change_words(cure), removes, *percents, blank(si.damping, 3, cure.figures.mark("damping")), _shaking(si.acceleration))
    show(made, console, *(cure.figures.marks.get("damping") for cure in (ranking.none, *ranking.cures)))
    for cure in ranking.cures:
        console.print(f"  {capitalised(change_words(cure))}: {cure_words(cure, ranking.transmission)}", highlight=False, markup=False)
    console.print()


def _shaking(acceleration: float) -> str:
    """Return an acceleration [m/s2] as text; without damping a swing grows without end."""
    return "grows" if math.isinf(acceleration) else blank(acceleration, 3)


def print_trade_off(trade: TradeOff, console: Console) -> None:
    """Print what spark trades at equal torque in one cell, the cautions before it; sparks that knock or pass a limit say so."""
    print_cautions(trade.cautions, console)
    step = max(1, math.ceil(len(trade.si.spark) / TRADE_COLUMNS))
    made = table(f"What spark trades at {60.0 * trade.si.speed:.0f} rpm and {trade.si.torque:.0f} N m", ["", *[""] * len(trade.si.spark[::step])], left=1)
    shown = range(0, len(trade.si.spark), step)
    for head, name, digits in TRADE_ROWS:
        values = getattr(trade, name).magnitude
        made.add_row(head, *(blank(float(values[k]), digits, trade.mark(name, k)) for k in shown))
    points = (("best torque at", "best_spark"), ("knock from", "knock_spark"), ("ceiling", "ceiling"))
    show(made, console, *(trade.marks.get(name) for name in ("spark", *(name for _, name in points))))
    said = [f"{head} {blank(getattr(trade.si, name), 0, trade.mark(name))}" for head, name in points if math.isfinite(getattr(trade.si, name))]
    console.print(f"  {', '.join(said)} deg b TDC; each spark with the manifold pressure that holds the torque", highlight=False, markup=False)
    for line in describe(trade).splitlines():
        console.print(f"  {line}", highlight=False, markup=False)
    console.print(f"  {Caution.LAW}\n", highlight=False, markup=False)


def print_road_test(plan: RoadTest, console: Console) -> None:
    """Print the plan of a road test."""
    console.print("[bold]Road test[/bold]: settles the inputs that matter most and are known least")
    for line in road_test_words(plan):
        console.print(f"  {line}", highlight=False, markup=False)
    console.print()
