"""A drive over time on an engine, a spark table and a gear: what the linear loop cannot show, from lash to limit cycles, as a log."""

from __future__ import annotations

import dataclasses
import io
import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord
from ..cycle.load_axis import LOAD_KINDS
from ..errors import InputError
from ..results import Measure, measure, plain_data
from ..tables.axes import LOADS
from ..units import Bounds, to_si
from ..vehicle.acceleration_weighting import SurgeGrade
from ..vehicle.coupling import Coupling
from ..vehicle.driveline import driveline_of
from .engine_loop import engine_side_of, tables_of
from .run_setup import PEDAL_STEP, STEP, Driver, filled_tables, opening_of, openings, pedal_opening, plant_of, start_of, state_of
from .surge import BAND, PEAK_TO_PEAK, grade
from .time_kernel import Signals, run_kernel

if TYPE_CHECKING:
    from ..cycle.engine_tables import EngineTables
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

    def plain_units(self) -> Mapping[str, tuple[str, str]]:
        """Return the units of the load, inside and shown."""
        bounds = LOADS[self.table_load].bounds if self.table_load else None
        return {"load": (bounds.unit, bounds.show)} if bounds else {}

    @property
    def shake(self) -> float:
        """R.m.s. acceleration along the road between 0.5 and 16 Hz [m/s2]; NaN without rows."""
        return self._swing(self.si.acceleration)

    @property
    def verdict(self) -> SurgeGrade:
        """The grade of the shaking, ours, as of the linear loop."""
        return SurgeGrade.STALLS if self.stalled else grade(self.shake, 1.0)

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
        shake = {"acceleration": {"value": self.shake, "unit": "m/s**2"}, "spark_swing": {"value": self.spark_swing, "unit": "crank_deg"}}
        return {"verdict": plain_data(self.verdict), **shake, **self.to_dict()}

    def after(self, time: float) -> DriveRun:
        """Return what comes after a time [s]."""
        late = self.si.time >= time
        return self.replace(**{name: value[late] for name, value in self._rows().items()})

    def _rows(self) -> dict[str, Array]:
        return {**{name: getattr(self.si, name) for name in self.measures()}, "load": self.load, "fuel_cut": self.fuel_cut}

    def _swing(self, values: Array) -> float:
        from scipy.signal import butter, sosfiltfilt

        if values.size <= SHORTEST:
            return float(np.std(values)) if values.size else math.nan
        rate = 1.0 / float(self.si.time[1] - self.si.time[0])
        band = butter(EDGE, (BAND[0], min(BAND[1], 0.4 * rate)), "bandpass", fs=rate, output="sos")
        return float(np.std(sosfiltfilt(band, values)))

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
    noise: bool = True,
    seed: int = 1,
    engine_tables: EngineTables | None = None,
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
        Length, 2 to 600 s, and spacing of the rows kept, 2 to 200 ms.
    pedal_step : float
        How far a tip-in or blip moves, as a share of the whole pedal, 0 to 0.5.
    cut_above, back_below : quantity [crank speed]
        Fuel is cut with a closed pedal above one and comes back below the other; common practice lies about 300 rpm apart, no source.
    kick : quantity [crank speed]
        How far the crank starts from the settled speed.
    noise : bool
        Whether burns vary and signals jitter, drawn for each firing and cycle from ``seed``.
    seed : int
        Another number, other cycles.
    engine_tables : EngineTables
        Of the build's engine; made when left out, which takes most of the time.

    Raises
    ------
    InputError
        If there is no such gear or driver, or the table has no cells where the run starts.
    NoSolutionError
        If the engine does not hold that speed.

    Notes
    -----
    Means of cycles, looked up with the same delays by crank angle as the linear loop; below the load at which cycles settle the engine
    is taken as misfiring, its pumping that of an ideal exchange. Speed is that of the means: firing pulses are not in it.

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
    driver, coupling = Driver.chosen(driver, "driver"), Coupling.chosen(coupling, "coupling")
    if not 0.0 <= pedal_step <= 0.5:
        raise InputError("pedal_step", came=f"{pedal_step:g}", expected="a share of the whole pedal, 0 to 0.5")
    engine_side = engine_side_of(build, tables_of(build) if engine_tables is None else engine_tables)
    driveline = driveline_of(build, gear, locked=coupling is Coupling.LOCKED) if gear else None
    start = start_of(build, engine_side, driveline, table, gear, coupling, speed, road_speed)
    length = float(to_si(duration, "duration", Bounds("s", 2.0, 600.0)))
    every = max(round(float(to_si(sample_time, "sample_time", Bounds("s", 2e-3, 0.2, "ms"))) / STEP), 1)
    count = round(length / STEP) // every * every
    plant = plant_of(build, engine_side, driveline, coupling, noise=noise)
    filled = filled_tables(engine_side)
    full, closed = openings(build, engine_side._replace(tables=filled), table)
    opening = pedal_opening(driver, opening_of(engine_side, start.speed, start.pressure, table), closed, full, count, pedal_step)
    hold = (HOLD_GAIN, HOLD_INTEGRAL) if driver is Driver.SPEED_HOLD and gear else (0.0, 0.0)
    cut, back = (float(to_si(v, k, Bounds("crank_rps", 10.0, 100.0, "rpm"))) * TURN for v, k in ((cut_above, "cut_above"), (back_below, "back_below")))
    if not back < cut:
        raise InputError("back_below", came=str(back_below), expected=f"less than cut_above, {cut_above}")
    state = state_of(plant, driveline, start, float(to_si(kick, "kick", Bounds("crank_rps", -20.0, 20.0, "rpm"))))
    firings = max(math.ceil(length * start.speed * engine_side.cylinders), LEAST_DRAWS)
    draws = np.random.default_rng(seed).standard_normal((firings, 3)) if noise else np.zeros((1, 3))
    rows, reached = run_kernel(
        state,
        STEP,
        count,
        every,
        plant,
        Signals(opening, closed, *hold, HOLD_LAG, float(state[4]), cut, back),
        (filled.speeds, filled.pressures, filled.sparks),
        filled.values,
        (np.asarray(table.si.speed, float), np.asarray(table.loads, float), np.asarray(table.si.cells, float)),
        LOAD_KINDS.index(table.load_kind),
        draws,
    )
    return _run(rows[:reached], every * STEP, gear, coupling, driver, table.load_kind, full, closed, stalled=reached < len(rows))


def _run(rows: Array, step: float, gear: int, coupling: Coupling, driver: Driver, kind: str, full: float, closed: float, *, stalled: bool) -> DriveRun:
    speed, spark, pressure, load, opening, road, twist, shaft, cut, torque = rows.T
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
    )
