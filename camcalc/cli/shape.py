"""``camcalc shape BUILD --table BASE.csv --out NEW.csv``."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any, NamedTuple

from .outputs import refuse_outputs, write_plots

__all__ = ["add_arguments", "run", "shaped_as_by_default"]

# As good as no limit per cell.
ANY_STEP = "180 crank_deg"


class Asked(NamedTuple):
    """What is shaped: the build, its engine, the table, the angles on its cells, what stands on top of the table [crank deg]."""

    build: Any
    engine: Any
    table: Any
    found: Any
    adders: float = 0.0

    @property
    def knock(self) -> dict[str, Any]:
        """Knock on the table's cells, as ``shape_table`` and ``add_back`` take it; not computed where a cell is beyond what was searched."""
        import numpy as np

        from ..advice.knock_edge import SEARCHED

        limits = self.build.limits
        with np.errstate(invalid="ignore"):
            beyond = np.isposinf(self.found.knock) & (self.table.si.cells + self.adders > self.found.best + SEARCHED)
        return {"knock": np.where(beyond, np.nan, self.found.knock - self.adders), "knock_margin": limits.spark_margin, "least_spark": limits.least_spark}

    @property
    def uncured(self) -> Any:
        """The cells that spark does not cure."""
        import numpy as np

        return np.isfinite(self.found.ceiling) & ~self.found.cured

    @property
    def floor(self) -> Any:
        """The late-burn floor where shaping may lower a cell: in the zone, and above the knock limit; elsewhere the table is what it was."""
        import numpy as np

        touched = np.isfinite(self.found.ceiling) | (self.table.si.cells + self.adders > self.found.knock - self.build.limits.si.spark_margin)
        return np.where(touched, self.found.floor - self.adders, np.nan)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument("--table", metavar="FILE", type=Path, help="spark table (CSV); the sheet's own when left out")
    parser.add_argument("--out", metavar="FILE", type=Path, help="where the new table goes, its cautions beside it as .txt; only shown when left out")
    parser.add_argument("--overwrite", action="store_true", help="allow --out to replace a file that is there")
    parser.add_argument("--adders", metavar="ANGLE", default="0 crank_deg", help='most that stands on top of the table, e.g. "4 crank_deg"')
    parser.add_argument("--along-speed", metavar="SLOPE", help='slope limit along speed, e.g. "15 crank_deg/krpm"; half the critical slope when left out')
    parser.add_argument("--along-load", metavar="SLOPE", help='slope limit along load, e.g. "0.3 crank_deg/kPa"; half the critical slope when left out')
    parser.add_argument("--per-cell", metavar="ANGLE", help='most between neighbours that touch the zone besides, e.g. "3 crank_deg"; none when left out')
    parser.add_argument("--increment", metavar="ANGLE", help="step of changed numbers; the table's own when left out")
    parser.add_argument(
        "--hold-knock",
        action=argparse.BooleanOptionalAction,
        default=True,
        help="bring cells above the knock limit down to it less [limits] spark_margin (the default); --no-hold-knock only lists them",
    )
    parser.add_argument("--hold-floor", action="store_true", help="--per-cell gives way beside cells that spark does not cure; the slope limits stay")
    parser.add_argument("--allow-raise", metavar="ANGLE", default="0 crank_deg", help="how far cells may rise, never near best torque or knock")
    parser.add_argument("--add-back", metavar="ANGLE", help="give back at most this in cells that --log drove without surge and knock; with --current")
    parser.add_argument("--current", metavar="FILE", type=Path, help="the table that was driven; --table is then the one before any shaping")
    parser.add_argument("--log", metavar="FILE", type=Path, help="a driving log (CSV or Parquet)")
    parser.add_argument("--columns", metavar="FILE", type=Path, help="which column of the log is what (TOML)")
    parser.add_argument(
        "--no-knock-heard", action="store_true", help="where the log cannot tell of knock: somebody listened all the time and heard none; one degree at most"
    )
    parser.add_argument("--plots", metavar="DIR", type=Path, help="also draw both tables as SVG into this folder")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def run(options: argparse.Namespace) -> int:
    """Shape the table and write it."""
    from ..report.terminal_parts import console
    from ..report.terminal_shape import print_late_burns
    from ..tables.late_burn import late_burns

    asked = what_is_asked(options)
    build, table, limits = asked.build, asked.table, {key: getattr(options, key) for key in ("along_speed", "along_load", "per_cell", "increment")}
    rule = slopes_stood(build, table) if None in (options.along_speed, options.along_load) else None
    if rule is not None:
        limits |= {key: getattr(rule, key) for key in ("along_speed", "along_load") if limits[key] is None}
    said: list[str] = []
    late: tuple[Any, ...] = ()
    counts: dict[str, int] = {}
    if options.add_back:
        shaped, giving = added_back(asked, limits, options)
        said = list(giving.cautions)
    else:
        giving = None
        shaped = shaped_by(asked, limits, options)
        late = late_burns(asked.engine, shaped, asked.found.manifold_pressure, adders=asked.adders)
        counts = other_counts(asked, limits, options)
    if options.out:
        write(shaped, options)
    if options.json:
        data = shaped.to_dict() | {"slope_rule": rule.to_dict() if rule else None, "late_burns": [cell.to_dict() for cell in late], "cells_changed": counts}
        data |= {"held_back": [{"where": held.place, "why": str(held)} for held in giving.held] if giving else [], "cautions": [*data["cautions"], *said]}
        print(json.dumps(data, indent=1, allow_nan=False))
    else:
        for caution in said:
            print(f"Caution: {caution}")
        print(shaped)
        if late:
            print()
            print_late_burns(late, console())
        for line in what_the_limits_cost(len(shaped.changes), counts):
            print(line)
        print(f"\nwritten to {options.out}, its cautions beside it" if options.out else "\nnothing written: --out says where to")
        for line in notes(shaped, asked, rule):
            print(line)
    if options.plots:
        draw(options.plots, shaped.base, shaped)
    return 0


def what_is_asked(options: argparse.Namespace) -> Asked:
    """Read what the arguments name, refuse what cannot be done, and ask the engine."""
    from ..advice.table_ceilings import ceilings_on_table
    from ..cycle.models import engine_kind
    from ..cycle.operating import refuse_teaching
    from ..errors import InputError
    from ..sheet import load_build
    from ..tables import read_table
    from ..tables.beside import path_beside
    from ..units import Bounds, to_si

    build = load_build(options.build)
    engine = engine_kind("resolved")(build)
    refuse_teaching(engine, "a shaped table")
    table = read_table(table_path(options.table, build))
    inputs = [*build.files(), table.path, options.current, options.log, options.columns]
    outputs = {"--out": options.out, "the text beside --out": path_beside(options.out) if options.out else None}
    refuse_outputs(outputs, inputs, folders={"--plots": options.plots}, new=not options.overwrite)
    if options.hold_floor and not options.per_cell:
        raise InputError(
            "--hold-floor", came="no --per-cell", expected="--per-cell too, which is what gives way", fix='add --per-cell "3 crank_deg", or leave both out'
        )
    adders = float(to_si(options.adders, "--adders", Bounds("crank_deg", 0.0, 40.0)))
    for name in ("current", "log") if options.add_back else ():
        if getattr(options, name) is None:
            raise InputError(f"--{name}", came="nothing", expected="what was driven", fix="--add-back goes with --current TABLE and --log LOG")
    return Asked(build, engine, table, ceilings_on_table(engine, table.si.speed, table.loads, table.load_kind), adders)


def shaped_by(asked: Asked, limits: dict[str, Any], options: argparse.Namespace, **other: Any) -> Any:
    """Return the shaped table, under the arguments' limits or others."""
    from ..tables import shape_table

    found, adders = asked.found, asked.adders
    how = {"allow_raise": options.allow_raise, "hold_knock": options.hold_knock, "uncured": asked.uncured if options.hold_floor else None} | limits | other
    return shape_table(asked.table, found.ceiling - adders, floor=asked.floor, best=found.best - adders, **asked.knock, **how)


def shaped_as_by_default(build: Any, table: Any, engine: Any) -> Any:
    """Return the table that ``camcalc shape`` leaves when nothing but the build and the table is given."""
    from ..advice.table_ceilings import ceilings_on_table
    from ..tables import shape_table

    asked = Asked(build, engine, table, ceilings_on_table(engine, table.si.speed, table.loads, table.load_kind))
    rule = slopes_stood(build, table)
    slopes = {} if rule is None else {"along_speed": rule.along_speed, "along_load": rule.along_load}
    return shape_table(table, asked.found.ceiling, **asked.knock, **slopes)


def added_back(asked: Asked, limits: dict[str, Any], options: argparse.Namespace) -> tuple[Any, Any]:
    """Return the table that gives spark back, and which cells the log lets rise."""
    from ..tables import add_back
    from ..tables.shaping_task import STEP
    from ..units import quantity, to_si

    current, giving = driven(options)
    step = quantity(giving.step(float(to_si(options.add_back, "--add-back", STEP))), "crank_deg")
    ceilings = {"ceiling": asked.found.ceiling - asked.adders, "best": asked.found.best - asked.adders, "raise_margin": asked.build.limits.spark_margin}
    held = asked.uncured if options.hold_floor else None
    return add_back(current, asked.table, visited=giving.cells, step=step, uncured=held, **ceilings, **asked.knock, **limits), giving


def other_counts(asked: Asked, limits: dict[str, Any], options: argparse.Namespace) -> dict[str, int]:
    """Return how many cells other limits would change, by what they are."""
    from ..tables.shaping_task import PER_CELL

    def changed(**other: Any) -> int:
        return len(shaped_by(asked, limits, options, **other).changes)

    counts = {"without_holding_knock": changed(hold_knock=False)} if options.hold_knock else {}
    if None in (limits["along_speed"], limits["along_load"]):
        return counts
    if options.per_cell:
        return counts | {"by_slopes_alone": changed(per_cell=None, uncured=None), "holding_floor": changed(uncured=asked.uncured)}
    return counts | {"at_three_degrees_per_cell": changed(per_cell=PER_CELL)}


def what_the_limits_cost(changed: int, counts: dict[str, int]) -> list[str]:
    """Return how many cells other limits would change."""
    words = {
        "without_holding_knock": "with --no-hold-knock, which leaves cells above the knock limit",
        "at_three_degrees_per_cell": 'with --per-cell "3 crank_deg" (common practice, no source)',
        "by_slopes_alone": "under the slope limits alone, without --per-cell",
        "holding_floor": "with --hold-floor, which lowers cells that spark does not cure by the slope limits alone, and burns less late",
    }
    others = [f"  {counts[key]} {text}" for key, text in words.items() if counts.get(key, changed) != changed]
    return [f"{changed} cells change; it would be", *others] if others else []


# A supplied table is the driver's own; the starting table of a brief is more cautious, and the difference must not surprise.
NOMINAL = (
    "Knock limits here are nominal, less a margin. The starting table of camcalc brief keeps under the low edge of their band and may be several degrees lower."
)


def notes(shaped: Any, asked: Asked, rule: Any) -> list[str]:
    """Return what else there is to know about a shaped table."""
    from ..advice.idle import IDLE_REACH

    lines = [NOMINAL]
    if rule is not None:
        lines.append(f"slopes that every gear to be kept smooth stands, where none was given: {rule.words()}")
        lines += [f"  not counted: {note}" for note in rule.notes]
    speeds, idle = shaped.table.si.speed, asked.build.idle.si.speed
    if beside := sum(abs(speeds[change.row] - idle) <= IDLE_REACH for change in shaped.changes):
        lines.append(
            f"{beside} of the changed cells lie within {60.0 * IDLE_REACH:.0f} rpm of the idle speed: where the idle runs on this table, and not on "
            "an idle spark of its own, its vacuum moves with those it visits (camcalc brief: idle over spark)"
        )
    if asked.adders:
        lines.append(f"ceilings and knock limits lowered by {asked.adders:g} crank deg for what stands on top of the table")
    return lines


def write(shaped: Any, options: argparse.Namespace) -> None:
    """Write the table, and beside it its cautions with what is above knock or was not computed."""
    from ..cautions import text_beside
    from ..sheet.saving import write_atomically
    from ..tables.beside import path_beside
    from ..tables.shaped_words import knock_headline

    shaped.table.write(options.out, overwrite=options.overwrite)
    write_atomically(path_beside(options.out), text_beside(options.out.name) + "".join(f"{line}\n" for line in knock_headline(shaped)))


def slopes_stood(build: Any, table: Any) -> Any:
    """Return the slopes that the gears to be kept smooth stand, or nothing where that cannot be judged."""
    from ..cycle.models import engine_kind
    from ..drive.engine_loop import surge_tables
    from ..drive.slope_rule import slope_rule
    from ..errors import CamcalcError

    try:
        return slope_rule(build, table, engine_tables=surge_tables(engine_kind("resolved")(build)))
    except CamcalcError as error:
        print(f"no slope limits from surge: {error}", file=sys.stderr)
        return None


def driven(options: argparse.Namespace) -> tuple[Any, Any]:
    """Return the table that was driven and which of its cells the log lets rise."""
    from ..logs import find_surge, read_log
    from ..logs.clean_cells import cells_that_may_rise
    from ..tables import read_table

    current, log = read_table(options.current), read_log(options.log, options.columns)
    return current, cells_that_may_rise(log, current, find_surge(log), no_knock_heard=options.no_knock_heard)


def table_path(given: Path | None, build: Any) -> Path:
    """Return the table asked for, or the sheet's own."""
    from ..errors import InputError

    path = given or build.spark_table
    if path is None:
        raise InputError("--table", came="nothing", expected="a spark table", fix='give --table BASE.csv, or [spark] table = "BASE.csv" in the sheet')
    return Path(path)


def draw(folder: Path, table: Any, shaped: Any) -> None:
    """Draw both tables as surface and grid."""
    from ..cautions import Caution
    from ..plot import plot_table_grid, plot_table_surface

    drawn = {
        "before_grid": plot_table_grid(table),
        "after_grid": plot_table_grid(shaped.table, shaped),
        "before_surface": plot_table_surface(table),
        "after_surface": plot_table_surface(shaped.table),
    }
    for name in ("after_grid", "after_surface"):
        drawn[name].set_title(Caution.KNOCK, fontsize=8)
    write_plots(folder, drawn)
