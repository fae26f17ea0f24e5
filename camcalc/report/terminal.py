"""The brief and the events on a terminal, readable at 80 columns."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Console
from rich.markup import escape

from ..advice.bands import HEADLINES
from ..cautions import AT_BRAKES, AT_IDLE_SPARK, AT_MORE_RETARD, OVER_SPARK_TABLE, OVER_STARTING_TABLE, Caution
from ..marks import marked
from ..results import Record
from ..words import describe
from ..words.ceilings import variant_name
from ..words.injection import injection_lines
from ..words.reversion import reversion_words
from .rows import BASE_COLUMNS, LOAD_UNITS, ceiling_rows, field_text, injection_row, number, window_heads, window_rows
from .terminal_drive import print_cures, print_road_test, print_surge, print_trade_off
from .terminal_parts import blank, console, print_cautions, show, table

if TYPE_CHECKING:
    from ..advice.cam_facts import CamFacts
    from ..brief import Brief

__all__ = ["console", "print_brief", "print_events", "print_grid", "table"]

EVENTS = (
    ("intake_opens", "IVO\nb TDC"), ("intake_closes", "IVC\na BDC"), ("exhaust_opens", "EVO\nb BDC"), ("exhaust_closes", "EVC\na TDC"),
    ("intake_duration", "intake\nlasts"), ("exhaust_duration", "exhaust\nlasts"), ("overlap", "over-\nlap"),
)  # fmt: skip
IDLE = (
    ("speed", "speed\nrpm", 0), ("manifold_vacuum", "vacuum\ninHg", 1), ("manifold_pressure", "MAP\nkPa", 1),
    ("burned_fraction", "burned\n%", 0), ("spark", "spark\nb TDC", 0),
    ("imep_variation", "COV\n%", 0), ("air_flow", "air\ng/s", 2), ("throttle_area", "throt.\nmm2", 0),
)  # fmt: skip


def print_events(facts: CamFacts, console: Console) -> None:
    """Print a cam's events and what follows from its geometry."""
    made = table(f"{facts.cam}: valve events [crank deg; negative: on the other side of the dead centre]", ["checked at", *(t for _, t in EVENTS)])
    for events in facts.events:
        where = f"{events.si.height * 1e3:.3g} mm {events.measured_at}{'' if events.source == 'card' else ' *'}"
        made.add_row(where, *(number(events, name) for name, _ in EVENTS))
    console.print(made)
    if any(e.source != "card" for e in facts.events):
        console.print("* from the lift curve; b before, a after")
    o = facts.overlap
    lines = [
        f"lobe separation {field_text(facts, 'lobe_separation')}, advance {field_text(facts, 'advance')}",
        f"overlap {field_text(o, 'angle')} seat to seat, area {field_text(o, 'area')}",
        f"lift at top dead centre: intake {field_text(o, 'intake_lift_at_top')}, exhaust {field_text(o, 'exhaust_lift_at_top')}",
    ]
    if math.isfinite(facts.effective_compression):
        lines.insert(1, f"effective compression {facts.effective_compression:.2f} at intake closing (0.15 mm valve lift)")
        lines.append(f"overlap factor {field_text(facts, 'overlap_factor')} by definition (used), {field_text(facts, 'overlap_factor_by_fit')} by the fit")
    else:
        lines.append(f"left out: effective compression and overlap factor. [engine] lacks {', '.join(facts.engine_lacks)}.")
    for line in lines:
        console.print("  " + line, highlight=False, markup=False)
    console.print()


def print_brief(brief: Brief, console: Console, load_axis: str = "manifold pressure") -> None:
    """Print a first-fire brief, the ceilings over a kind of load."""
    build = brief.build
    console.rule(escape(f"First-fire brief: {build.name}" + (f" ({build.label})" if build.label else "")))
    cams = f"{brief.cam.cam}" + (f" in place of {brief.replaced_cam.cam}" if brief.replaced_cam else "")
    console.print(f"{cams}. Model: {brief.model}.\n", highlight=False, markup=False)
    if brief.not_for:
        print_cautions([describe(brief.not_for)], console)
    for facts in (brief.cam, brief.replaced_cam):
        if facts:
            print_events(facts, console)
    _idle(brief, console)
    _idle_spark(brief, console)
    _reversion(brief, console)
    print_surge(brief, console)
    _ceilings(brief, console, load_axis)
    _injection(brief, console)
    _sensing(brief, console)
    if brief.trade_off is not None:
        print_trade_off(brief.trade_off, console)
    if brief.cures is not None:
        print_cures(brief.cures, console)
    _sure(brief, console)
    if brief.road_test is not None:
        print_road_test(brief.road_test, console)
    console.print(f"[bold]Assumed[/bold]: {len(build.assumed)} figures the sheet leaves out")
    for a in build.assumed:
        console.print(f"  {a.key} = {a.value} ({a.why})", highlight=False, markup=False)
    for note in build.notes:
        console.print(f"  note: {note}", highlight=False, markup=False)
    console.print("\n[bold]Cautions[/bold]")
    for caution in brief.cautions:
        console.print(f"  - {caution}", highlight=False, markup=False)


def print_grid(title: str, record: Record, name: str, console: Console, digits: int = 0) -> None:
    """Print one quantity of a record over speed and manifold pressure, highest load first, each figure with its mark; blank where there is none."""
    made = table(title, ["kPa", *(f"{s:.0f}" for s in record.speed.magnitude)], left=0)  # type: ignore[attr-defined]
    loads = record.manifold_pressure.magnitude  # type: ignore[attr-defined]
    values = getattr(record, name).magnitude
    for k in range(len(loads) - 1, -1, -1):
        made.add_row(f"{loads[k]:.0f}", *(blank(v, digits, record.mark(name, k, j)) for j, v in enumerate(values[k])))
    show(made, console, getattr(record, "marks", {}).get(name))


def _idle(brief: Brief, console: Console) -> None:
    print_cautions((*AT_IDLE_SPARK, *(AT_BRAKES if brief.idle.brakes else ())), console)
    made = table("Idle, warm", ["cam", "gearbox", "acc.", *(t for _, t, _ in IDLE)], left=3)
    for kind, states in (("new", brief.idle.new), ("old", brief.idle.replaced)):
        for state in states:
            made.add_row(kind, state.gearbox, state.accessories, *(number(state, n, d) for n, _, d in IDLE))
    show(made, console, *(state.marks.get("spark") for state in (*brief.idle.new, *brief.idle.replaced)))
    idle = brief.idle
    console.print(
        f"  vacuum {field_text(idle, 'vacuum')}; penalty {field_text(idle, 'vacuum_penalty')}, "
        f"at equal speed {field_text(idle, 'vacuum_penalty_at_equal_speed')}",
        highlight=False,
    )
    for line in describe(idle).splitlines():
        console.print(f"  {line}", highlight=False, markup=False)
    console.print()


def _reversion(brief: Brief, console: Console) -> None:
    unit = brief.build.vehicle.road_speed_unit
    made = table(
        "Reversion on the level road",
        ["gear", "ratio", "uneven\nbelow rpm", f"which is\n{unit}", "reversion\nbelow rpm", f"which is\n{unit}", "uneven below rpm,\nreplaced cam"],
        left=0,
    )
    for k, g in enumerate(brief.reversion.new):
        cells = []
        for name in ("unstable_below", "blow_back_below"):
            road = getattr(g, f"{name}_road_speed").to("mph" if unit == "mph" else "kph").magnitude
            cells += [number(g, name, 0), blank(road, 0, g.mark(name)) or "none"]
        made.add_row(str(g.gear), f"{g.ratio:g}", *cells, number(brief.reversion.replaced[k], "unstable_below", 0) if brief.reversion.replaced else "-")
    show(made, console, *(mark for g in (*brief.reversion.new, *brief.reversion.replaced) for mark in g.marks.values()))
    for line in reversion_words(brief.reversion.new).splitlines():
        console.print(f"  {line}", highlight=False, markup=False)
    console.print()


def _idle_spark(brief: Brief, console: Console) -> None:
    advice = brief.idle_spark
    print_cautions(AT_IDLE_SPARK, console)
    made = table("Idle spark, flat or falling with speed [deg b TDC]", ["rpm", *(f"{s:.0f}" for s in advice.speed.magnitude)], left=0)
    made.add_row("spark", *(blank(v, 0, advice.mark("spark", k)) for k, v in enumerate(advice.si.spark)))
    show(made, console, advice.marks.get("spark"))
    swept = advice.si.swept_spark
    heads = [blank(s, 0, advice.mark("swept_spark", k)) for k, s in enumerate(swept)][::2]
    made = table("Idle over spark, at the idle speed", ["spark, deg b TDC", *heads], left=1)
    made.add_row("vacuum, inHg", *(blank(v, 1) for v in advice.manifold_vacuum.magnitude[::2]))
    made.add_row("COV of IMEP, %", *(blank(v) for v in advice.imep_variation.magnitude[::2]))
    show(made, console, advice.marks.get("swept_spark"))
    for line in describe(advice).splitlines():
        console.print(f"  {line}", highlight=False, markup=False)
    console.print()


def _ceilings(brief: Brief, console: Console, load_axis: str) -> None:
    ceilings = brief.spark_ceilings
    if ceilings is None:
        return
    if not ceilings.has_zone:
        console.print(f"Spark ceilings: {describe(ceilings)}", highlight=False, markup=False)
        _starting(brief, console)
        return
    print_cautions(OVER_SPARK_TABLE, console)
    heads = [LOAD_UNITS[load_axis][0].split()[0], *(f"{s:.0f}" for s in ceilings.speed.magnitude)]
    made = table(f"Spark ceilings, FINAL spark (table plus every adder) [deg b TDC]; {LOAD_UNITS[load_axis][0]} over rpm", heads, left=0)
    for load, cells in ceiling_rows(ceilings, load_axis):
        made.add_row(load, *cells)
    show(made, console, ceilings.marks.get("ceiling"))
    for line in describe(ceilings).splitlines():
        console.print(f"  {line}", highlight=False, markup=False)
    _starting(brief, console)
    _sensitivity(brief, console)
    _base(brief, console)


def _starting(brief: Brief, console: Console) -> None:
    if brief.starting_table is None:
        return
    print_cautions(OVER_STARTING_TABLE, console)
    print_grid("Starting table, FINAL spark [deg b TDC]; kPa over rpm", brief.starting_table, "spark", console)
    for line in describe(brief.starting_table).splitlines():
        console.print(f"  {line}", highlight=False, markup=False)
    console.print(f"  {Caution.LAW}\n", highlight=False, markup=False)


def _sensitivity(brief: Brief, console: Console) -> None:
    s = brief.sensitivity
    if s is None:
        return
    print_cautions(OVER_SPARK_TABLE, console)
    made = table(f"Limits at light load: road load of gear {s.gear} [deg b TDC]", ["rpm", *(f"{v:.0f}" for v in s.speed.magnitude)], left=1)
    made.add_row("load, kPa", *(blank(v) for v in s.manifold_pressure.magnitude))
    for k, (name, row) in enumerate(zip(s.variants, s.si.limit, strict=True)):
        made.add_row(variant_name(name), *(blank(v, 0, s.mark("limit", k, j)) for j, v in enumerate(row)))
    made.add_row("late-burn floor", *(blank(v, 0, s.mark("floor", j)) for j, v in enumerate(s.si.floor)))
    show(made, console, *s.marks.values())
    for line in describe(s).splitlines():
        console.print(f"  {line}", highlight=False, markup=False)
    console.print()


def _base(brief: Brief, console: Console) -> None:
    if not brief.base_table:
        return
    print_cautions(AT_MORE_RETARD, console)
    heads = [head for _, head, _ in BASE_COLUMNS]
    made = table("From the supplied table's spark to the ceiling, at equal torque", heads, left=0)
    for cell in brief.base_table:
        made.add_row(*(number(cell, name, digits) for name, _, digits in BASE_COLUMNS))
    show(made, console, *(mark for cell in brief.base_table for mark in cell.marks.values()))
    console.print()


def _injection(brief: Brief, console: Console) -> None:
    if not brief.injection.applies:
        console.print(f"{describe(brief.injection)}\n", highlight=False, markup=False)
        return
    shown = injection_row(brief)
    load = brief.injection.manifold_pressure.magnitude[shown]
    made = table(f"End of injection at {load:.0f} kPa [crank deg before overlap TDC; negative: after]", window_heads(brief), left=0)
    for row in window_rows(brief, shown):
        made.add_row(*row)
    console.print(made)
    for line in injection_lines(brief.injection, shown):
        console.print(f"  {line}", highlight=False, markup=False)
    console.print()


def _sensing(brief: Brief, console: Console) -> None:
    console.print("[bold]Sensors at idle[/bold]")
    for line in describe(brief.sensing).splitlines():
        console.print(f"  {line}", highlight=False, markup=False)
    console.print()


def _sure(brief: Brief, console: Console) -> None:
    if not brief.sure:
        return
    console.print(
        f"[bold]How sure[/bold]: bands hold 10 to 90 % of {brief.sure.samples} samples over stated tolerances, seeded, {brief.sure.seconds:.0f} s. "
        "What matters most:"
    )
    for name, inputs in brief.sure.matters.items():
        _, low, high, unit = brief.sure.shown()[name]
        ends = [marked(f"{edge:.4g}", mark) for edge, mark in zip((low, high), brief.sure.marks_of(name)[1:], strict=True)]
        console.print(f"  {HEADLINES[name][2]}: {' to '.join(dict.fromkeys(ends))} {unit}", highlight=False, markup=False)
        console.print(f"    {'; '.join(map(str, inputs))}", highlight=False, markup=False)
    console.print()
