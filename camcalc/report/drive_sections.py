"""Sections of a brief on driving: surge in the gears, one cell over spark, other cures, the road test."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from ..cautions import AT_SURGE, Caution
from ..vehicle.coupling import Coupling
from ..words import describe
from ..words.cures import change_words, cure_words, ranking_words, rule_words, trouble_words
from ..words.gears import surge_lines
from ..words.phrases import COUPLINGS, capitalised
from ..words.road_test import basis_words, direct_words, do_words, input_words, not_tested_words, reading_words, settling_words, where_words
from .blocks import Block, Cautions, Column, Figure, Heading, Lines, Records, Row, Series

if TYPE_CHECKING:
    from ..advice.trade_off import TradeOff
    from ..brief import Brief
    from ..cures import CureRanking
    from ..road_test import RoadTest

__all__ = ["cure_blocks", "gear_columns", "road_test_blocks", "surge_blocks", "trade_off_blocks"]

NAMES = {coupling.code: name for coupling, name in COUPLINGS.items()}
COUPLING = Column("coupling", "coupling", words=True, names=NAMES)
SURGE = (
    Column("gear", "gear"),
    COUPLING,
    Column("bad_below", "not below"),
    Column("bad_below_road_speed", "not below"),
    Column("worst", "worst (our grade)", short="worst\n(our grade)", words=True),
    Column("least_damping", "damping ratio", 3, short="damp-\ning"),
    Column("frequency", "natural frequency", 1, short="freq."),
    Column("slope_over_critical_along_speed", "slope over critical, along speed", short="slope,\nspeed", infinite="gone"),
    Column("slope_over_critical_along_load", "slope over critical, along load", short="slope,\nload", infinite="gone"),
)
SURGE_LEGEND = (
    "Each gear on the level road, the table taken as final spark. Grades by acceleration along the road. "
    "Slopes are the table's over the critical ones, the most on the road; gone: no damping is left. Swings of the signals are estimates.",
)
CURE_FIGURES = (
    Column("figures/idle_variation", "idle COV of IMEP", 1, short="idle\nCOV"),
    Column("figures/idle_vacuum", "idle vacuum", 1, short="vacuum"),
    Column("figures/cruise_variation", "cruise COV of IMEP", 1, short="cruise\nCOV"),
    Column("figures/damping", "damping ratio", 3, short="damp-\ning"),
    Column("figures/acceleration", "shaking", 3, infinite="grows"),
)
TRADE_OFF = (
    Row("MAP", "manifold_pressure", 1), Row("vacuum", "manifold_vacuum", 1), Row("COV of IMEP", "imep_variation", 1), Row("missed cycles", "missed", 1),
    Row("partial burns", "partial", 1), Row("residual", "burned_fraction"),
    Row("CA50, deg ATDC", "half_burned"), Row("knock limit, deg BTDC", "knock_limit"), Row("exhaust", "exhaust_temperature"), Row("fuel", "fuel_flow", 3),
    Row("fuel per work", "fuel_per_work"), Row("torque", "torque_per_degree", 2),
)  # fmt: skip


def gear_columns(brief: Brief) -> tuple[Column, ...]:
    """Return the columns of the lowest usable speeds; what drives a gear is named where that may differ."""
    lowest = Column("lowest", "lowest", -1), Column("lowest_road_speed", "lowest"), Column("below", "below it", words=True)
    converter = any(one.coupling is Coupling.CONVERTER for one in brief.usable_gears)
    return (Column("gear", "gear"), *((COUPLING,) if converter else ()), *lowest)


def surge_blocks(brief: Brief) -> list[Block]:
    """Return the lowest use of each gear, then what each table does in the gears; a gear without an answer is named once, below the table."""
    blocks: list[Block] = [Cautions(AT_SURGE), Lines(SURGE_LEGEND)]
    if brief.usable_gears:
        paths = tuple(f"usable_gears/{k}" for k in range(len(brief.usable_gears)))
        blocks.append(Records("Lowest usable speed by gear, on the starting table", paths, gear_columns(brief), file="usable_gears"))
    for number, advice in enumerate(brief.surge):
        paths = tuple(f"surge/{number}/gears/{k}" for k, gear in enumerate(advice.gears) if gear.worst is not None)
        blocks += [Heading(capitalised(str(advice.table))), Lines(tuple(surge_lines(advice, brief.build.vehicle.road_speed_unit)), listed=True)]
        if paths:
            blocks.append(Records(f"Surge in the gears: {advice.table}", paths, SURGE))
    return blocks


def trade_off_blocks(trade: TradeOff, base: str = "trade_off") -> list[Block]:
    """Return what later spark does in one cell at equal torque; each spark with the manifold pressure that holds the torque."""
    caption = f"Spark at equal torque: {60.0 * trade.si.speed:.0f} rpm, {trade.si.torque:.0f} N m"
    rows = tuple(Row(row.head, f"{base}/{row.path}", row.digits) for row in TRADE_OFF)
    names = (("MBT spark", "best_spark"), ("knock limit", "knock_spark"), ("spark ceiling", "ceiling"))
    points = tuple(f"{head}: {trade.texts(name)} deg BTDC." for head, name in names if math.isfinite(getattr(trade.si, name)))
    return [
        Cautions(tuple(trade.cautions)), Lines(tuple(describe(trade).splitlines())), Lines((" ".join(points),)),
        Figure("trade_off"), Series(caption, Row("spark, deg BTDC", f"{base}/spark"), rows, file="trade_off", care=(*trade.cautions, Caution.LAW)),
        Lines((str(Caution.LAW),)),
    ]  # fmt: skip


def cure_blocks(ranking: CureRanking, base: str = "cures") -> list[Block]:
    """Return what else would cure it, best first."""
    tried = [(f"{base}/none", ranking.none), *((f"{base}/cures/{k}", cure) for k, cure in enumerate(ranking.cures) if cure.tried)]
    changes = tuple(capitalised(change_words(cure)) for _, cure in tried)
    worse = tuple(", ".join(trouble_words(one) for one in cure.makes_worse) for _, cure in tried)
    columns = (
        Column("", "change", texts=changes, words=True), Column("removes", "removes"), Column("mean_removed", "of all, mean", screen=False), *CURE_FIGURES,
        Column("", "makes worse", texts=worse, words=True, screen=False),
    )  # fmt: skip
    road = f"The road is gear {ranking.gear} at {60.0 * ranking.si.speed:.0f} rpm."
    words = tuple(f"{capitalised(change_words(cure))}: {cure_words(cure, ranking.transmission)}" for cure in ranking.cures)
    return [
        Cautions(tuple(ranking.cautions)), Lines((*ranking_words(ranking), road)),
        Records("What else would cure it, best first", tuple(path for path, _ in tried), columns), Lines(words, listed=True), Lines(tuple(rule_words())),
    ]  # fmt: skip


def road_test_blocks(plan: RoadTest, base: str = "road_test") -> list[Block]:
    """Return the plan of a road test: how each step is driven, what each should read, what no step settles."""
    paths = tuple(f"{base}/steps/{k}" for k in range(len(plan.steps)))
    reads = tuple(f"{step.read.meaning}, {step.unit}" for step in plan.steps)
    columns = (
        Column("step", "step"), Column("", "reads", texts=reads, words=True), Column("low", "input low", 2), Column("expected", "expected", 2),
        Column("high", "input high", 2), Column("reads_within", "reads within", 2), Column("speed", "speed"), Column("road_speed", "speed"),
        Column("pedal", "pedal"), Column("spark", "spark, deg BTDC", short="spark\nBTDC"), Column("seconds", "time, s"),
    )  # fmt: skip
    blocks: list[Block] = [Cautions(tuple(plan.cautions)), Lines((f"{len(plan.steps)} steps, {plan.seconds / 60.0:.0f} minutes. {basis_words(plan)}",))]
    for step in plan.steps:
        told = (do_words(step), reading_words(step), settling_words(step), f"Without a drive: {direct_words(step.input)}")
        where = f"{capitalised(step.place.meaning)}: {where_words(step, plan.road_speed_unit)}."
        blocks += [Heading(f"{step.step}. {capitalised(input_words(step.input))}"), Lines((where, *(text for text in told if text)))]
    if paths:
        blocks.append(Records("What each step should read", paths, columns))
    if plan.not_tested:
        blocks += [Heading("Not tested"), Lines(tuple(not_tested_words(one) for one in plan.not_tested), listed=True)]
    return blocks
