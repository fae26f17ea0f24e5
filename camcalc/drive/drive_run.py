"""A drive over time on an engine, a spark table and a gear: what the linear loop cannot show, from lash to limit cycles, as a log."""

from __future__ import annotations

import dataclasses
import functools
import io
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord
from ..cycle.load_axis import LOAD_KINDS
from ..errors import InputError, NoSolutionError
from ..results import Measure, measure, plain_data
from ..tables.axes import LOADS
from ..units import Bounds, to_si
from ..vehicle.acceleration_weighting import SurgeGrade
from ..vehicle.coupling import Coupling
from ..vehicle.driveline import driveline_of
from .closed_loop import LEAST_FILTER
from .engine_loop import engine_side_of, table_spark, tables_of
from .maps_anew import run_anew
from .run_setup import (
    PEDAL_STEP,
    STALLS,
    STEP,
    Driver,
    Foot,
    Shaker,
    Start,
    control_of,
    cylinders_of,
    filled_tables,
    limb_of,
    mixture_of,
    opening_of,
    openings,
    pedal_opening,
    plant_of,
    run_tables,
    start_of,
    state_of,
)
from .run_state import Signals, Table, World, begun
from .surge import BAND, PEAK_TO_PEAK, grade

if TYPE_CHECKING:
    from ..cycle.engine_tables import EngineTables
    from ..cycle.operating import EngineModel
    from ..logs import DriveLog
    from ..sheet import Build
    from ..tables import SparkTable
    from ..units import Quantity

__all__ = ["DriveRun", "Driver", "simulate_drive"]

Array = NDArray[np.float64]

TURN = 2.0 * math.pi
# A driver who holds speed: share of the opening per m/s, per m, and the lag of foot and eye [s]; ESTIMATE, slow against any driveline.
HOLD_GAIN, HOLD_INTEGRAL, HOLD_LAG = 0.15, 0.03, 0.4
# Fewer rows are not filtered. A filter of a lower order takes a tenth off a swing at 8 Hz, well within the band.
SHORTEST, EDGE = 60, 4
# Cylinders that are integrated push the crank one by one: steps so many times as short, lest their pushes come a little early and late by chance.
FINER = 10
# Rows further apart than this [s] do not show the whole band: no acceleration and no grade are given of them.
WIDEST_ROWS = 25e-3
# At least so many draws of noise, and as many as an engine at twice its first speed fires, lest a long run repeats itself.
LEAST_DRAWS = 4096
LOAD_COLUMNS = {
    "manifold pressure": ("manifold pressure [kPa]", 1e-3),
    "air charge": ("air charge [mg per cylinder]", 1e6),
    "relative charge": ("relative charge [percent]", 100.0),
}


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class DriveRun(ArrayRecord):
    """A drive over time, sampled as a logger would."""

    AXES = ("time",)

    gear: int
    coupling: Coupling
    driver: Driver
    table_load: str
    stalled: bool
    time: Measure = measure("s")
    speed: Measure = measure("crank_rps", "rpm")
    spark: Measure = measure("crank_deg", doc="of the table, before top dead centre")
    manifold_pressure: Measure = measure("Pa", "kPa", doc="true, in the plenum")
    load: Array = dataclasses.field(default_factory=lambda: np.empty(0))
    pedal: Measure = measure("", "percent")
    road_speed: Measure = measure("m/s", "km/h")
    acceleration: Measure = measure("m/s**2", doc="along the road, mean since the row before")
    twist: Measure = measure("rad", "deg", doc="of shafts and clutch, at the wheels")
    shaft_torque: Measure = measure("N*m", doc="at the wheels")
    crank_torque: Measure = measure("N*m")
    fuel_cut: Array = dataclasses.field(default_factory=lambda: np.empty(0))
    missed: Array = dataclasses.field(default_factory=lambda: np.empty(0))
    mixture: Measure = measure("", doc="fuel over what the air asks for, of the last cylinder that closed")
    plenum_burned: Measure = measure("", doc="burned gas in the plenum, by mass")

    def plain_units(self) -> Mapping[str, tuple[str, str]]:
        """Return the units of the load, inside and shown."""
        bounds = LOADS[self.table_load].bounds if self.table_load else None
        return {"load": (bounds.unit, bounds.show)} if bounds else {}

    @property
    def shake(self) -> float:
        """R.m.s. acceleration along the road between 0.5 and 16 Hz [m/s2]; NaN without rows."""
        return self._swing(self.si.acceleration)

    @property
    def peaks(self) -> float:
        """Acceleration along the road between 0.5 and 16 Hz from the lowest to the highest [m/s2]: missed cycles are felt as peaks; NaN without rows."""
        return float(np.ptp(self._banded(self.si.acceleration))) if self.si.time.size else math.nan

    @property
    def missed_rate(self) -> float:
        """Cycles that missed [1/s], all cylinders counted; NaN without rows."""
        if self.si.time.size < 2:
            return math.nan
        return float(self.missed[1:].sum() / (self.si.time[-1] - self.si.time[0]))

    @property
    def verdict(self) -> SurgeGrade:
        """The grade of the shaking, ours, as of the linear loop."""
        if self.stalled:
            return SurgeGrade.STALLS
        return grade(self.shake, 1.0) if math.isfinite(self.shake) else SurgeGrade.UNKNOWN

    @property
    def speed_swing(self) -> float:
        """R.m.s. swing of the engine's speed between 0.5 and 16 Hz [rev/s]; NaN without rows."""
        return self._swing(self.si.speed)

    @property
    def spark_swing(self) -> float:
        """Spark from peak to peak [crank deg], four standard deviations, between 0.5 and 16 Hz; NaN without rows."""
        return PEAK_TO_PEAK * self._swing(self.si.spark)

    def summary(self) -> dict[str, Any]:
        """Return plain data for JSON: what came of it and the rows."""
        units = {"shake": "m/s**2", "peaks": "m/s**2", "missed_rate": "1/s", "spark_swing": "crank_deg"}
        figures = {name: {"value": value if math.isfinite(value := getattr(self, name)) else None, "unit": unit} for name, unit in units.items()}
        return {"verdict": plain_data(self.verdict), **figures, **self.to_dict()}

    def after(self, time: float) -> DriveRun:
        """Return what comes after a time [s]."""
        late = self.si.time >= time
        return self.replace(**{name: value[late] for name, value in self._rows().items()})

    def _rows(self) -> dict[str, Array]:
        return {**{name: getattr(self.si, name) for name in self.measures()}, "load": self.load, "fuel_cut": self.fuel_cut, "missed": self.missed}

    def _swing(self, values: Array) -> float:
        return float(np.std(self._banded(values))) if values.size else math.nan

    def _banded(self, values: Array) -> Array:
        """Return values between 0.5 and 16 Hz; as they are where they are too few to filter."""
        from scipy.signal import sosfiltfilt

        if values.size <= SHORTEST:
            return values
        if self.si.time[1] - self.si.time[0] > WIDEST_ROWS:
            return np.full(values.shape, math.nan)
        return np.asarray(sosfiltfilt(_band_of(1.0 / float(self.si.time[1] - self.si.time[0])), values))

    def log(self) -> DriveLog:
        """Return the run as a log, for ``review_log``."""
        from ..logs import DriveLog
        from ..logs.log_notes import LogDoubt, LogNote

        si = self.si
        given = {"spark": si.spark, "load": self.load, "pedal": si.pedal, "acceleration": si.acceleration, "fuel_cut": self.fuel_cut}
        if self.gear:
            given |= {"road_speed": si.road_speed, "gear": np.full(si.time.size, float(self.gear))}
        notes = (LogNote(what=LogDoubt.SIMULATED),)
        return DriveLog.of(time=si.time, speed=si.speed, load_kind=self.table_load, notes=notes, source="simulated drive", **given)

    def text(self) -> str:
        """Return the run as the CSV that ``read_log`` reads."""
        si = self.si
        head, scale = LOAD_COLUMNS[self.table_load]
        columns = {
            "time [s]": si.time, "engine speed [rpm]": si.speed * 60.0, "spark [crank_deg]": si.spark, head: self.load * scale, "pedal [%]": si.pedal * 100.0,
            "road speed [m/s]": si.road_speed, "acceleration [m/s2]": si.acceleration, "gear": np.full(si.time.size, self.gear), "fuel cut": self.fuel_cut,
        }  # fmt: skip
        if not self.gear:
            del columns["road speed [m/s]"], columns["gear"]
        out = io.StringIO()
        out.write(",".join(columns) + "\n")
        np.savetxt(out, np.column_stack(list(columns.values())), fmt="%.4f", delimiter=",")
        return out.getvalue()

    def write(self, path: str | Path) -> Path:
        """Write the run as a log, whole or not at all."""
        from ..sheet.saving import write_atomically

        write_atomically(Path(path), self.text())
        return Path(path)


@functools.cache
def _band_of(rate: float) -> Array:
    """Return the filter that keeps 0.5 to 16 Hz of rows at a rate [1/s], in sections of second order; designing it takes longer than filtering."""
    from scipy.signal import butter

    return np.asarray(butter(EDGE, (BAND[0], min(BAND[1], 0.4 * rate)), "bandpass", fs=rate, output="sos"))


def simulate_drive(
    build: Build,
    table: SparkTable,
    *,
    gear: int,
    speed: Quantity | str | None = None,
    road_speed: Quantity | str | None = None,
    driver: Driver | str = Driver.STEADY_PEDAL,
    coupling: Coupling | str = Coupling.LOCKED,
    duration: Quantity | str = "10 s",
    sample_time: Quantity | str = "20 ms",
    pedal_step: float = PEDAL_STEP,
    cut_above: Quantity | str = "1500 rpm",
    back_below: Quantity | str = "1200 rpm",
    kick: Quantity | str = "0 rpm",
    foot: Foot | str = Foot.STEADY,
    idle_control: bool = False,
    fuel_follows: bool = True,
    noise: bool = True,
    without: Iterable[Shaker | str] = (),
    seed: int = 1,
    engine_tables: EngineTables | None = None,
    engine: EngineModel | None = None,
) -> DriveRun:
    """Drive on the level over time.

    Parameters
    ----------
    build : Build
    table : SparkTable
        Taken as final spark.
    gear : int
        Counted from 1; 0 is neutral.
    speed : quantity [crank speed]
        Where to start, settled; in neutral always this one.
    road_speed : quantity [speed]
        Where to start, settled, instead of ``speed``.
    driver : Driver or str
        ``steady pedal``, ``speed hold``, ``closed pedal``, ``tip-in`` or ``blip``; the pedal moves after two seconds.
    coupling : Coupling or str
        ``"locked"``: clutch or locked converter. ``"converter"``: open converter.
    duration, sample_time : quantity [time]
        Length, 2 to 600 s, and spacing of the rows kept, 2 to 200 ms; above 25 ms no acceleration is graded, since rows do not show it.
    pedal_step : float
        How far a tip-in or blip moves, as a share of the whole pedal, 0 to 0.5.
    cut_above, back_below : quantity [crank speed]
        Fuel is cut with a closed pedal above one and comes back below the other; common practice lies about 300 rpm apart, no source.
    kick : quantity [crank speed]
        How far the crank starts from the settled speed.
    foot : Foot or str
        ``steady``, ``usual`` or ``loose``: how far the car's own acceleration moves the foot on the pedal.
    idle_control : bool
        Whether a control holds the idle speed with throttle and spark while the pedal is closed.
    fuel_follows : bool
        Whether fuel follows the load signal, a part of it by the wall; else each cylinder gets what its air asks for.
    noise : bool
        Whether burns vary, cycles miss and signals jitter, drawn for each firing and cycle from ``seed``.
    without : iterable of Shaker or str
        What of the noise is left out: ``burn``, ``missed``, ``table``, ``fuel``.
    seed : int
        Another number, other cycles.
    engine_tables : EngineTables
        Of the build's engine; made when left out, which takes most of the time.
    engine : EngineModel
        Integrate every cylinder of this crank-resolved engine instead of following its maps: two seconds and more for each second driven.

    Raises
    ------
    InputError
        If there is no such gear or driver, or the table has no cells where the run starts.
    NoSolutionError
        If the engine does not hold that speed.

    Notes
    -----
    Cylinders go on segment by segment along maps of the settled cycle about the start, which remember the cycles before as the linear loop does; further
    off, torque and air are those of the tables (``event_kernel``). Without such maps, as with cycles that are not integrated, a cycle's torque comes at the
    middle of its power, whole. Below the load at which cycles settle the engine is taken as misfiring, its pumping that of an ideal exchange. Speed is that
    of the means: firing pulses are not in it.

    Examples
    --------
    >>> from camcalc import load_build, read_table
    >>> from camcalc.cycle.engine_tables import engine_tables
    >>> from camcalc.cycle.quick import QuickEngine
    >>> import numpy as np
    >>> build = load_build("examples/long-meadow/build.toml")
    >>> coarse = engine_tables(QuickEngine(build), np.array([15.0, 25.0, 35.0]), np.linspace(20e3, 95e3, 6), np.array([10.0, 25.0, 40.0]))
    >>> base = read_table("examples/quarry-road/spark.csv")
    >>> run = simulate_drive(build, base, gear=3, speed="1500 rpm", engine_tables=coarse, noise=False, duration="4 s")
    >>> bool(abs(run.si.speed[-1] - 25.0) < 0.1)
    True
    """
    driver, coupling, foot = Driver.chosen(driver, "driver"), Coupling.chosen(coupling, "coupling"), Foot.chosen(foot, "foot")
    if not 0.0 <= pedal_step <= 0.5:
        raise InputError("pedal_step", came=f"{pedal_step:g}", expected="a share of the whole pedal, 0 to 0.5")
    engine_side = engine_side_of(build, tables_of(build) if engine_tables is None else engine_tables)
    driveline = driveline_of(build, gear, locked=coupling is Coupling.LOCKED) if gear else None
    start = start_of(build, engine_side, driveline, table, gear, coupling, speed, road_speed)
    length = float(to_si(duration, "duration", Bounds("s", 2.0, 600.0)))
    every = max(round(float(to_si(sample_time, "sample_time", Bounds("s", 2e-3, 0.2, "ms"))) / STEP), 1)
    count = round(length / STEP) // every * every
    plant = plant_of(build, engine_side, driveline, coupling)
    cylinders, plenum = cylinders_of(engine_side, table, start.speed, start.pressure)
    filled = filled_tables(engine_side)
    full, closed = openings(build, engine_side._replace(tables=filled), table)
    opening = pedal_opening(driver, opening_of(engine_side, start.speed, start.pressure, table), closed, full, count, pedal_step)
    if seed < 0:
        raise InputError("seed", came=str(seed), expected="a whole number from 0 up")
    state = state_of(plant, driveline, start, float(to_si(kick, "kick", Bounds("crank_rps", -20.0, 20.0, "rpm"))))
    firings = max(math.ceil(length * start.speed * engine_side.cylinders), LEAST_DRAWS)
    draws = np.random.default_rng(seed).standard_normal((firings, 4)) if noise else np.zeros((1, 4))
    left_out = {Shaker.chosen(one, "without") for one in without} if noise else set(Shaker)
    hold = (HOLD_GAIN, HOLD_INTEGRAL) if driver is Driver.SPEED_HOLD and gear else (0.0, 0.0)
    signals = _signals(build, opening, closed, hold, float(state[4]), _cut_speeds(cut_above, back_below), left_out)
    speeds, loads, cells = (np.asarray(a, float) for a in (table.si.speed, table.loads, table.si.cells))
    world = World(
        plant,
        cylinders,
        engine_side.plenum,
        signals,
        Table(speeds, loads, cells, LOAD_KINDS.index(table.load_kind), engine_side.reference_air),
        (filled.speeds, filled.pressures, filled.sparks),
        run_tables(filled),
        mixture_of(on=fuel_follows),
        limb_of(foot),
        control_of(build, on=idle_control),
        draws,
        STEP,
    )
    if engine is None:
        rows, reached = run_anew(world, begun(world, state, plenum), every, engine_side, table)
    else:
        rows, reached, opened = _resolved(engine, world, start, table_spark(engine_side, table, start.speed, start.pressure), state, plenum, every)
        # The whole pedal and the closed one are in proportion, so that the pedal is the driver's.
        full, closed = opened * full, opened * closed
    return _run(rows[:reached], every * STEP, gear, coupling, driver, table.load_kind, full, closed, stalled=reached < len(rows))


def _cut_speeds(above: Any, below: Any) -> tuple[float, float]:
    """Return the crank speeds [rad/s] above which fuel is cut and below which it comes back."""
    cut, back = (float(to_si(v, k, Bounds("crank_rps", 10.0, 100.0, "rpm"))) * TURN for v, k in ((above, "cut_above"), (below, "back_below")))
    if not back < cut:
        raise InputError("back_below", came=str(below), expected=f"less than cut_above, {above}")
    return cut, back


def _signals(build: Build, opening: Array, closed: float, hold: tuple[float, float], target: float, cut: tuple[float, float], left_out: set[Shaker]) -> Signals:
    """Return what the driver and the engine control do, without some of what shakes the car."""
    limits, shakes = build.limits, {one: float(one not in left_out) for one in Shaker}
    return Signals(
        opening,
        closed,
        *hold,
        HOLD_LAG,
        target,
        *cut,
        load_filter=max(limits.si.load_filter, LEAST_FILTER),
        table_jitter=limits.load_jitter * shakes[Shaker.TABLE],
        fuel_jitter=limits.load_jitter * shakes[Shaker.FUEL],
        speed_jitter=float(limits.si.speed_jitter) * TURN * shakes[Shaker.TABLE],
        burns_vary=shakes[Shaker.BURN],
        cycles_miss=bool(shakes[Shaker.MISSED]),
        slowest=STALLS * float(build.idle.si.speed) * TURN,
    )


def _resolved(engine: EngineModel, world: World, start: Start, spark: float, driveline: Array, plenum: Array, every: int) -> tuple[Array, int, float]:
    """Run with every cylinder integrated; return also by how much the throttle is opened for a plenum that breathes."""
    from ..cycle.memory_field import memory_field
    from ..cycle.memory_maps import settled_run
    from ..cycle.segmented import Segmented
    from .resolved_run import ResolvedCylinders, without_maps

    field = memory_field(engine, net=False)
    if field is None:
        raise InputError("engine", came=engine.name, expected="the crank-resolved cycle with one plenum for all cylinders", fix="leave it out")
    settled = settled_run(field.engine, start.speed, start.pressure, spark)
    if settled is None:
        raise NoSolutionError(f"no cycle settles at {start.speed * 60:.0f} rpm, {start.pressure / 1e3:.0f} kPa", fix="start at another speed")
    segmented, fine = Segmented(field.engine, start.speed, start.pressure, spark), without_maps(world, FINER)
    cylinders = ResolvedCylinders(segmented, settled.states, fine)
    rows, reached = cylinders.run(begun(fine, driveline, plenum), every * FINER)
    return rows, reached, cylinders.factor


def _run(rows: Array, step: float, gear: int, coupling: Coupling, driver: Driver, kind: str, full: float, closed: float, *, stalled: bool) -> DriveRun:
    speed, spark, pressure, load, opening, road, twist, shaft, cut, torque, missed, mixture, burned = rows.T
    return DriveRun(
        gear=gear,
        coupling=coupling,
        driver=driver,
        table_load=kind,
        stalled=stalled,
        time=step * np.arange(len(rows)),
        speed=speed / TURN,
        spark=spark,
        manifold_pressure=pressure,
        load=load,
        pedal=np.sqrt(np.clip((opening - closed) / (full - closed), 0.0, None)),
        road_speed=road,
        acceleration=np.diff(road, prepend=road[:1]) / step,
        twist=twist,
        shaft_torque=shaft,
        crank_torque=torque,
        fuel_cut=cut,
        missed=missed,
        mixture=mixture,
        plenum_burned=burned,
    )
