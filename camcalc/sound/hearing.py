"""An idle and a drive as they are heard and felt: the run, its firings, their sound, and the figures beside."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..advice.idle import BEYOND_DATA, IdleVerdict, idle_state
from ..advice.idle_balance import standing_balance
from ..array_record import ArrayRecord
from ..cycle.engine_tables import EngineTables, engine_tables
from ..cycle.models import engine_kind
from ..drive.drive_run import Driver, DriveRun, simulate_drive
from ..drive.engine_loop import engine_side_of, tables_of
from ..drive.run_setup import PEDAL_MOVES_AT, Foot
from ..errors import NoSolutionError
from ..marks import Marks
from ..results import Measure, Record, measure
from ..tables.proposed import level_table
from ..units import Bounds, quantity, to_si
from ..vehicle.acceleration_weighting import SurgeGrade
from ..vehicle.driveline import driveline_of
from .firings import Firings, firings_of
from .sounds import Sound, sound_of

if TYPE_CHECKING:
    from ..cycle.operating import EngineModel
    from ..sheet import Build
    from ..tables import SparkTable
    from ..units import Quantity

__all__ = ["HeardDrive", "HeardIdle", "Lines", "about_idle", "hear_drive", "hear_idle"]

Array = NDArray[np.float64]

# An idle runs for so long [s] before it is heard, so that its swing has come about from rest; its figures are of so long.
IDLE_SETTLES, IDLE_LASTS = 4.0, 60.0
# A drive at a held speed is heard from here on [s], as it is judged; a tip-in so long before the pedal moves.
DRIVE_SETTLES, BEFORE_PEDAL = 4.0, 1.0
# The tables about an idle: speeds over its own, pressures [Pa] and sparks [crank deg] from its own: as far as rough idles were seen to wander, and closer than
# the tables of surge. ESTIMATE.
AROUND_SPEED, AROUND_PRESSURE, AROUND_SPARK = (0.8, 0.9, 1.0, 1.1, 1.25), np.arange(-15e3, 15.1e3, 5e3), (-8.0, 0.0, 8.0)
LIGHTEST = 12e3
# Lines beside a sound have a row for so many rows of the run: 20 ms, as a logger would have.
EVERY = 10
ROWS = "2 ms"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Lines(ArrayRecord):
    """What runs beside a sound, a row every 20 ms; no acceleration in neutral."""

    AXES = ("time",)

    time: Measure = measure("s")
    speed: Measure = measure("crank_rps", "rpm", doc="of the crank, firing pulses left out")
    acceleration: Measure = measure("m/s**2", doc="of the car along the road, mean since the row before; blank in neutral")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class HeardIdle(Record):
    """An idle in neutral with throttle and spark held, as it is heard; figures are of a minute, missed cycles also as they are expected.

    ``verdict`` is that of the idle spark, nothing where another is held; ``beyond_data``: more residual than any engine data that ignition rests on has.
    """

    cam: str
    verdict: IdleVerdict | None
    stalled: bool
    speed: Measure = measure("crank_rps", "rpm", doc="asked for")
    spark: Measure = measure("crank_deg", doc="held, before top dead centre")
    lobe_separation: Measure = measure("crank_deg", "cam_deg")
    advance: Measure = measure("crank_deg", doc="of the cam, as installed")
    manifold_vacuum: Measure = measure("Pa", "inHg", doc="settled")
    residual: Measure = measure("", "percent", doc="burned gas over trapped charge by mass, settled")
    expected: Measure = measure("1/s", "1/minute", doc="missed cycles of all cylinders, of the settled idle")
    runs_at: Measure = measure("crank_rps", "rpm", doc="mean of the run; throttle and spark held, so not the speed asked for")
    speed_swing: Measure = measure("crank_rps", "rpm", doc="r.m.s., 0.5 to 16 Hz")
    slowest: Measure = measure("crank_rps", "rpm")
    fastest: Measure = measure("crank_rps", "rpm")
    missed: Measure = measure("1/s", "1/minute", doc="of all cylinders, counted in the run")
    variation: Measure = measure("", "percent", doc="standard deviation of the burns' work over its mean, in the run")
    beyond_data: bool
    firings: Firings
    lines: Lines
    sound: Sound
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class HeardDrive(Record):
    """A drive in a gear on a table, as it is heard and felt; figures are of the run from where it is heard, longer than the sound at a held speed."""

    gear: int
    driver: Driver
    foot: Foot
    stalled: bool
    verdict: SurgeGrade
    speed: Measure = measure("crank_rps", "rpm", doc="where it starts")
    road_speed: Measure = measure("m/s", "km/h", doc="where it starts")
    spark: Measure = measure("crank_deg", doc="of the table where it starts, before top dead centre")
    shake: Measure = measure("m/s**2", doc="acceleration along the road, r.m.s., 0.5 to 16 Hz")
    peaks: Measure = measure("m/s**2", doc="the same from the lowest to the highest")
    spark_swing: Measure = measure("crank_deg", doc="from peak to peak, four standard deviations")
    missed: Measure = measure("1/s", "1/minute", doc="of all cylinders, counted in the run")
    cut: Measure = measure("", "percent", doc="share of what is heard in which fuel is cut")
    firings: Firings
    lines: Lines
    sound: Sound


def about_idle(engine: EngineModel, speed: float, pressure: float, spark: float) -> EngineTables:
    """Return an engine's tables about an idle, wide enough for a rough one.

    Parameters
    ----------
    engine : EngineModel
    speed : float [rev/s]
    pressure : float [Pa]
        In the plenum.
    spark : float [crank deg before top dead centre]
    """
    pressures = pressure + AROUND_PRESSURE
    return engine_tables(engine, speed * np.array(AROUND_SPEED), pressures[pressures > LIGHTEST], spark + np.array(AROUND_SPARK), net=False)


def hear_idle(
    build: Build,
    *,
    speed: Quantity | str | None = None,
    spark_change: Quantity | str = "0 crank_deg",
    duration: Quantity | str = "6 s",
    seed: int = 1,
    pipe_length: Quantity | str = "3 m",
    engine: EngineModel | None = None,
) -> HeardIdle:
    """Let an idle in neutral run with throttle and spark held, and return how it sounds, with its figures.

    Parameters
    ----------
    build : Build
    speed : quantity [crank speed]
        Idle speed, as far as a sheet may ask for; the sheet's own when left out.
    spark_change : quantity [crank angle]
        More than the idle spark that camcalc finds, -20 to 20; less below zero.
    duration : quantity [time]
        Of the sound, 1 to 30 s.
    seed : int
        Another number, other cycles.
    pipe_length : quantity [length]
        From valve to open end, 0.3 to 10 m: ESTIMATE.
    engine : EngineModel
        Of the build; made when left out.

    Raises
    ------
    NoSolutionError
        If the engine does not idle there.

    Notes
    -----
    Cycles remember, vary and miss as in ``simulate_drive``; no idle control holds the speed.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> build = load_build("examples/long-meadow/build.toml")
    >>> heard = hear_idle(build, duration="2 s", engine=QuickEngine(build))
    >>> heard.sound.si.time.size, heard.firings.cylinders, bool(heard.si.speed_swing > 0.0)
    (16000, 8, True)
    """
    made: EngineModel = engine_kind("resolved")(build) if engine is None else engine
    change = float(to_si(spark_change, "spark_change", Bounds("crank_deg", -20.0, 20.0)))
    length = float(to_si(duration, "duration", Bounds("s", 1.0, 30.0)))
    asked = build.idle.si.speed if speed is None else float(to_si(speed, "speed", build.idle.measures()["speed"].bounds))
    state = idle_state(made, asked)
    spark = state.si.spark + change
    # The closed pedal of a run idles at the sheet's speed: here that asked for.
    idling = build if speed is None else build.replace(idle=build.idle.replace(speed=quantity(asked, "crank_rps")))
    spread = standing_balance(made, asked, spark, near=state.si.manifold_pressure)
    settled = spread.mean
    tables, table = about_idle(made, asked, settled.manifold_pressure, spark), level_table(spark)
    run = simulate_drive(
        *(idling, table), gear=0, speed=quantity(asked, "crank_rps"), duration=quantity(IDLE_LASTS + IDLE_SETTLES, "s"), sample_time=ROWS, seed=seed,
        engine_tables=tables,
    )  # fmt: skip
    engine_side = engine_side_of(idling, tables)
    firings = firings_of(run, idling, table, engine_side)
    late = run.after(IDLE_SETTLES)
    rest = firings.between(IDLE_SETTLES, float(run.si.time[-1]))
    heard = firings.between(IDLE_SETTLES, IDLE_SETTLES + length)
    return HeardIdle(
        cam=build.cam.name,
        verdict=state.verdict if change == 0.0 else None,
        stalled=run.stalled,
        speed=asked,
        spark=spark,
        lobe_separation=build.cam.lobe_separation,
        advance=build.cam.advance,
        manifold_vacuum=engine_side.ambient - settled.manifold_pressure,
        residual=settled.burned_fraction,
        expected=spread.missed * asked / 2.0 * engine_side.cylinders,
        runs_at=float(late.si.speed.mean()) if late.si.speed.size else None,
        speed_swing=late.speed_swing,
        slowest=float(late.si.speed.min()) if late.si.speed.size else None,
        fastest=float(late.si.speed.max()) if late.si.speed.size else None,
        missed=rest.missed_rate,
        variation=rest.variation,
        beyond_data=settled.burned_fraction > BEYOND_DATA,
        firings=heard,
        lines=_lines(run, IDLE_SETTLES, length),
        sound=sound_of(heard, pipe_length=pipe_length),
        marks={"spark": state.mark("spark")} if change == 0.0 else {},
    )


def hear_drive(
    build: Build,
    table: SparkTable,
    *,
    gear: int,
    speed: Quantity | str,
    driver: Driver | str = Driver.SPEED_HOLD,
    foot: Foot | str = Foot.USUAL,
    duration: Quantity | str = "6 s",
    seed: int = 1,
    pipe_length: Quantity | str = "3 m",
    engine_tables: EngineTables | None = None,
) -> HeardDrive:
    """Drive on the level, and return how it sounds and how the car feels, with its figures.

    Parameters
    ----------
    build : Build
    table : SparkTable
        Taken as final spark.
    gear : int
        Counted from 1.
    speed : quantity [crank speed]
        Where to start, settled.
    driver : Driver or str
        ``speed hold`` or ``tip-in`` as a rule.
    foot : Foot or str
        ``steady``, ``usual`` or ``loose``.
    duration : quantity [time]
        Of the sound, 1 to 30 s.
    seed : int
        Another number, other cycles.
    pipe_length : quantity [length]
        From valve to open end, 0.3 to 10 m: ESTIMATE.
    engine_tables : EngineTables
        Of the build's engine; made when left out, which takes most of the time.

    Raises
    ------
    InputError
        If there is no such gear or driver, or the table has no cells where the run starts.
    NoSolutionError
        If the engine does not hold that speed.

    Examples
    --------
    >>> import numpy as np
    >>> from camcalc import QuickEngine, load_build, read_table
    >>> from camcalc.cycle.engine_tables import engine_tables
    >>> build = load_build("examples/long-meadow/build.toml")
    >>> coarse = engine_tables(QuickEngine(build), np.array([15.0, 25.0, 35.0]), np.linspace(20e3, 95e3, 6), np.array([10.0, 25.0, 40.0]))
    >>> base = read_table("examples/quarry-road/spark.csv")
    >>> heard = hear_drive(build, base, gear=3, speed="1500 rpm", duration="2 s", engine_tables=coarse)
    >>> heard.gear, heard.sound.si.time.size
    (3, 16000)
    """
    driver, foot = Driver.chosen(driver, "driver"), Foot.chosen(foot, "foot")
    length = float(to_si(duration, "duration", Bounds("s", 1.0, 30.0)))
    driveline_of(build, gear)
    tables = tables_of(build) if engine_tables is None else engine_tables
    held = driver is Driver.SPEED_HOLD or driver is Driver.STEADY_PEDAL
    start = DRIVE_SETTLES if held else PEDAL_MOVES_AT - BEFORE_PEDAL
    # As long as the drives that a gear is judged by, so that the grade is of the same length.
    lasts = max(start + length, 16.0) if held else start + length
    run = simulate_drive(
        build, table, gear=gear, speed=speed, driver=driver, foot=foot, duration=quantity(lasts + 0.1, "s"), sample_time=ROWS, seed=seed, engine_tables=tables
    )
    if run.si.time.size < 2:
        raise NoSolutionError("the engine stalls at once", fix="take another speed or gear")
    firings = firings_of(run, build, table, engine_side_of(build, tables))
    heard, late = firings.between(start, start + length), run.after(start)
    known: dict[str, Any] = {"shake": late.shake, "peaks": late.peaks, "spark_swing": late.spark_swing, "missed": late.missed_rate}
    return HeardDrive(
        gear=gear,
        driver=driver,
        foot=foot,
        stalled=run.stalled,
        verdict=late.verdict,
        speed=float(run.si.speed[0]),
        road_speed=float(run.si.road_speed[0]),
        spark=float(run.si.spark[0]),
        cut=float(np.mean(run.fuel_cut[(run.si.time >= start) & (run.si.time < start + length)] > 0.0)) if run.fuel_cut.size else 0.0,
        firings=heard,
        lines=_lines(run, start, length),
        sound=sound_of(heard, pipe_length=pipe_length),
        **known,
    )


def _lines(run: DriveRun, start: float, length: float) -> Lines:
    """Return the lines of a run over a span of time [s], counted from its start."""
    si = run.si
    inside = np.flatnonzero((si.time >= start) & (si.time < start + length))[::EVERY]
    step = float(si.time[1] - si.time[0]) * EVERY if si.time.size > 1 else math.nan
    before = np.maximum(inside - EVERY, 0)
    acceleration = (si.road_speed[inside] - si.road_speed[before]) / step if run.gear else np.full(inside.size, math.nan)
    return Lines(time=si.time[inside] - start, speed=si.speed[inside], acceleration=acceleration)
