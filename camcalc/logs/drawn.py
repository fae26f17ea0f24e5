"""What a page of a reviewed log draws: the log thinned over time, the table as driven, and the worst episode taken apart."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import NDArray

from ..array_record import ArrayRecord
from ..results import Measure, Record, measure
from .causes import cell_weights
from .drive_log import DriveLog
from .review import LogReview
from .signals import LOWEST, band_pass, stretches
from .spans import rows_between
from .surge_finder import SurgeEpisode, SurgeFindings, find_surge

__all__ = ["COLUMNS", "DrivenTable", "LogTrace", "ReviewCurves", "SurgeSpectrum", "WorstEpisode", "log_trace", "review_curves"]

Array = NDArray[np.float64]

# A log with more rows is drawn as the least and the greatest of so many equal spans of time: about a pixel each where a page shows it.
COLUMNS = 1000
# The path of spark over speed shows so many periods of the swing, out of the middle of the episode: more lie over one another.
PERIODS = 6.0
# How much finer than its own resolution a spectrum is drawn.
FINER = 4


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class LogTrace(ArrayRecord):
    """A log over time, thinned for drawing: least and greatest within each of ``COLUMNS`` spans, the rows themselves where they are fewer.

    Not-a-number where the record is broken. ``spark`` is empty where it was not logged.
    """

    AXES = ("time",)

    source: str
    row_count: int
    time: Measure = measure("s")
    speed_low: Measure = measure("crank_rps", "rpm")
    speed_high: Measure = measure("crank_rps", "rpm")
    spark_low: Measure = measure("crank_deg", doc="final spark, before top dead centre")
    spark_high: Measure = measure("crank_deg")
    episodes: tuple[SurgeEpisode, ...] = ()


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class DrivenTable(ArrayRecord):
    """A table as a log drove it: seconds in the lookup of each cell, of these in surge, and the spark after the advice to lower."""

    AXES = ("speed", "loads")

    load_kind: str
    speed: Measure = measure("crank_rps", "rpm")
    loads: Array
    cells: Measure = measure("crank_deg", doc="before top dead centre")
    then: Measure = measure("crank_deg", doc="after the advice to lower")
    more: Measure = measure("crank_deg", doc="after the advice to add back; not-a-number where there is none")
    driven: Measure = measure("s")
    surging: Measure = measure("s")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class SurgeSpectrum(ArrayRecord):
    """Amplitudes of engine speed over frequency, by a Hann window over the worst episode; without one over the longest steady driving."""

    AXES = ("frequency",)

    source: str
    frequency: Measure = measure("Hz")
    amplitude: Measure = measure("crank_rps", "rpm", doc="of engine speed")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class WorstEpisode(ArrayRecord):
    """Some periods out of the middle of the worst episode, row by row; ``table_spark`` is the table's, looked up at logged speed and load."""

    AXES = ("time",)

    episode: SurgeEpisode
    time: Measure = measure("s")
    speed: Measure = measure("crank_rps", "rpm")
    spark: Measure = measure("crank_deg", doc="final spark as logged")
    table_spark: Measure = measure("crank_deg")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ReviewCurves(Record):
    """What the plots of a review show; of the log before a change its trace and spectrum, where there is one."""

    trace: LogTrace
    table: DrivenTable | None = None
    worst: WorstEpisode | None = None
    spectrum: SurgeSpectrum | None = None
    trace_before: LogTrace | None = None
    spectrum_before: SurgeSpectrum | None = None


def review_curves(review: LogReview, before: DriveLog | None = None) -> ReviewCurves:
    """Return what the plots of a review show.

    Parameters
    ----------
    review : LogReview
    before : DriveLog, optional
        The log before a change.

    Examples
    --------
    >>> from camcalc.logs import DriveLog, review_log
    >>> t = np.arange(0.0, 60.0, 0.02)
    >>> curves = review_curves(review_log(DriveLog.of(time=t, speed=22.0 + np.sin(15.0 * t), pedal=0.2 + 0.0 * t)))
    >>> curves.trace.row_count, len(curves.trace.si.time), round(float(curves.spectrum.si.frequency[np.argmax(curves.spectrum.si.amplitude)]), 1)
    (3000, 1000, 2.4)
    """
    was = find_surge(before) if before is not None else None
    return ReviewCurves(
        trace=log_trace(review.log, review.findings),
        table=_driven(review),
        worst=_worst(review),
        spectrum=_spectrum(review.log, review.findings),
        trace_before=log_trace(before, was) if before is not None and was is not None else None,
        spectrum_before=_spectrum(before, was) if before is not None and was is not None else None,
    )


def log_trace(log: DriveLog, findings: SurgeFindings) -> LogTrace:
    """Return a log thinned for drawing, with the surge found in it."""
    at, first = _columns(log.si.time, log.piece)
    speed = _ends(log.si.speed, first)
    spark = _ends(log.si.spark, first) if log.values("spark").size else (np.empty(0), np.empty(0))
    return LogTrace(
        source=log.source, row_count=len(log.si.time), time=at, speed_low=speed[0], speed_high=speed[1], spark_low=spark[0], spark_high=spark[1],
        episodes=findings.episodes,
    )  # fmt: skip


def _columns(time: Array, piece: NDArray[np.int64]) -> tuple[Array, NDArray[np.int64]]:
    """Return the time of each place that is drawn, and its first row; the rows end the last one, and -1 is a break."""
    count = len(time)
    if count <= COLUMNS:
        breaks = np.flatnonzero(np.diff(piece)) + 1
        at = np.insert(time, breaks, 0.5 * (time[breaks - 1] + time[breaks]))
        return at, np.append(np.insert(np.arange(count), breaks, -1), count)
    edges = np.linspace(time[0], time[-1], COLUMNS + 1)
    first = np.searchsorted(time, edges[:-1])
    empty = np.append(first[1:], count) == first
    return 0.5 * (edges[:-1] + edges[1:]), np.append(np.where(empty, -1, first), count)


def _ends(values: Array, first: NDArray[np.int64]) -> tuple[Array, Array]:
    """Return the least and the greatest of the rows from each first one on; not-a-number at a break."""
    low, high = np.full(len(first) - 1, np.nan), np.full(len(first) - 1, np.nan)
    there = np.flatnonzero(first[:-1] >= 0)
    known = np.isfinite(values)
    for out, find, none in ((low, np.minimum, np.inf), (high, np.maximum, -np.inf)):
        found = find.reduceat(np.where(known, values, none), first[there])
        out[there] = np.where(np.isfinite(found), found, np.nan)
    return low, high


def _driven(review: LogReview) -> DrivenTable | None:
    table, log = review.table, review.log
    if table is None or not log.loads.size or not len(log.si.time):
        return None
    then, more = table.si.cells.copy(), np.full(table.shape, np.nan)
    for advice in review.lower:
        then[advice.cell] = advice.then
    for advice in review.add_back:
        more[advice.cell] = advice.then
    return DrivenTable(
        load_kind=table.load_kind,
        speed=table.si.speed,
        loads=table.loads,
        cells=table.si.cells,
        then=then,
        more=more,
        driven=cell_weights(log, table, ((float(log.si.time[0]), float(log.si.time[-1])),)),
        surging=cell_weights(log, table, [(e.si.start, e.si.end) for e in review.findings.episodes]),
    )


def _hardest(findings: SurgeFindings) -> SurgeEpisode | None:
    return max(findings.episodes, key=lambda e: e.si.speed_amplitude, default=None)


def _worst(review: LogReview) -> WorstEpisode | None:
    episode, log = _hardest(review.findings), review.log
    if episode is None or not log.values("spark").size:
        return None
    start, end = episode.si.start, episode.si.end
    if math.isfinite(episode.si.frequency):
        half = 0.5 * min(PERIODS / episode.si.frequency, end - start)
        start, end = 0.5 * (start + end) - half, 0.5 * (start + end) + half
    rows = rows_between(log.si.time, start, end)
    known = review.table is not None and log.loads.size
    table = review.table.spark_at(log.si.speed[rows], log.loads[rows]) if review.table is not None and known else np.empty(0)
    return WorstEpisode(episode=episode, time=log.si.time[rows], speed=log.si.speed[rows], spark=log.si.spark[rows], table_spark=table)


def _spectrum(log: DriveLog, findings: SurgeFindings) -> SurgeSpectrum | None:
    episode, high = _hardest(findings), findings.si.highest
    longest = max(findings.windows, key=lambda span: span[1] - span[0], default=None)
    span = (float(episode.si.start), float(episode.si.end)) if episode is not None else longest
    if span is None or high <= LOWEST:
        return None
    parts = []
    for stretch in stretches(log, "speed", within=span):
        swing = band_pass(stretch.values["speed"], stretch.step, LOWEST, high)
        parts.append((swing[(stretch.time >= span[0]) & (stretch.time <= span[1])], stretch.step))
    swing, step = max(parts, key=lambda part: len(part[0]), default=(np.empty(0), 1.0))
    if len(swing) < 8:
        return None
    window = np.hanning(len(swing))
    size = 2.0 / window.sum() * np.abs(np.fft.rfft(swing * window, FINER * len(swing)))
    frequency = np.fft.rfftfreq(FINER * len(swing), step)
    shown = (frequency >= LOWEST) & (frequency <= high)
    at, size = frequency[shown], size[shown]
    if at.size > COLUMNS:
        first = np.unique(np.linspace(0, at.size, COLUMNS, endpoint=False).astype(int))
        at, size = at[first], np.maximum.reduceat(size, first)
    return SurgeSpectrum(source=log.source, frequency=at, amplitude=size)
