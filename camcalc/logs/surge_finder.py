"""Finding surge in a log: swings of engine speed at low speed and part throttle that the driver did not ask for."""

from __future__ import annotations

import dataclasses
import functools
import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..codes import Code
from ..results import Measure, Record, measure, plain_data
from ..tables.axes import LOADS
from ..units import Bounds, factor, to_si
from ..vehicle.acceleration_weighting import BACKREST_FACTOR, ComfortReaction, SurgeGrade, comfort_reactions, grade_of, vibration_dose, weighted
from .drive_log import DriveLog
from .manoeuvres import CLOSED_BELOW, OFFSET, Manoeuvre, ManoeuvreKind, find_manoeuvres, least_pedal
from .signals import CONTEXT, EVEN, HIGHEST, LOWEST, SHORTEST, Around, Stretch, amplitude_of, band_pass, envelope, highest_frequency, stretches, swings_of
from .spans import Spans, covered, filled, rows_between
from .speed_noise import lifted_out, noise_amplitude, noise_density, told_from
from .swing_kind import AROUND, LINES, ONE_FREQUENCY, SwingKind, folded_to_nothing, frequency_of, kind_of

__all__ = [
    "AROUND", "EVERYTHING", "EpisodeNote", "FinderNote", "SurgeEpisode", "SurgeFindings", "SwingKind", "between_manoeuvres", "find_surge",
    "spans_of", "speed_step",
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
# Below so many rows a second a frequency is not told: most modes of a driveline, 2 to 13 Hz, would fold down and look slower. ESTIMATE.
TELLS_FROM = 10.0
# Driveline and line of combustion can coincide within this share. ESTIMATE, and as in the design.
COINCIDES = 0.10
# Least amplitude at which a signal counts as swinging; spark in crank deg, load as a share of its mean, acceleration in m/s2. ESTIMATE.
LEAST_SPARK, LEAST_LOAD, LEAST_ACCELERATION = 0.3, 0.01, 0.025
# The upper edge of a band that keeps all there is [Hz].
EVERYTHING = 1e3
# An engine speed logged in steps that toggles between two of them has the r.m.s. of a sine of 0.71 of a step (exact): swings below this share of one
# cannot be told from that. Rows are in steps if this share of them lies on a grid of their least difference. ESTIMATE.
OF_A_STEP, ON_GRID = 0.75, 0.98
# The envelope of noise reaches so many times its amplitude: chi squared with the dozen degrees of freedom of a second at 12.5 rows stays under four times
# its mean in all but some 3e-6 (exact). Noise that reaches the least that lasts is taken away first. 1.6 was tried: it let noise lengthen episodes.
NOISE_REACHES = 2.0
# Without its noise an envelope needs less to average over [s], and its ends are sharper; 1 s, as elsewhere, was tried. ESTIMATE.
AFTER_NOISE = 0.6
# Channels whose absence the findings name.
MISSED = ("pedal", "gear", "acceleration", "fuel_cut")


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
    PEDAL_NEVER_OFF = "the least pedal is taken as held: if it is the pedal let off, log a moment at idle as well"
    COARSE_SPEED = "engine speed is logged in steps: smaller swings get no answer at this resolution"
    NOISY_SPEED = "engine speed is logged with noise: smaller swings get no answer at this noise"


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
        data = super().to_dict() | {"grade": plain_data(self.grade), "comfort": plain_data(self.comfort)}
        if self.load_kind:
            bounds = LOADS[self.load_kind].bounds
            for name in ("mean_load", "load_amplitude"):
                value = getattr(self, name)
                data[name] = None if math.isnan(value) else {"value": value * factor(bounds.unit, bounds.show), "unit": bounds.show}
        return data


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
    least_pedal: Measure = measure("", "percent", doc="least pedal logged; closed unless a note says that it is taken as held")
    speed_step: Measure = measure("crank_rps", "rpm", doc="steps in which engine speed is logged, 0 where none show")
    least_swing: Measure = measure("crank_rps", "rpm", doc="least amplitude that was looked for; where noise is more, what stands out of it in 1.5 s")
    speed_noise: Measure = measure("crank_rps", "rpm", doc="white noise on engine speed, r.m.s.")

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
    driver = spans_of(manoeuvres)
    notes, spans, windows = _notes(log, high), [], []
    step = speed_step(log)
    if step * OF_A_STEP > least:
        least = step * OF_A_STEP
        notes.append(FinderNote.COARSE_SPEED)
    pedal = log.values("pedal")
    lowest = float(np.nanmin(pedal)) if np.isfinite(pedal).any() else math.nan
    pieces = stretches(log, "speed") if high >= 2.0 * LOWEST else []
    parts = [part for piece in pieces for part in between_manoeuvres(piece, driver)]
    # Of the rows themselves: a spline between uneven ones smooths noise.
    rows = [rows_between(log.si.time, part.time[0], part.time[-1]) for part in parts]
    tells = log.si.sampling_rate >= TELLS_FROM * (1.0 - EVEN)
    density = noise_density([log.si.speed[part] for part in rows], 1.0 / log.si.sampling_rate) if tells else 0.0
    # What is faster than can be told folds down and is as large: only where all can be told is it left out.
    highest = high if high == HIGHEST else EVERYTHING
    told = told_from(density)
    matters = NOISE_REACHES * noise_amplitude(density, min(highest, 0.5 * log.si.sampling_rate) - LOWEST) > LASTS_OVER * least
    if matters and told > least:
        notes.append(FinderNote.NOISY_SPEED)
    for stretch in parts:
        swing = band_pass(stretch.values["speed"], stretch.step, LOWEST, highest)
        if matters:
            swing = lifted_out(swing, stretch.step, density)
        size = envelope(swing, stretch.step, AFTER_NOISE if matters else 1.0)
        looked = _looked_at(stretch, size, driver)
        windows += _spans(looked, stretch)
        spans += [(stretch, swing, span) for span in _swings(looked, size, least, stretch)]
    found = [e for e in (_episode(log, stretch, swing, span, high, density) for stretch, swing, span in spans) if e is not None]
    own = _own_frequencies(found, modes or {})
    found = [_with_driveline_in_mind(e, own) for e in found]
    surge = tuple(e for e in found if e.kind is SwingKind.DRIVELINE)
    short = log.si.time[-1] - log.si.time[0] if not pieces else float(log.duration.magnitude) - sum(p.time[-1] - p.time[0] for p in pieces)
    if short > 1.0:
        notes.append(FinderNote.SHORT_PIECES)
    if OFFSET <= lowest < CLOSED_BELOW and least_pedal(log) == 0.0:
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
        least_pedal=lowest,
        speed_step=step,
        least_swing=max(least, told) if matters else least,
        speed_noise=math.sqrt(0.5 * density * log.si.sampling_rate),
    )


def speed_step(log: DriveLog) -> float:
    """Return the steps [rev/s] in which a log writes engine speed, 0 where none show.

    >>> speed = np.round(1300.0 + 60.0 * np.sin(np.arange(200.0)), -1) / 60.0
    >>> round(60.0 * speed_step(DriveLog.of(time=np.arange(200.0), speed=speed)), 6)
    10.0
    """
    values = np.unique(log.si.speed)
    steps = np.diff(values)
    steps = steps[steps > 1e-6 * float(np.abs(values).max())]
    if not steps.size:
        return 0.0
    places = (log.si.speed - values[0]) / steps.min()
    return float(steps.min()) if np.mean(np.abs(places - np.round(places)) < 0.02) >= ON_GRID else 0.0


def _missed(log: DriveLog) -> tuple[str, ...]:
    return tuple(name for name in log.missing if name in MISSED)


def _notes(log: DriveLog, high: float) -> list[FinderNote]:
    notes = [FinderNote.NOT_LOGGED] if _missed(log) else []
    if high < 2.0 * LOWEST:
        notes.insert(0, FinderNote.TOO_FEW_ROWS)
    elif high < 10.0:
        notes.insert(0, FinderNote.FEW_ROWS)
    return notes


def spans_of(found: Iterable[Manoeuvre | SurgeEpisode]) -> Spans:
    """Return the times of what was found."""
    return Spans([(one.si.start, one.si.end) for one in found])


def between_manoeuvres(piece: Stretch, manoeuvres: Spans) -> list[Stretch]:
    """Return what lies between manoeuvres, each to be filtered by itself: the step of a gear change rings in a filter for seconds, before it as after."""
    near = manoeuvres.touching(piece.time[0], piece.time[-1] + BEFORE)
    steady = ~covered(piece.time, manoeuvres.start[near] - BEFORE, manoeuvres.end[near])
    edges = np.flatnonzero(np.diff(np.concatenate([[0], steady.astype(int), [0]])))
    kept = [slice(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if (b - a) * piece.step >= SHORTEST]
    return [piece._replace(time=piece.time[k], values={n: v[k] for n, v in piece.values.items()}) for k in kept]


def _looked_at(stretch: Stretch, size: Array, manoeuvres: Spans) -> Mask:
    """Return the samples outside manoeuvres and the ring-down after them."""
    count = len(stretch.time)
    half = max(round(0.5 / stretch.step), 1)
    shrinks = np.zeros(len(size), dtype=bool)
    shrinks[half:] = size[half:] < (1.0 - SHRINKS) * size[:-half]
    near = manoeuvres.touching(stretch.time[0] - RINGS, stretch.time[-1] + BEFORE)
    begin = np.searchsorted(stretch.time, manoeuvres.start[near] - BEFORE)
    settled, last = (np.searchsorted(stretch.time, manoeuvres.end[near] + after) for after in (SETTLES, RINGS))
    # Where the swing no longer shrinks, or the stretch ends.
    steady = np.flatnonzero(np.append(~shrinks, True))
    end = np.maximum(settled, np.minimum(steady[np.searchsorted(steady, settled)], last))
    return ~filled(count, begin, end)


def _spans(mask: Mask, stretch: Stretch) -> list[tuple[float, float]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return [(float(stretch.time[a]), float(stretch.time[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1]


def _swings(looked: Mask, size: Array, least: float, stretch: Stretch) -> list[tuple[float, float]]:
    """Return the spans in which speed swings enough, long enough."""
    lasting = _spans(looked & (size > LASTS_OVER * least), stretch)
    joined: list[tuple[float, float]] = []
    for start, end in lasting:
        if joined and start - joined[-1][1] < APART and looked[rows_between(stretch.time, joined[-1][1], start)].all():
            joined[-1] = (joined[-1][0], end)
        else:
            joined.append((start, end))
    over = [np.count_nonzero(size[rows_between(stretch.time, a, b)] > least) * stretch.step for a, b in joined]
    return [(a, b) for (a, b), long in zip(joined, over, strict=True) if b - a >= LEAST_TIME and long >= OVER_LEAST]


def _episode(log: DriveLog, stretch: Stretch, swing: Array, span: tuple[float, float], high: float, density: float) -> SurgeEpisode | None:
    start, end = span
    near = slice(*np.searchsorted(stretch.time, [start - CONTEXT, end + CONTEXT]))
    stretch, swing = stretch._replace(time=stretch.time[near], values={n: v[near] for n, v in stretch.values.items()}), swing[near]
    inside = (stretch.time >= start) & (stretch.time <= end)
    frequency = frequency_of(stretch, swing, inside)
    if (end - start) * frequency < LEAST_PERIODS:
        return None
    kind = folded_to_nothing(frequency, stretch, inside) or kind_of(stretch, swing, inside)
    told = frequency <= high and log.si.sampling_rate >= TELLS_FROM * (1.0 - EVEN)
    low, top = ((1.0 - AROUND) * frequency, (1.0 + AROUND) * frequency) if told else (LOWEST, EVERYTHING)
    about: dict[str, Any] = {"start": start, "end": end, "low": low, "high": top}
    narrow = band_pass(stretch.values["speed"], stretch.step, about["low"], about["high"])[inside]
    power = max(float(np.mean(narrow**2)) - density * (min(top, 0.5 / stretch.step) - low), 0.0)
    rows = rows_between(log.si.time, start, end)
    speed = float(np.mean(log.si.speed[rows]))
    spark, load = (amplitude_of(swing) for swing in swings_of(log, ("spark", "load"), **about))
    mean_load = _mean(log, "load", rows)
    felt = _felt(log, start, end, high)
    sizes = {
        "spark": (spark, LEAST_SPARK),
        "load": (load, LEAST_LOAD * mean_load),
        "acceleration": (felt["peak_to_peak"] / 2.0, LEAST_ACCELERATION),
    }
    share = power / max(float(np.mean(swing[inside] ** 2)), 1e-30)
    one = share > ONE_FREQUENCY or kind in LINES
    return SurgeEpisode(
        kind=kind if one else SwingKind.NO_SINGLE_FREQUENCY,
        start=start,
        end=end,
        frequency=frequency if told else math.nan,
        speed=speed,
        speed_amplitude=math.sqrt(2.0 * power),
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


def _own_frequencies(found: list[SurgeEpisode], modes: Mapping[int, float]) -> dict[float, Array]:
    """Return the driveline's own frequencies by gear, as seen and as given, lowest first."""
    own: defaultdict[float, list[float]] = defaultdict(list, {float(gear): [frequency] for gear, frequency in modes.items()})
    for e in found:
        if e.kind is SwingKind.DRIVELINE and math.isfinite(e.gear) and math.isfinite(e.si.frequency):
            own[e.gear].append(e.si.frequency)
    return {gear: np.sort(frequencies) for gear, frequencies in own.items()}


def _with_driveline_in_mind(episode: SurgeEpisode, own: Mapping[float, Array]) -> SurgeEpisode:
    """Return an episode on a line of combustion as one of the driveline, where that has its own frequency there."""
    if episode.kind not in LINES:
        return episode
    line, there = episode.si.frequency, own.get(episode.gear, np.empty(0))
    if np.searchsorted(there, line / (1.0 + COINCIDES), side="right") < np.searchsorted(there, line / (1.0 - COINCIDES)):
        return episode.replace(kind=SwingKind.DRIVELINE, line=episode.kind, note=EpisodeNote.LINE_COINCIDES)
    return episode.replace(line=episode.kind, note=EpisodeNote.COMBUSTION_LINE)


def _felt(log: DriveLog, start: float, end: float, high: float) -> dict[str, Any]:
    """Return how the car's acceleration feels, logged or from road speed; not-a-number where neither can tell."""
    by_road = not log.values("acceleration").size
    around = Around(log, "road_speed" if by_road else "acceleration", start, end)
    band = around.band(1.0, min(10.0, high), derivative=by_road)
    step = 1.0 / log.si.sampling_rate
    if len(band) * step < 0.5 * (end - start) or (by_road and _too_coarse(log, around, start, end, high)):
        return dict.fromkeys(("peak_to_peak", "weighted_rms", "backrest_rms", "vibration_dose"), math.nan)
    # From 0.2 Hz, well below the weighting's own corner: the level of the sensor and the slow rise of speed are no vibration.
    seat, back = around.each(0.2, high, [functools.partial(weighted, name=name) for name in ("Wd", "Wc")], derivative=by_road)
    return {
        "peak_to_peak": 2.0 * amplitude_of(band),
        "weighted_rms": float(np.sqrt(np.mean(seat**2))),
        "backrest_rms": BACKREST_FACTOR * float(np.sqrt(np.mean(back**2))),
        "vibration_dose": vibration_dose(seat, step),
    }


def _too_coarse(log: DriveLog, around: Around, start: float, end: float, high: float) -> bool:
    """Whether road speed is written in steps larger than its own swing."""
    steps = np.abs(np.diff(log.si.road_speed[rows_between(log.si.time, start, end)]))
    steps = steps[steps > 1e-9]
    return not steps.size or float(steps.min()) > 2.0 * amplitude_of(around.band(LOWEST, high))


def _mean(log: DriveLog, channel: str, rows: slice) -> float:
    values = log.values(channel)
    return float(np.nanmean(values[rows])) if values.size and np.isfinite(values[rows]).any() else math.nan


def _gear(log: DriveLog, rows: slice) -> float:
    """Return the gear if it is one and the same throughout."""
    if not log.gear.size:
        return math.nan
    gears = np.unique(log.gear[rows][np.isfinite(log.gear[rows])])
    return float(gears[0]) if len(gears) == 1 else math.nan
