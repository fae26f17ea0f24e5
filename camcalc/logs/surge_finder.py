"""Finding surge in a log: swings of engine speed at low speed and part throttle that the driver did not ask for."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections import Counter
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import cumulative_trapezoid

from ..codes import Code
from ..results import Measure, Record, measure, plain_data
from ..units import Bounds, to_si
from ..vehicle.acceleration_weighting import BACKREST_FACTOR, ComfortReaction, SurgeGrade, comfort_reactions, grade_of, vibration_dose, weighted
from .drive_log import DriveLog
from .manoeuvres import CLOSED_WITHIN, Manoeuvre, ManoeuvreKind, find_manoeuvres, least_pedal
from .signals import CONTEXT, EVEN, HIGHEST, LOWEST, SHORTEST, Stretch, amplitude_of, band_pass, envelope, highest_frequency, stretches, swing_of

__all__ = [
    "AROUND", "EVERYTHING", "EpisodeNote", "FinderNote", "SurgeEpisode", "SurgeFindings", "SwingKind", "between_manoeuvres", "find_surge",
]  # fmt: skip

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Surge is looked for below this engine speed; ESTIMATE.
BELOW = "3000 rpm"
# Least amplitude of engine speed: in second gear of a 1600 kg car some 0.2 m/s2 peak to peak, just noticeable. ESTIMATE.
LEAST_SWING = "10 rpm"
# An episode lasts while the swing stays over this share of the least; it must last so many periods, and seconds. ESTIMATE.
LASTS_OVER, LEAST_PERIODS, LEAST_TIME = 0.6, 3.0, 1.5
# It must be over the least itself so long [s], all in all: one noisy moment fills as much of the envelope. ESTIMATE.
OVER_LEAST = 1.0
# Episodes less than this apart [s] are one; ESTIMATE.
APART = 1.0
# After a manoeuvre the driveline rings down: at least so long [s], and on while the swing shrinks by so much each half second, at most so long. ESTIMATE.
BEFORE, SETTLES, SHRINKS, RINGS = 0.5, 2.0, 0.05, 6.0
# A swing is of one frequency if this share of its power lies within so much of the peak; ESTIMATE.
ONE_FREQUENCY, AROUND = 0.5, 0.35
# Below so many rows a second a frequency is not told: most modes of a driveline, 2 to 13 Hz, would fold down and look slower. ESTIMATE.
TELLS_FROM = 10.0
# A line of combustion keeps step with the crank to within so much [Hz]; driveline and line can coincide within this share. ESTIMATE, and as in the design.
IN_STEP, COINCIDES = 0.1, 0.10
# Least amplitude at which a signal counts as swinging; spark in crank deg, load as a share of its mean, acceleration in m/s2. ESTIMATE.
LEAST_SPARK, LEAST_LOAD, LEAST_ACCELERATION = 0.3, 0.01, 0.025
# The upper edge of a band that keeps all there is [Hz].
EVERYTHING = 1e3
# Channels whose absence the findings name.
MISSED = ("pedal", "gear", "acceleration", "fuel_cut")


class SwingKind(Code):
    """What swings."""

    DRIVELINE = "surge of the driveline"
    ONCE_PER_CYCLE = "combustion, once per cycle"
    ALTERNATE_CYCLES = "combustion, alternate cycles"
    NO_SINGLE_FREQUENCY = "no single frequency"


# Lines of combustion, per crank revolution.
LINES = {SwingKind.ONCE_PER_CYCLE: 0.5, SwingKind.ALTERNATE_CYCLES: 0.25}


class EpisodeNote(Code):
    """What else there is to know about one swing."""

    NOT_RESOLVED = "the sampling rate does not resolve its frequency"
    UNEVEN_BURNING = "unsteady speed without one frequency: rough burning rather than surge"
    LINE_COINCIDES = "a line of combustion has the driveline's frequency here: the two look alike"
    COMBUSTION_LINE = "a line of combustion: surge only if the driveline's own frequency is within 10 % of it"


class FinderNote(Code):
    """What limits the search; the figures are fields of ``SurgeFindings``."""

    TOO_FEW_ROWS = "too few rows a second to see surge: log at 10 or more"
    FEW_ROWS = "so few rows a second leave out part of the driveline's frequencies, which reach 10 Hz and more in high gears"
    NOT_LOGGED = "channels that were not logged limit the search"
    SHORT_PIECES = "pieces between gaps too short to judge were left out"
    PEDAL_NEVER_OFF = "the least pedal is taken as closed: if it was held there, log a moment with the pedal let off as well"


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SurgeEpisode(Record):
    """One stretch of surge; amplitudes are those of the sine with the same r.m.s., peak to peak is twice that.

    ``line`` is the line of combustion that it lies on, if any; frequency is not-a-number where the sampling does not resolve it.
    """

    kind: SwingKind
    start: Measure = measure("s")
    end: Measure = measure("s")
    frequency: Measure = measure("Hz")
    speed: Measure = measure("crank_rps", "rpm", doc="mean engine speed")
    speed_amplitude: Measure = measure("crank_rps", "rpm")
    spark_amplitude: Measure = measure("crank_deg")
    load_kind: str = ""
    mean_load: float = math.nan
    load_amplitude: float = math.nan
    road_speed: Measure = measure("m/s", "km/h")
    gear: float = math.nan
    peak_to_peak: Measure = measure("m/s**2", doc="of the car's acceleration, 1 to 10 Hz")
    weighted_rms: Measure = measure("m/s**2", doc="ISO 2631-1 Wd, seat")
    backrest_rms: Measure = measure("m/s**2", doc="ISO 2631-1 Wc, seat back, times 0.8")
    vibration_dose: float = math.nan
    signals: tuple[str, ...] = ()
    note: EpisodeNote | None = None
    line: SwingKind | None = None
    road_speed_unit: str = "km/h"

    @property
    def grade(self) -> SurgeGrade:
        """Our own grade, by peak-to-peak acceleration; of no standard."""
        return grade_of(self.si.peak_to_peak)

    @property
    def comfort(self) -> tuple[ComfortReaction, ...]:
        """Comfort reactions of ISO 2631-1 to the weighted acceleration; empty where that is not known."""
        return () if math.isnan(self.si.weighted_rms) else comfort_reactions(self.si.weighted_rms)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON, with our grade and the standard's words."""
        return super().to_dict() | {"grade": plain_data(self.grade), "comfort": plain_data(self.comfort)}


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SurgeFindings(Record):
    """What was found: surge of the driveline, swings that are combustion, what the driver did, and how much was looked at."""

    episodes: tuple[SurgeEpisode, ...]
    combustion: tuple[SurgeEpisode, ...]
    manoeuvres: tuple[Manoeuvre, ...]
    looked_at: Measure = measure("s")
    surging: Measure = measure("s")
    lowest: Measure = measure("Hz")
    highest: Measure = measure("Hz")
    windows: tuple[tuple[float, float], ...] = dataclasses.field(default=(), repr=False)
    notes: tuple[FinderNote, ...] = ()
    channels: tuple[str, ...] = ()
    sampling_rate: Measure = measure("Hz")
    too_short: Measure = measure("s", doc="time in pieces too short to judge")
    least_pedal: Measure = measure("", "percent", doc="taken as closed")

    @property
    def share(self) -> float:
        """Share of the time looked at that surged."""
        return self.si.surging / self.si.looked_at if self.si.looked_at > 0.0 else math.nan

    def counts(self) -> dict[ManoeuvreKind, int]:
        """Return how often the driver did what; none of it is the table's doing."""
        return dict(Counter(m.kind for m in self.manoeuvres))

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON; manoeuvres also counted by kind."""
        counts = {kind.code: count for kind, count in self.counts().items()}
        return super().to_dict() | {"share": self.share if math.isfinite(self.share) else None, "not_the_table": counts}


def find_surge(log: DriveLog, *, below: Any = BELOW, least_swing: Any = LEAST_SWING, modes: Mapping[int, float] | None = None) -> SurgeFindings:
    """Find surge in a log.

    Parameters
    ----------
    log : DriveLog
    below : quantity [crank speed]
        Engine speed below which to look. 3000 rpm: ESTIMATE.
    least_swing : quantity [crank speed]
        Least amplitude of engine speed that counts. 10 rpm: ESTIMATE.
    modes : mapping of gear to frequency [Hz]
        The driveline's own frequencies where they are known, to tell them from lines of combustion.

    Notes
    -----
    Engine speed between 0.5 and 16 Hz, or 0.4 of the sampling rate where that is less, outside manoeuvres and their ring-down. A
    swing at N/120 (once per cycle) or N/240 (alternate cycles; N in rpm) is combustion, unless the driveline's own frequency in that gear,
    as given or as seen at other speeds, lies within a tenth of it. A line is told by its keeping step with the crank, also where it lies above
    half the sampling rate and folds down. A swing faster than the sampling can tell still scatters the rows as widely: it is found, its
    frequency is not-a-number.

    Examples
    --------
    >>> t = np.arange(0.0, 20.0, 0.02)
    >>> log = DriveLog.of(time=t, speed=22.0 + np.where(t > 8.0, 0.8 * np.sin(2.0 * np.pi * 2.5 * t), 0.0), pedal=np.full(len(t), 0.2))
    >>> found = find_surge(log)
    >>> len(found.episodes), round(found.episodes[0].si.frequency, 2)
    (1, 2.5)
    """
    limit = float(to_si(below, "below", Bounds("crank_rps", 0.0, 300.0)))
    least = float(to_si(least_swing, "least_swing", Bounds("crank_rps", 1e-3, 20.0)))
    high = highest_frequency(log)
    manoeuvres = find_manoeuvres(log, below=limit)
    notes, spans, windows = _notes(log, high), [], []
    resting = least_pedal(log)
    pieces = stretches(log, "speed") if high >= 2.0 * LOWEST else []
    for stretch in (part for piece in pieces for part in between_manoeuvres(piece, manoeuvres)):
        # What is faster than can be told folds down and is as large: only where all can be told is it left out.
        swing = band_pass(stretch.values["speed"], stretch.step, LOWEST, high if high == HIGHEST else EVERYTHING)
        size = envelope(swing, stretch.step)
        looked = _looked_at(stretch, size, manoeuvres)
        windows += _spans(looked, stretch)
        spans += [(stretch, swing, span) for span in _swings(looked, size, least, stretch)]
    found = [e for e in (_episode(log, stretch, swing, span, high) for stretch, swing, span in spans) if e is not None]
    found = [_with_driveline_in_mind(e, found, modes or {}) for e in found]
    surge = tuple(e for e in found if e.kind is SwingKind.DRIVELINE)
    short = log.si.time[-1] - log.si.time[0] if not pieces else float(log.duration.magnitude) - sum(p.time[-1] - p.time[0] for p in pieces)
    if short > 1.0:
        notes.append(FinderNote.SHORT_PIECES)
    if not windows and resting > CLOSED_WITHIN:
        notes.append(FinderNote.PEDAL_NEVER_OFF)
    return SurgeFindings(
        episodes=surge,
        combustion=tuple(e for e in found if e.kind is not SwingKind.DRIVELINE),
        manoeuvres=tuple(manoeuvres),
        looked_at=sum(b - a for a, b in windows),
        surging=sum(e.si.end - e.si.start for e in surge),
        lowest=LOWEST,
        highest=high,
        windows=tuple(windows),
        notes=tuple(notes),
        channels=_missed(log),
        sampling_rate=log.si.sampling_rate,
        too_short=short if short > 1.0 else 0.0,
        least_pedal=resting if log.values("pedal").size else None,
    )


def _missed(log: DriveLog) -> tuple[str, ...]:
    return tuple(name for name in log.missing if name in MISSED)


def _notes(log: DriveLog, high: float) -> list[FinderNote]:
    notes = [FinderNote.NOT_LOGGED] if _missed(log) else []
    if high < 2.0 * LOWEST:
        notes.insert(0, FinderNote.TOO_FEW_ROWS)
    elif high < 10.0:
        notes.insert(0, FinderNote.FEW_ROWS)
    return notes


def between_manoeuvres(piece: Stretch, manoeuvres: list[Manoeuvre]) -> list[Stretch]:
    """Return what lies between manoeuvres, each to be filtered by itself: the step of a gear change rings in a filter for seconds, before it as after."""
    steady = np.ones(len(piece.time), dtype=bool)
    for m in manoeuvres:
        steady[np.searchsorted(piece.time, m.si.start - BEFORE) : np.searchsorted(piece.time, m.si.end, side="right")] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[0], steady.astype(int), [0]])))
    kept = [slice(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if (b - a) * piece.step >= SHORTEST]
    return [piece._replace(time=piece.time[k], values={n: v[k] for n, v in piece.values.items()}) for k in kept]


def _looked_at(stretch: Stretch, size: Array, manoeuvres: list[Manoeuvre]) -> Mask:
    """Return the samples outside manoeuvres and the ring-down after them."""
    out = np.ones(len(stretch.time), dtype=bool)
    half = max(round(0.5 / stretch.step), 1)
    shrinks = np.zeros(len(size), dtype=bool)
    shrinks[half:] = size[half:] < (1.0 - SHRINKS) * size[:-half]
    for m in manoeuvres:
        if m.si.end + RINGS < stretch.time[0] or m.si.start - BEFORE > stretch.time[-1]:
            continue
        begin = np.searchsorted(stretch.time, m.si.start - BEFORE)
        end = int(np.searchsorted(stretch.time, m.si.end + SETTLES))
        last = int(np.searchsorted(stretch.time, m.si.end + RINGS))
        while end < min(last, len(out)) and shrinks[end]:
            end += 1
        out[begin:end] = False
    return out


def _spans(mask: Mask, stretch: Stretch) -> list[tuple[float, float]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return [(float(stretch.time[a]), float(stretch.time[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1]


def _swings(looked: Mask, size: Array, least: float, stretch: Stretch) -> list[tuple[float, float]]:
    """Return the spans in which speed swings enough, long enough."""
    lasting = _spans(looked & (size > LASTS_OVER * least), stretch)
    joined: list[tuple[float, float]] = []
    for start, end in lasting:
        between = (stretch.time > joined[-1][1]) & (stretch.time < start) if joined else None
        if between is not None and start - joined[-1][1] < APART and looked[between].all():
            joined[-1] = (joined[-1][0], end)
        else:
            joined.append((start, end))
    over = [np.count_nonzero(size[(stretch.time >= a) & (stretch.time <= b)] > least) * stretch.step for a, b in joined]
    return [(a, b) for (a, b), long in zip(joined, over, strict=True) if b - a >= LEAST_TIME and long >= OVER_LEAST]


def _episode(log: DriveLog, stretch: Stretch, swing: Array, span: tuple[float, float], high: float) -> SurgeEpisode | None:
    start, end = span
    near = slice(*np.searchsorted(stretch.time, [start - CONTEXT, end + CONTEXT]))
    stretch, swing = stretch._replace(time=stretch.time[near], values={n: v[near] for n, v in stretch.values.items()}), swing[near]
    inside = (stretch.time >= start) & (stretch.time <= end)
    frequency = _frequency(stretch, swing, inside)
    if (end - start) * frequency < LEAST_PERIODS:
        return None
    kind = _folded_to_nothing(frequency, stretch, inside) or _kind(stretch, swing, inside)
    told = frequency <= high and log.si.sampling_rate >= TELLS_FROM * (1.0 - EVEN)
    low, top = ((1.0 - AROUND) * frequency, (1.0 + AROUND) * frequency) if told else (LOWEST, EVERYTHING)
    about: dict[str, Any] = {"start": start, "end": end, "low": low, "high": top}
    narrow = band_pass(stretch.values["speed"], stretch.step, about["low"], about["high"])[inside]
    rows = (log.si.time >= start) & (log.si.time <= end)
    speed = float(np.mean(log.si.speed[rows]))
    spark, load = (amplitude_of(swing_of(log, name, **about)) for name in ("spark", "load"))
    mean_load = _mean(log, "load", rows)
    felt = _felt(log, start, end, high)
    sizes = {
        "spark": (spark, LEAST_SPARK),
        "load": (load, LEAST_LOAD * mean_load),
        "acceleration": (felt["peak_to_peak"] / 2.0, LEAST_ACCELERATION),
    }
    share = float(np.mean(narrow**2)) / max(float(np.mean(swing[inside] ** 2)), 1e-30)
    one = share > ONE_FREQUENCY or kind in LINES
    return SurgeEpisode(
        kind=kind if one else SwingKind.NO_SINGLE_FREQUENCY,
        start=start,
        end=end,
        frequency=frequency if told else math.nan,
        speed=speed,
        speed_amplitude=amplitude_of(narrow),
        spark_amplitude=spark,
        load_kind=log.load_kind,
        mean_load=mean_load,
        load_amplitude=load,
        road_speed=_mean(log, "road_speed", rows),
        gear=_gear(log, rows),
        signals=("speed", *(name for name, (size, least) in sizes.items() if size > least)),
        note=(None if told else EpisodeNote.NOT_RESOLVED) if one else EpisodeNote.UNEVEN_BURNING,
        **felt,
    )


def _frequency(stretch: Stretch, swing: Array, inside: Mask) -> float:
    """Return the mean frequency of the strongest swing: the spectrum's peak, then the phase's mean rate around it, weighted by power."""
    part = swing[inside] * np.hanning(int(inside.sum()))
    count = 8 * len(part)
    peak = float(np.fft.rfftfreq(count, stretch.step)[np.argmax(np.abs(np.fft.rfft(part, count)))])
    near = band_pass(swing, stretch.step, (1.0 - AROUND) * peak, (1.0 + AROUND) * peak)
    spectrum = np.fft.fft(near)
    spectrum[len(near) // 2 + 1 :] = 0.0
    turning = np.fft.ifft(spectrum)[inside]
    return float(np.angle(np.sum(np.conj(turning[:-1]) * turning[1:])) / (2.0 * np.pi * stretch.step))


def _kind(stretch: Stretch, swing: Array, inside: Mask) -> SwingKind:
    """Return whether the swing keeps step with the crank as a line of combustion does: turned back by the crank's own angle it would stand still.

    So the line is followed while speed changes, and known where it lies above half the sampling rate.
    """
    turned = cumulative_trapezoid(stretch.values["speed"], dx=stretch.step, initial=0.0)
    for name, per_revolution in LINES.items():
        still = _slow(swing * np.exp(-2j * np.pi * per_revolution * turned), stretch.step, IN_STEP)[inside]
        if 2.0 * np.mean(np.abs(still) ** 2) > ONE_FREQUENCY * np.mean(swing[inside] ** 2):
            return name
    return SwingKind.DRIVELINE


def _folded_to_nothing(frequency: float, stretch: Stretch, inside: Mask) -> SwingKind | None:
    """Return the line that folds down to nearly nothing, where that is all a slow swing may be: the rows then fall on the same place of each cycle."""
    speed, rate = float(np.mean(stretch.values["speed"][inside])), 1.0 / stretch.step
    for name, per_revolution in LINES.items():
        line = speed * per_revolution
        if line > 0.5 * rate and max(abs(line - rate * round(line / rate)), frequency) < 2.0 * LOWEST:
            return name
    return None


def _slow(values: NDArray[np.complex128], step: float, highest: float) -> NDArray[np.complex128]:
    """Return what changes slower than a frequency, either way round."""
    count = 2 * len(values)
    spectrum = np.fft.fft(values, count)
    spectrum[np.abs(np.fft.fftfreq(count, step)) > highest] = 0.0
    return np.asarray(np.fft.ifft(spectrum)[: len(values)])


def _with_driveline_in_mind(episode: SurgeEpisode, others: list[SurgeEpisode], modes: Mapping[int, float]) -> SurgeEpisode:
    """Return an episode on a line of combustion as one of the driveline, where that has its own frequency there."""
    if episode.kind not in LINES:
        return episode
    own = [e.si.frequency for e in others if e.kind is SwingKind.DRIVELINE and e.gear == episode.gear]
    own += [modes[int(episode.gear)]] if math.isfinite(episode.gear) and int(episode.gear) in modes else []
    if any(abs(f - episode.si.frequency) < COINCIDES * f for f in own):
        return episode.replace(kind=SwingKind.DRIVELINE, line=episode.kind, note=EpisodeNote.LINE_COINCIDES)
    return episode.replace(line=episode.kind, note=EpisodeNote.COMBUSTION_LINE)


def _felt(log: DriveLog, start: float, end: float, high: float) -> dict[str, Any]:
    """Return how the car's acceleration feels, logged or from road speed; not-a-number where neither can tell."""
    by_road = not log.values("acceleration").size
    channel = "road_speed" if by_road else "acceleration"
    about: dict[str, Any] = {"start": start, "end": end, "derivative": by_road}
    band = swing_of(log, channel, low=1.0, high=min(10.0, high), **about)
    step = 1.0 / log.si.sampling_rate
    if len(band) * step < 0.5 * (end - start) or (by_road and _too_coarse(log, start, end, high)):
        return dict.fromkeys(("peak_to_peak", "weighted_rms", "backrest_rms", "vibration_dose"), math.nan)
    # From 0.2 Hz, well below the weighting's own corner: the level of the sensor and the slow rise of speed are no vibration.
    seat, back = (swing_of(log, channel, low=0.2, high=high, then=functools.partial(weighted, name=name), **about) for name in ("Wd", "Wc"))
    return {
        "peak_to_peak": 2.0 * amplitude_of(band),
        "weighted_rms": float(np.sqrt(np.mean(seat**2))),
        "backrest_rms": BACKREST_FACTOR * float(np.sqrt(np.mean(back**2))),
        "vibration_dose": vibration_dose(seat, step),
    }


def _too_coarse(log: DriveLog, start: float, end: float, high: float) -> bool:
    """Whether road speed is written in steps larger than its own swing."""
    rows = (log.si.time >= start) & (log.si.time <= end)
    steps = np.abs(np.diff(log.si.road_speed[rows]))
    least = float(steps[steps > 1e-9].min()) if (steps > 1e-9).any() else math.inf
    return least > 2.0 * amplitude_of(swing_of(log, "road_speed", start=start, end=end, low=LOWEST, high=high))


def _mean(log: DriveLog, channel: str, rows: Mask) -> float:
    values = log.values(channel)
    return float(np.nanmean(values[rows])) if values.size and np.isfinite(values[rows]).any() else math.nan


def _gear(log: DriveLog, rows: Mask) -> float:
    """Return the gear if it is one and the same throughout."""
    if not log.gear.size:
        return math.nan
    gears = np.unique(log.gear[rows][np.isfinite(log.gear[rows])])
    return float(gears[0]) if len(gears) == 1 else math.nan
