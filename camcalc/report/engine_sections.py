"""Sections of a brief on the engine: idle, reversion, spark, fuel, injection, sensors."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..advice.headlines import zone_of
from ..cautions import AT_BRAKES, AT_IDLE_SPARK, AT_MORE_RETARD, OVER_SPARK_TABLE, OVER_STARTING_TABLE, Caution
from ..words import describe
from ..words.ceilings import base_table_words, binding_cells, finding_lines, range_lines, sensitivity_lines, variant_name, zone_words
from ..words.fuel import fuel_lines
from ..words.idle import idle_spark_words, idle_words
from ..words.injection import delivery_words, injection_lines, strategy_name
from ..words.reversion import reversion_words
from .blocks import AtLoad, Block, Cautions, Column, Figure, Fold, Grid, Heading, Lines, Records, Row, Series

if TYPE_CHECKING:
    from ..advice.spark import SparkCeilings
    from ..brief import Brief

__all__ = ["fuel_blocks", "idle_blocks", "injection_blocks", "reversion_blocks", "sensor_blocks", "shown_load", "spark_blocks"]

IDLE = (
    Column("cam", "cam", screen=False, words=True),
    Column("gearbox", "gearbox", words=True),
    Column("accessories", "accessories", short="acc.", words=True),
    Column("speed", "speed"),
    Column("manifold_vacuum", "vacuum", 1),
    Column("manifold_pressure", "MAP", 1),
    Column("burned_fraction", "residual", short="resid-\nual"),
    Column("blow_back", "reversion", screen=False),
    Column("spark", "spark, deg BTDC", short="spark\nBTDC"),
    Column("imep_variation", "COV of IMEP", 1, short="COV"),
    Column("missed", "missed cycles", 1, short="missed"),
    Column("air_flow", "air", 2),
    Column("fuel_flow", "fuel", 2, screen=False),
    Column("throttle_area", "throttle"),
)
IDLE_SPARKS = (
    Column("cam", "cam", screen=False, words=True),
    Column("gearbox", "gearbox", words=True),
    Column("accessories", "accessories", short="acc.", words=True),
    Column("speed", "speed"),
    Column("best_spark", "MBT spark, deg BTDC", short="MBT\nspark"),
    Column("reserve_spark", "MBT spark less reserve, deg BTDC", short="less\nreserve"),
    Column("misfire_limit", "misfire limit, deg BTDC", short="misfire\nlimit"),
    Column("cautious_misfire_limit", "misfire limit if cautious, deg BTDC", short="if\ncautious"),
    Column("spark", "spark, deg BTDC", short="spark\nBTDC"),
    Column("partial", "partial burns", 1, short="partial\nburns"),
)
REVERSION = (
    Column("gear", "gear"),
    Column("ratio", "ratio", 2),
    Column("unstable_below", "rough below", -1),
    Column("unstable_below_road_speed", "rough below"),
    Column("blow_back_below", "reversion below", -1),
    Column("blow_back_below_road_speed", "reversion below"),
)
BASE_TABLE = (
    Column("speed", "speed"),
    Column("manifold_pressure", "MAP"),
    Column("table_spark", "your table, deg BTDC", short="your\ntable"),
    Column("ceiling", "ceiling, deg BTDC", short="ceil-\ning"),
    Column("pressure_change", "MAP higher by", 1, short="MAP\n+"),
    Column("burned_fraction", "residual", short="resid-\nual"),
    Column("burned_fraction_change", "residual higher by, points of", 1, short="+"),
    Column("efficiency", "efficiency", 1, short="eff."),
    Column("efficiency_change", "efficiency higher by, points of", 1, short="+"),
    Column("fuel_change", "more fuel", 1),
    Column("exhaust_temperature_change", "exhaust hotter by", short="hotter"),
)


def idle_blocks(brief: Brief) -> list[Block]:
    """Return the idle: verdict, states of both cams, idle spark."""
    idle = brief.idle
    blocks: list[Block] = [Cautions((*AT_IDLE_SPARK, *(AT_BRAKES if idle.brakes is not None else ())))]
    care = tuple(blocks[0].lines)  # type: ignore[union-attr]
    blocks.append(Lines(tuple(idle_words(idle, brief.build.units).splitlines())))
    blocks.append(Records("Idle with the new cam, warm", _paths("idle/new", len(idle.new)), IDLE, file="idle", care=care))
    if idle.replaced:
        caption = "Idle with the cam it replaces, at its own speed and at the new cam's"
        blocks.append(Records(caption, _paths("idle/replaced", len(idle.replaced)), IDLE, file="idle", care=care))
    sweep = (
        Row("vacuum", "idle_spark/manifold_vacuum", 1), Row("COV of IMEP", "idle_spark/imep_variation"), Row("missed cycles", "idle_spark/missed", 1),
        Row("partial burns", "idle_spark/partial"), Row("residual", "idle_spark/burned_fraction"),
    )  # fmt: skip
    every = *_paths("idle/new", len(idle.new)), *_paths("idle/replaced", len(idle.replaced))
    return [
        *blocks,
        Heading("Idle spark"),
        Cautions(AT_IDLE_SPARK),
        Records("What each idle's spark rests on", every, IDLE_SPARKS, file="idle_sparks", care=care),
        Series("Idle spark around the idle speed, deg BTDC", Row("speed", "idle_spark/speed"), (Row("spark, deg BTDC", "idle_spark/spark"),)),
        Series("Idle over spark, at the idle speed", Row("spark, deg BTDC", "idle_spark/swept_spark"), sweep),
        Figure("idle_spark"),
        Lines(tuple(idle_spark_words(brief.idle_spark, brief.build.units).splitlines())),
        Figure("residual"),
        Figure("map"),
        Figure("replaced_map"),
    ]


def reversion_blocks(brief: Brief) -> list[Block]:
    """Return below which speeds the level road is rough and reverts, gear by gear."""
    new, replaced = brief.reversion.new, brief.reversion.replaced
    share = 100.0 * brief.build.limits.blow_back_share
    meaning = (
        "On the level road, MBT spark. Rough: COV of IMEP is above its limit below this speed. "
        f"Reversion: more than {share:.0f} % of the charge is blown back during overlap below this speed."
    )
    blocks: list[Block] = [Lines(tuple(reversion_words(new).splitlines())), Lines((meaning,))]
    blocks.append(Records(f"New cam: {brief.cam.cam}", _paths("reversion/new", len(new)), REVERSION, file="reversion"))
    if replaced and brief.replaced_cam is not None:
        blocks.append(Records(f"Cam it replaces: {brief.replaced_cam.cam}", _paths("reversion/replaced", len(replaced)), REVERSION))
    return blocks


def spark_blocks(brief: Brief) -> list[Block]:
    """Return starting table and spark ceilings, what they rest on, what moves them, what a supplied table does there."""
    ceilings, starting = brief.spark_ceilings, brief.starting_table
    if ceilings is None:
        return [Lines(("No answer from this model: it computes no knock.",))]
    blocks: list[Block] = []
    if starting is not None:
        caption = "Starting table: final spark (table plus every correction), deg BTDC"
        table = Grid(caption, "starting_table", "spark", file="starting_table", spark=True, typed=True)
        blocks += [Cautions(OVER_STARTING_TABLE), table, Lines(tuple(describe(starting).splitlines()), listed=True), Lines((str(Caution.LAW),))]
    blocks += [Heading("Spark ceilings"), Lines((zone_words(ceilings),))]
    if ceilings.has_zone:
        blocks += [Cautions(OVER_SPARK_TABLE), _spark_grid("ceiling", "Spark ceiling, final spark, deg BTDC", ceiling_dress(ceilings))]
        sampled = "" if brief.sure is None else ", or 10 % of the samples below, if that is less"
        blocks.append(_spark_grid("ceiling_low", f"Spark ceiling, low end of the range: cautious ignition figures{sampled}; deg BTDC"))
        if brief.sure is not None:
            blocks.append(_spark_grid("ceiling_high", "Spark ceiling, high end of the band: 90 % of the samples are below, deg BTDC"))
        binding = tuple(f"{words[:1].upper()}{words[1:]}: {cells}." for words, cells in binding_cells(ceilings))
        blocks += [Heading("What the ceilings rest on"), Lines((*binding, *range_lines(ceilings), *finding_lines(ceilings)), listed=True), Figure("ceilings")]
        blocks += _sensitivity_blocks(brief)
    blank = () if ceilings.has_zone else (_spark_grid("ceiling", "Spark ceiling, final spark, deg BTDC"),)
    return [*blocks, *_base_blocks(brief), Fold("More grids: limits, knock, residual, air", (*_more_grids(), *blank))]


def _sensitivity_blocks(brief: Brief) -> list[Block]:
    found = brief.sensitivity
    if found is None:
        return []
    rows = [Row("MAP", "sensitivity/manifold_pressure")]
    rows += [Row(f"{variant_name(variant)}, deg BTDC", f"sensitivity/limit/{k}") for k, variant in enumerate(found.variants)]
    rows.append(Row("latest useful spark, deg BTDC", "sensitivity/floor"))
    caption = f"Ceilings at the road load of gear {found.gear}"
    return [
        Heading("What moves them"), Cautions(OVER_SPARK_TABLE), Series(caption, Row("speed", "sensitivity/speed"), tuple(rows)),
        Lines(tuple(sensitivity_lines(found))),
    ]  # fmt: skip


def _base_blocks(brief: Brief) -> list[Block]:
    if not brief.base_table:
        return []
    table = Records("From your table's spark to the ceiling, at equal torque", _paths("base_table", len(brief.base_table)), BASE_TABLE)
    return [Heading("Your table"), Cautions(AT_MORE_RETARD), Lines((base_table_words(brief.base_table),)), table]


def _more_grids() -> tuple[Block, ...]:
    return (
        Cautions(OVER_SPARK_TABLE),
        _spark_grid("least_limit", "Least of all limits, deg BTDC"),
        _spark_grid("misfire", "Spark above which more than 1 % of cycles miss, at the light edge of the load swing, deg BTDC"),
        _spark_grid("misfire_low", "The same with cautious ignition figures, deg BTDC"),
        _spark_grid("best_spark", "MBT spark, deg BTDC"),
        _spark_grid("knock", "Knock limit, deg BTDC; blank where no spark searched knocks"),
        _spark_grid("floor", "Latest useful spark, deg BTDC"),
        Grid("Residual at MBT spark, % of charge", "spark_ceilings", "burned_fraction", file="burned_fraction"),
        Grid("COV of IMEP at MBT spark, %", "spark_ceilings", "imep_variation", file="imep_variation"),
        Grid("Cycles that miss at MBT spark, %", "spark_ceilings", "missed", file="missed_cycles"),
        Grid("Air charge, mg per cylinder", "spark_ceilings", "air_charge", file="air_charge"),
        Grid("Relative charge, %", "spark_ceilings", "relative_charge", file="relative_charge"),
    )


def _spark_grid(name: str, caption: str, dressed: dict[tuple[int, int], str] | None = None) -> Grid:
    return Grid(caption, "spark_ceilings", name, file=name, spark=True, dressed=dressed or {})


def ceiling_dress(ceilings: SparkCeilings) -> dict[tuple[int, int], str]:
    """Return how cells of the ceilings are dressed: the lowest that spark cures, and those it does not cure."""
    uncured = np.argwhere(np.isfinite(ceilings.si.ceiling) & ~ceilings.cured)
    dressed = {(int(row), int(column)): "uncured" for row, column in uncured}
    zone = zone_of(ceilings)
    if zone is None or zone.worst is None:
        return dressed
    return dressed | {(zone.rows.start + zone.worst[0], zone.columns.start + zone.worst[1]): "lowest"}


def fuel_blocks(brief: Brief) -> list[Block]:
    """Return what the old filling table does to the fuel, and the factors for it."""
    blocks: list[Block] = [Lines(tuple(fuel_lines(brief.fuel_factors, brief.build)))]
    if brief.fuel_factors is not None:
        blocks.append(Grid("Multiply the old filling table's cells by", "fuel_factors", "factor", 2, file="fuel_factors"))
        blocks.append(Grid("Spark that the new cam's air was found at, deg BTDC", "fuel_factors", "spark"))
    return blocks


def injection_blocks(brief: Brief) -> list[Block]:
    """Return the ends of injection over speed and load, the windows at one load, and why."""
    windows = brief.injection
    if not windows.applies:
        return [Lines((delivery_words(windows.reason),))]
    row = shown_load(brief)
    ends = "End of injection, deg before overlap TDC"
    blocks: list[Block] = [Lines(tuple(injection_lines(windows, row)), listed=True), Figure("injection")]
    blocks.append(Grid(ends, "injection", "end_of_injection", file="end_of_injection"))
    if windows.counts_otherwise:
        caption = f"The same as the controller counts it, deg {windows.controller_reference}"
        blocks.append(Grid(caption, "injection", "controller_end", file="end_of_injection_controller"))
    columns = [Row("pulse", "pulse_width", 2), Row("pulse begins, deg", "start_of_injection"), Row("pulse ends, deg", "end_of_injection")]
    columns += [Row("window from, deg", "earliest"), Row("window to, deg", "latest")]
    if windows.shut_valve is not None and windows.open_valve is not None:
        columns += [Row("closed valve: to plenum", "shut_valve/to_plenum"), Row("open valve: to plenum", "open_valve/to_plenum")]
    strategies = tuple(strategy_name(windows, row, column) for column in range(windows.si.speed.size))
    load = windows.manifold_pressure.magnitude[row]
    table = AtLoad(f"At {load:.0f} kPa, deg before overlap TDC", "injection", row, tuple(columns), ("strategy", strategies))
    return [*blocks, table]


def shown_load(brief: Brief) -> int:
    """Return the load row of the injection windows that is shown: the second, a cruise, if there is one."""
    return min(1, len(brief.injection.si.manifold_pressure) - 1)


def sensor_blocks(brief: Brief) -> list[Block]:
    """Return what oxygen sensor and load sensors read at idle."""
    return [Lines(tuple(describe(brief.sensing).splitlines()))]


def _paths(base: str, size: int) -> tuple[str, ...]:
    return tuple(f"{base}/{k}" for k in range(size))
