"""The brief as one self-contained HTML file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from .. import cautions
from ..advice.injection import strategy_jumps
from ..pages.dress import rendered
from ..words import cures, describe, road_test
from ..words.ceilings import binding_cells, variant_name
from ..words.gears import surge_lines
from ..words.idle import beyond_data_words, lowest_speed_words
from ..words.injection import basis_words, injection_lines, strategy_name
from ..words.reversion import reversion_notes, reversion_words
from ..words.starting_table import starting_lines
from .answers import CeilingZone, ceiling_zone, idle_words, injection_picks, surge_gears, trouble_words
from .figures import draw_plots
from .printed import Printed, words
from .rows import BASE_COLUMNS, injection_row

if TYPE_CHECKING:
    from ..advice.sensitivity import CeilingSensitivity
    from ..advice.spark import SparkCeilings
    from ..brief import Brief

__all__ = ["SECTIONS", "Section", "brief_html"]


class Section(NamedTuple):
    """A section of the page: its key and title, its template, and the part of the data it needs, by keys one inside the other."""

    key: str
    title: str
    template: str
    needs: tuple[str, ...] = ()


# The page after its first screen: why, then what it rests on. A part of the data that is not there, or empty, gets no section.
SECTIONS = (
    Section("idle", "Idle", "brief_idle.html"),
    Section("reversion", "Reversion on the level road", "brief_reversion.html"),
    Section("surge", "Surge in the gears", "brief_surge.html", ("surge",)),
    Section("ceilings", "Spark ceilings", "brief_ceilings.html", ("spark_ceilings",)),
    Section("injection", "End of injection", "brief_injection.html"),
    Section("sensors", "What the sensors make of the idle", "brief_sensors.html"),
    Section("trade_off", "What spark trades", "brief_trade_off.html", ("trade_off",)),
    Section("cures", "What else would cure it", "brief_cures.html", ("cures",)),
    Section("road_test", "How to find out on the road", "brief_road_test.html", ("road_test",)),
    Section("cam", "Cam", "brief_cam.html"),
    Section("sure", "How sure", "brief_sure.html", ("about", "bands")),
    Section("assumed", "Assumed", "brief_assumed.html"),
    Section("notes", "Notes on the cards", "brief_notes.html", ("about", "notes")),
    Section("sources", "Sources", "brief_sources.html"),
    Section("cautions", "Cautions", "brief_cautions.html"),
)
# From the supplied table to the ceilings: the heads spelled out; fields and decimals as on the terminal.
BASE_HEADS = {
    "speed": "rpm", "manifold_pressure": "kPa", "table_spark": "table's spark, deg", "ceiling": "ceiling, deg", "pressure_change": "kPa more",
    "burned_fraction": "burned gas, %", "burned_fraction_change": "change, points of %", "efficiency": "efficiency, %",
    "efficiency_change": "change, points of %", "fuel_change": "fuel, % more", "exhaust_temperature_change": "exhaust, K hotter",
}  # fmt: skip


def brief_html(brief: Brief) -> str:
    """Return the brief as HTML with its plots inside.

    Parameters
    ----------
    brief : Brief

    Notes
    -----
    Every number of a table or sentence comes out of ``brief.to_dict()`` and says from where in ``data-field``. Texts of the result stand as they are.
    """
    printed = Printed(brief.to_dict())
    zone = ceiling_zone(brief.spark_ceilings) if brief.spark_ceilings is not None else None
    return rendered(
        "brief.html",
        brief=brief,
        printed=printed,
        words=words,
        care=cautions,
        cures=cures,
        road_test=road_test,
        plots=draw_plots(brief),
        sections=[section for section in SECTIONS if is_there(printed.data, section.needs)],
        road_unit=brief.build.vehicle.road_speed_unit,
        idle_words=idle_words(brief),
        trouble_words=trouble_words(brief),
        surge_gears=surge_gears(printed.data),
        surge_words=[surge_lines(advice, brief.build.vehicle.road_speed_unit) for advice in brief.surge],
        zone=zone,
        marks=ceiling_marks(brief.spark_ceilings, zone) if brief.spark_ceilings is not None else {},
        describe=describe,
        beyond_data=beyond_data_words(brief.idle.new[0]),
        lowest_speeds=lowest_speed_words(brief.idle),
        reversion_notes=reversion_notes(brief.reversion.new),
        reversion_lines=reversion_words(brief.reversion.new).splitlines(),
        strategy_name=strategy_name,
        basis=basis_words(brief.injection),
        binding=binding_cells(brief.spark_ceilings) if brief.spark_ceilings is not None else [],
        variant_rows=variant_rows(brief.sensitivity) if brief.sensitivity is not None else [],
        starting_notes=starting_lines(brief.starting_table) if brief.starting_table is not None else [],
        base_columns=[(field, BASE_HEADS[field], digits, "") for field, _, digits in BASE_COLUMNS],
        picks=injection_picks(brief) if brief.injection.applies else [],
        injection_row=injection_row(brief),
        strategy_jumps=strategy_jumps(brief.injection) if brief.injection.applies else (),
        injection_notes=injection_lines(brief.injection, injection_row(brief))[1:] if brief.injection.applies else [],
    )


def is_there(data: Any, keys: tuple[str, ...]) -> bool:
    """Return whether a part of the data, named by keys one inside the other, is there and not empty."""
    for key in keys:
        data = data.get(key) if isinstance(data, dict) else None
    return bool(data)


def ceiling_marks(ceilings: SparkCeilings, zone: CeilingZone | None) -> dict[tuple[int, int], str]:
    """Return how cells of the ceilings are dressed: the lowest that spark cures, and those it does not cure."""
    uncured = np.argwhere(np.isfinite(ceilings.si.ceiling) & ~ceilings.cured)
    marks = {(int(row), int(column)): "uncured" for row, column in uncured}
    return marks if zone is None or zone.worst is None else marks | {zone.worst: "lowest"}


def variant_rows(sensitivity: CeilingSensitivity) -> list[tuple[str, str, int]]:
    """Return the rows of what moves the ceilings: head, place in the data, decimals."""
    variants = [(variant_name(changed), f"sensitivity/limit/{k}", 0) for k, changed in enumerate(sensitivity.variants)]
    return [("load, kPa", "sensitivity/manifold_pressure", 0), *variants, ("late-burn floor", "sensitivity/floor", 0)]
