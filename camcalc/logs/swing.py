"""How far the load signal and the speed signal swing in steady driving, speed by speed: what a spark table hands on.

Measured from the rows themselves, about a trend slower than the surge finder looks, in the time the finder looked at. What lies at
the driveline's own frequency is surge and is shown apart; the rest is the swing that the surge prediction takes as given.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from ..array_record import ArrayRecord, ScalarMeasure
from ..codes import Code
from ..cycle.load_axis import MANIFOLD_PRESSURE
from ..errors import InputError
from ..results import Measure, Record, measure, plain_data
from ..tables.axes import LOADS
from ..units import factor
from .blow_back import BlowBack, blow_back_at
from .drive_log import DriveLog
from .share_in_log import seen_share
from .signals import EVEN, LOWEST, Stretch, band_pass, stretches
from .spans import covered, rows_between
from .surge_finder import AROUND, EVERYTHING, SurgeFindings, between_manoeuvres, find_surge, spans_of
from .surge_lines import SurgeLines, narrow_part, nearest

if TYPE_CHECKING:
    from ..cycle.engine_tables import EngineTables
    from ..cycle.operating import EngineModel
    from ..sheet import Build

__all__ = ["BIN", "LEAST_TIME", "NoLoadJitter", "SignalSwing", "SwingDoubt", "SwingNote", "load_unit", "measure_swing"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Speeds are gathered into bins of this width [rev/s]: 200 rpm, a usual spacing of a spark table. ESTIMATE.
BIN = 200.0 / 60.0
# A bin counts from so much time [s]: some sixty cycles at 1200 rpm, for which an r.m.s. is known to a tenth. ESTIMATE.
LEAST_TIME = 6.0
# The scatter between pieces of so many seconds says how well an r.m.s. is known: longer than what swings keeps a memory of itself. ESTIMATE.
PIECE = 2.0
# Where spark was not logged the blow-back share is asked at this [crank deg]; it hardly hangs on spark. ESTIMATE.
SPARK = 25.0
# A signal written in steps adds their square over twelve to its mean square (textbook); said from this share of the mean square on. ESTIMATE.
COARSE = 0.1
# Overtones of a strong surge, and its ups and downs, lie beside its line: said where surge is so many times the rest. ESTIMATE.
STRONG = 5.0
MOST_LOAD_JITTER = 1.0  # of the sheet
# Firings are counted for so many where no build says how many; common practice, no source.
CYLINDERS = 4


class NoLoadJitter(Code):
    """Why a log gives no ``load_jitter``."""

    LOAD_NOT_LOGGED = "load was not logged"
    NO_ENGINE = "load_jitter is a share of the exhaust blown back, which needs the engine or its tables"
    NO_CYCLE = "the engine runs at none of these speeds and loads"


class SwingDoubt(Code):
    """What to keep in mind about swings measured in a log; figures are fields of ``SignalSwing``."""

    UPPER_BOUND = "upper bounds: true swings other than surge, and sensor noise, are in the rest"
    FEWER_THAN_FIRINGS = "fewer rows than firings: how far the signals swing is right, how fast is not"
    BEHIND_FILTER = "the logged load is taken as filtered; load_jitter is the swing before the filter"
    COARSE = "written in coarse steps, which alone scatter"
    STRONG_SURGE = "surge far above the rest, in which its overtones may be: measure where it does not surge"
    TOO_LARGE = "load_jitter above 1: more than reversion can cause. Look at the sensor and at the throttle"
    UNRESOLVED_LEFT_OUT = "surge at a frequency that the sampling does not resolve is left out"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SwingNote(Record):
    """A doubt, and the channel that it is about, if it is about one."""

    what: SwingDoubt
    channel: str = ""


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SignalSwing(ArrayRecord):
    """R.m.s. swings of load and speed by speed bin; arrays over the bins. Loads are floats in the inner unit of ``load_kind``, empty without load.

    ``swing`` is all of it, ``at_surge`` what lies at the driveline's frequency, ``rest`` what is left of all without that. ``load_rms`` and
    ``speed_rms`` are what the prediction takes: the signal drawn anew each cycle, before the load filter, whose rest this is. ``pressure_rms`` is
    ``load_rms`` as a manifold pressure. Doubts are standard errors of a rest over that rest.
    """

    AXES = ("speed",)

    speed: Measure = measure("crank_rps", "rpm", doc="middle of the bin")
    time: Measure = measure("s")
    samples: NDArray[np.int64]
    speed_swing: Measure = measure("crank_rps", "rpm")
    speed_at_surge: Measure = measure("crank_rps", "rpm")
    speed_rest: Measure = measure("crank_rps", "rpm")
    speed_rms: Measure = measure("crank_rps", "rpm", doc="drawn each cycle")
    speed_doubt: Array
    load_kind: str = ""
    mean_load: Array
    load_swing: Array
    load_at_surge: Array
    load_rest: Array
    load_rms: Array
    load_doubt: Array
    pressure_rms: Measure = measure("Pa", "kPa", doc="drawn each cycle, before the load filter")
    blow_back: Measure = measure("", "percent", doc="blow-back share there, of the build")
    load_jitter: float = math.nan
    speed_jitter: ScalarMeasure = measure("crank_rps", "rpm", doc="for [limits] of the build sheet")
    missing: NoLoadJitter | None = None
    notes: tuple[SwingNote, ...] = ()
    sampling_rate: ScalarMeasure = measure("Hz")
    highest: ScalarMeasure = measure("Hz", doc="surge above it is not told apart")
    load_filter: ScalarMeasure = measure("s", "ms", doc="taken as standing before the logged load")
    speed_step: ScalarMeasure = measure("crank_rps", "rpm", doc="least step that the logged speed takes")
    load_step: float = math.nan

    def plain_units(self) -> Mapping[str, tuple[str, str]]:
        """Return the units of the loads, inside and shown."""
        bounds = LOADS[self.load_kind].bounds if self.load_kind else None
        names = ("mean_load", "load_swing", "load_at_surge", "load_rest", "load_rms")
        return dict.fromkeys(names, (bounds.unit, bounds.show)) if bounds else {}

    @property
    def share(self) -> Array:
        """The rest of the load's swing over mean load."""
        return np.asarray(self.load_rest / self.mean_load)

    @property
    def over_load(self) -> float:
        """R.m.s. of the load before its filter over the load, all bins by their rows: ``[limits] load_swing`` of the sheet."""
        return _pooled(self.load_rms, self.samples, self.mean_load) if self.load_rms.size else math.nan

    def at(self, speed: float) -> tuple[float, float]:
        """Return r.m.s. of the load signal as a manifold pressure [Pa] and of the speed signal [rev/s] at a speed [rev/s]; ends held.

        Not-a-number where the log does not tell.
        """
        if not self.samples.size:
            return math.nan, math.nan
        known = np.isfinite(self.si.pressure_rms)
        pressure = float(np.interp(speed, self.si.speed[known], self.si.pressure_rms[known])) if known.any() else math.nan
        return pressure, float(np.interp(speed, self.si.speed, self.si.speed_rms))

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON, loads in the unit their kind is shown in."""
        data = super().to_dict() | {"share": plain_data(self.share)}
        for name in ("mean_load", "load_swing", "load_at_surge", "load_rest", "load_rms"):
            unit, size = load_unit(self.load_kind)
            data[name] = {"value": plain_data(getattr(self, name) / size), "unit": unit}
        return data


class _Swings(NamedTuple):
    """Rows looked at: slow speed, frequency of the surge there (0 where none is known), spark; by channel all, at surge, the rest, the value."""

    slow: Array
    line: Array
    spark: Array
    all: dict[str, Array]
    surge: dict[str, Array]
    rest: dict[str, Array]
    value: dict[str, Array]


def measure_swing(
    log: DriveLog,
    findings: SurgeFindings | None = None,
    *,
    build: Build | None = None,
    engine: EngineModel | None = None,
    engine_tables: EngineTables | None = None,
) -> SignalSwing:
    """Measure how far load and speed signals swing in steady driving.

    Parameters
    ----------
    log : DriveLog
    findings : SurgeFindings
        Of the same log; found when left out.
    build : Build
        Whose load filter is taken to stand before the logged load; that of ``engine`` when left out.
    engine : EngineModel
        Knows the share of exhaust blown back, without which there is no ``load_jitter``.
    engine_tables : EngineTables
        Of the build's engine; asked instead of it where given, which is faster.

    Raises
    ------
    InputError
        If tables of an engine come without their build.

    Notes
    -----
    The swing is what is faster than 0.5 Hz, taken at the rows. A sample scatters as widely as what it is drawn from however few there are
    of them: folding moves power to other frequencies and loses none. What a slow log cannot do is tell frequencies apart, and see within
    a firing interval when its rows are means.

    At surge lies what is within 35 % of the driveline's frequency as found in the same gear. Spans of surge at a frequency that the
    sampling does not tell are left out. The prediction draws both signals anew each cycle; ``seen_share`` is what a log sees of such
    a signal's power behind the filter, without the trend and the band of the surge, and is divided by:

    ``load_rms^2 = load_rest^2 / seen``,  ``load_jitter^2 = sum(n load_rms^2) / sum(n (blow-back share x pressure)^2)``, n rows in each bin.

    Both are upper bounds: true swings of speed and pressure other than surge, and noise of the sensors, are in them.

    Examples
    --------
    >>> t = np.arange(0.0, 30.0, 0.02)
    >>> noise = np.random.default_rng(1).normal(size=(2, len(t)))
    >>> log = DriveLog.of(time=t, speed=22.0 + 0.05 * noise[0], load=4.5e4 + 800.0 * noise[1], load_kind="manifold pressure", pedal=0.2 + 0.0 * t)
    >>> swing = measure_swing(log)
    >>> round(float(swing.load_rest[0])), round(float(swing.si.speed_rest[0]), 3)
    (781, 0.05)
    """
    if build is None and engine is not None:
        build = engine.build
    if build is None and engine_tables is not None:
        raise InputError("build", came="nothing", expected="the build sheet that the engine's tables were made of")
    findings = find_surge(log) if findings is None else findings
    lag = 0.0 if build is None else float(build.limits.si.load_filter)
    rows = _swings(log, findings)
    bins = _bins(rows, log.si.sampling_rate)
    kept = [_seen(rows, inside, log.si.sampling_rate, filter_of_load) for inside in bins for filter_of_load in (0.0, lag)]
    speed = _channel(rows, "speed", bins, kept[::2], log.si.sampling_rate)
    load = _channel(rows, "load", bins, kept[1::2], log.si.sampling_rate) if log.load_kind else dict.fromkeys(speed, np.empty(0))
    count = np.array([inside.sum() for inside in bins], dtype=np.int64)
    blown = _blown(rows, bins, load["mean"], log.load_kind, build, engine=engine, engine_tables=engine_tables)
    pressure = load["rms"] / np.array([b.load_by_pressure for b in blown]) if load["rms"].size else np.full(count.size, np.nan)
    push = np.array([b.share * b.pressure for b in blown])
    jitter = _pooled(pressure, count, push)
    return SignalSwing(
        speed=np.array([BIN * round(float(rows.slow[inside].mean()) / BIN) for inside in bins]),
        time=count / log.si.sampling_rate,
        samples=count,
        **{f"speed_{name}": speed[name] for name in ("swing", "at_surge", "rest", "rms", "doubt")},
        load_kind=log.load_kind,
        mean_load=load["mean"],
        **{f"load_{name}": load[name] for name in ("swing", "at_surge", "rest", "rms", "doubt")},
        pressure_rms=pressure,
        blow_back=np.array([b.share for b in blown]),
        load_jitter=jitter,
        speed_jitter=_pooled(speed["rms"], count, np.ones(count.size)),
        missing=_missing(log, push, has_engine=engine is not None or engine_tables is not None) if count.size else None,
        notes=_notes(log, findings, rows, jitter, CYLINDERS if build is None else build.engine.cylinders, lag) if count.size else (),
        sampling_rate=log.si.sampling_rate,
        highest=findings.si.highest,
        load_filter=lag,
        speed_step=_step(rows.value["speed"]),
        load_step=_step(rows.value["load"]) if log.load_kind else math.nan,
    )


def _swings(log: DriveLog, findings: SurgeFindings) -> _Swings:
    channels = ("speed", "load") if log.load_kind else ("speed",)
    found: list[_Swings] = []
    driver, told = spans_of(findings.manoeuvres), SurgeLines(findings.episodes)
    looked = _looked_at(log.si.time, findings, 1.0 / log.si.sampling_rate)
    for piece in stretches(log, *channels):
        for part in between_manoeuvres(piece, driver):
            rows = rows_between(log.si.time[piece.rows], part.time[0] - EVEN * part.step, part.time[-1] + EVEN * part.step)
            there = np.arange(rows.start, rows.stop) + piece.rows.start
            there = there[looked[there]]
            if there.size:
                found.append(_part(log, part, there, channels, told))
    names = dict.fromkeys(channels, np.empty(0))
    empty = _Swings(np.empty(0), np.empty(0), np.empty(0), names, names, names, names)
    return _Swings(*(_joined([swings[k] for swings in (empty, *found)]) for k in range(len(empty))))


def _joined(parts: list[Any]) -> Any:
    if isinstance(parts[0], dict):
        return {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    return np.concatenate(parts)


def _looked_at(time: Array, findings: SurgeFindings, step: float) -> Mask:
    """Return the rows in the finder's windows, less surge whose frequency the sampling does not tell: that cannot be taken apart."""
    out = _within(time, findings.windows, step)
    untold = [(e.si.start, e.si.end) for e in findings.episodes if not math.isfinite(e.si.frequency)]
    return out & ~_within(time, untold, step)


def _within(time: Array, spans: Any, step: float) -> Mask:
    """Return the rows within spans, whose ends come from an even grid that rows stray from a little."""
    start, end = np.array(spans, dtype=float).reshape(-1, 2).T
    return covered(time, start - EVEN * step, end + EVEN * step)


def _part(log: DriveLog, part: Stretch, there: NDArray[np.int64], channels: tuple[str, ...], told: SurgeLines) -> _Swings:
    """Return the swings of a steady stretch at the log's own rows: trend and surge are smooth and go over from the even grid, what is left does not."""
    time = log.si.time[there]
    gear = float(np.nanmedian(log.gear[there])) if log.gear.size and np.isfinite(log.gear[there]).any() else math.nan
    lines = told.of(part.time[0], part.time[-1], gear)
    everywhere, surge, rest, value = {}, {}, {}, {}
    places = np.clip(np.rint((time - part.time[0]) / part.step).astype(int), 0, len(part.time) - 1)
    even = np.abs(part.time[places] - time).max() < EVEN * part.step
    # On the even grid itself nothing goes over.
    same = np.array_equal(time, part.time)
    swings = band_pass(np.stack([part.values[name] for name in channels]), part.step, LOWEST, EVERYTHING)
    for name, swing, narrow in zip(channels, swings, narrow_part(part, swings, lines), strict=True):
        value[name] = log.values(name)[there]
        trend = part.values[name] - swing
        everywhere[name] = value[name] - (trend if same else np.interp(time, part.time, trend))
        surge[name] = narrow[places] if even else CubicSpline(part.time, narrow)(time)
        rest[name] = everywhere[name] - surge[name]
    spark = log.si.spark[there] if log.values("spark").size else np.full(len(there), np.nan)
    return _Swings(value["speed"] - everywhere["speed"], nearest(lines, time), spark, everywhere, surge, rest, value)


def _bins(rows: _Swings, rate: float) -> list[Mask]:
    """Return the rows of each speed bin that was driven long enough, slowest first."""
    number = np.rint(rows.slow / BIN).astype(int)
    return [number == k for k in np.unique(number) if np.count_nonzero(number == k) >= LEAST_TIME * rate]


def _seen(rows: _Swings, inside: Mask, rate: float, lag: float) -> float:
    """Return which share of the power of a signal drawn anew each cycle is in the rest of a bin."""
    interval, line = 2.0 / float(rows.slow[inside].mean()), rows.line[inside]
    clear = seen_share(interval, rate, lowest=LOWEST, lag=lag)
    if not line.any():
        return clear
    middle = float(np.median(line[line > 0.0]))
    notched = seen_share(interval, rate, lowest=LOWEST, lag=lag, without=((1.0 - AROUND) * middle, (1.0 + AROUND) * middle))
    share = np.count_nonzero(line) / line.size
    return share * notched + (1.0 - share) * clear


def _channel(rows: _Swings, name: str, bins: list[Mask], kept: list[float], rate: float) -> dict[str, Array]:
    """Return mean and r.m.s. swings of a channel by bin."""
    out = {what: np.array([_rms(of[name][inside]) for inside in bins]) for what, of in (("swing", rows.all), ("at_surge", rows.surge), ("rest", rows.rest))}
    out["mean"] = np.array([float(rows.value[name][inside].mean()) for inside in bins])
    out["rms"] = out["rest"] / np.sqrt(np.array(kept))
    out["doubt"] = np.array([_doubt(rows.rest[name][inside], rate) for inside in bins])
    return out


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))


def _doubt(values: Array, rate: float) -> float:
    """Return the standard error of an r.m.s. over itself, from the scatter of the mean square between pieces."""
    size = max(round(PIECE * rate), 1)
    squares = (values[: len(values) // size * size] ** 2).reshape(-1, size).mean(axis=1)
    mean = float(squares.mean())
    return 0.5 * float(squares.std(ddof=1)) / mean / math.sqrt(len(squares)) if len(squares) > 1 and mean > 0.0 else math.nan


def _blown(
    rows: _Swings, bins: list[Mask], loads: Array, kind: str, build: Build | None, *, engine: EngineModel | None, engine_tables: EngineTables | None
) -> list[BlowBack]:
    unknown = BlowBack(math.nan, math.nan, 1.0 if kind == MANIFOLD_PRESSURE else math.nan)
    if (engine is None and engine_tables is None) or build is None or not kind:
        return [unknown] * len(bins)
    out = []
    for inside, load in zip(bins, loads, strict=True):
        spark = rows.spark[inside][np.isfinite(rows.spark[inside])]
        at = float(spark.mean()) if spark.size else SPARK
        where = {"speed": float(rows.slow[inside].mean()), "load": float(load), "spark": at}
        found = blow_back_at(build, **where, kind=kind, engine=engine, engine_tables=engine_tables)
        out.append(unknown if found is None else found)
    return out


def _pooled(values: Array, count: NDArray[np.int64], over: Array) -> float:
    """Return the one ratio of values to ``over`` that gives their mean square, bins weighted by their rows."""
    good = np.isfinite(values) & np.isfinite(over)
    below = float(np.sum(count[good] * over[good] ** 2))
    return math.sqrt(float(np.sum(count[good] * values[good] ** 2)) / below) if below > 0.0 else math.nan


def _missing(log: DriveLog, push: Array, *, has_engine: bool) -> NoLoadJitter | None:
    if not log.load_kind:
        return NoLoadJitter.LOAD_NOT_LOGGED
    if not has_engine:
        return NoLoadJitter.NO_ENGINE
    return None if np.isfinite(push).any() else NoLoadJitter.NO_CYCLE


def _notes(log: DriveLog, findings: SurgeFindings, rows: _Swings, jitter: float, cylinders: int, lag: float) -> tuple[SwingNote, ...]:
    notes = [SwingNote(what=SwingDoubt.UPPER_BOUND)]
    if log.si.sampling_rate < 0.5 * cylinders * float(rows.slow.max()):
        notes.append(SwingNote(what=SwingDoubt.FEWER_THAN_FIRINGS))
    if lag > 0.0 and log.load_kind:
        notes.append(SwingNote(what=SwingDoubt.BEHIND_FILTER, channel="load"))
    for name in ("speed", "load") if "load" in rows.value else ("speed",):
        if _step(rows.value[name]) ** 2 / 12.0 > COARSE * float(np.mean(rows.rest[name] ** 2)):
            notes.append(SwingNote(what=SwingDoubt.COARSE, channel=name))
        if _rms(rows.surge[name]) > STRONG * _rms(rows.rest[name]):
            notes.append(SwingNote(what=SwingDoubt.STRONG_SURGE, channel=name))
    if jitter > MOST_LOAD_JITTER:
        notes.append(SwingNote(what=SwingDoubt.TOO_LARGE, channel="load"))
    if any(not math.isfinite(e.si.frequency) for e in findings.episodes):
        notes.append(SwingNote(what=SwingDoubt.UNRESOLVED_LEFT_OUT))
    return tuple(notes)


def _step(values: Array) -> float:
    """Return the least step between the numbers that a channel takes."""
    steps = np.diff(np.unique(values))
    steps = steps[steps > 1e-9 * np.abs(values).max(initial=0.0)]
    return float(steps.min()) if steps.size else 0.0


def load_unit(kind: str) -> tuple[str, float]:
    """Return the unit a kind of load is shown in, and its size in the inner unit."""
    if not kind:
        return "", 1.0
    bounds = LOADS[kind].bounds
    return bounds.show.replace("percent", "%"), factor(bounds.show, bounds.unit)
