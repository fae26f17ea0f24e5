"""Short spectra of a log's steady driving: of engine speed, of spark by its parts, of the pedal, each block as long as the swing remembers itself."""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from ..tables.table import SparkTable
from .delays import SignalDelays, shifted
from .drive_log import DriveLog
from .signals import Spectrum, Stretch, band_pass, stretches
from .spans import Spans
from .surge_finder import SurgeFindings, between_manoeuvres, spans_of
from .swing_mode import AROUND_MODE, Block, taper

__all__ = ["PARTS", "SparkParts", "SwingGroup", "blocks_of", "groups_of"]

Array = NDArray[np.float64]

# Blocks are so many periods long: the memory of a swing with a damping ratio of 0.02, and shorter ones where a window has no more room. ESTIMATE.
PERIODS = (16.0, 8.0, 4.0)
# Rows of a block, at least, and blocks of a group, at most: more add time and little sharpness.
LEAST_ROWS, MOST_BLOCKS = 20, 240
# What lies further off than these shares of the frequency is filtered off before blocks are cut.
BELOW, ABOVE = 0.3, 2.5
# Frequencies further apart than this share are other swings; ESTIMATE.
APART = 1.25
# Parts of spark, in order. "by_half" beside them is twice what the lookup along speed makes of half the swing: slopes end at the cells that have them.
PARTS = ("by_speed", "by_load", "knock", "rest")


class SparkParts(NamedTuple):
    """What spark is taken apart by: the table, where it accounts for spark; whether it alone is taken to set it, since the log's delay is not told; what a
    degree of logged retard makes of spark: -1, +1 by the logger's sign, 0 where none is logged."""

    table: SparkTable | None = None
    table_alone: bool = False
    knock: float = 0.0


class SwingGroup(NamedTuple):
    """Episodes of one swing: gear (not-a-number where it is not known), frequency [Hz], places of the episodes, whether it is the gear's only one."""

    gear: float
    frequency: float
    episodes: tuple[int, ...]
    only: bool


def groups_of(findings: SurgeFindings) -> list[SwingGroup]:
    """Return the episodes whose frequency is told, by gear and frequency."""
    gears: dict[float, list[int]] = {}
    for k, e in enumerate(findings.episodes):
        if math.isfinite(e.si.frequency):
            gears.setdefault(-1.0 if math.isnan(e.gear) else float(e.gear), []).append(k)
    out = []
    for gear, members in gears.items():
        members.sort(key=lambda k: findings.episodes[k].si.frequency)
        runs: list[list[int]] = []
        for k in members:
            beats = findings.episodes[k].si.frequency
            if runs and beats <= APART * findings.episodes[runs[-1][0]].si.frequency:
                runs[-1].append(k)
            else:
                runs.append([k])
        for run in runs:
            lasts = np.array([findings.episodes[k].si.end - findings.episodes[k].si.start for k in run])
            beats = float(np.average([findings.episodes[k].si.frequency for k in run], weights=lasts))
            out.append(SwingGroup(math.nan if gear < 0.0 else gear, beats, tuple(run), len(runs) == 1))
    return out


def blocks_of(log: DriveLog, findings: SurgeFindings, group: SwingGroup, delays: SignalDelays, spark: SparkParts) -> list[Block]:
    """Return the blocks of a group: within its episodes, and in the quieter time of its gear where that has no other swing.

    Parameters
    ----------
    log : DriveLog
    findings : SurgeFindings
    group : SwingGroup
    delays : SignalDelays
        Removed before anything is looked up.
    spark : SparkParts
        What spark is taken apart by.
    """
    knock = spark.knock
    names = ["speed", "spark"] + (["load"] if log.loads.size else []) + (["knock_retard"] if knock else []) + (["pedal"] if log.values("pedal").size else [])
    driver = spans_of(findings.manoeuvres)
    episodes = [(findings.episodes[k].si.start, findings.episodes[k].si.end) for k in group.episodes]
    windows = Spans(list(findings.windows) if group.only else episodes)
    within = None if group.only else (min(a for a, _ in episodes), max(b for _, b in episodes))
    planned: list[_Place] = []
    parts: list[Stretch] = []
    for piece in stretches(log, *names, within=within):
        for part in between_manoeuvres(piece, driver):
            near = windows.touching(part.time[0], part.time[-1])
            if near.size and _in_gear(log, part, piece, group.gear):
                for k in near:
                    _plan(planned, len(parts), part, group.frequency, (float(windows.start[k]), float(windows.end[k])))
                parts.append(part)
    kept = planned if len(planned) <= MOST_BLOCKS else _thinned(planned)
    # Only what blocks are cut from is filtered: of a long log a small part.
    found: list[Block] = []
    for number, places in itertools.groupby(kept, key=lambda place: place.part):
        found += _cut(parts[number], list(places), _channels(parts[number], group.frequency, delays, spark), group.frequency)
    return found


class _Place(NamedTuple):
    """Where a block is to be cut: from which part, its first sample and how many, the block before it that overlaps it (-1 for none)."""

    part: int
    start: int
    rows: int
    follows: int


def _thinned(places: list[_Place]) -> list[_Place]:
    """Return places spread over the log, in pairs that overlap."""
    pairs = np.unique(np.linspace(0, len(places) // 2 - 1, MOST_BLOCKS // 2).astype(int))
    return [places[k] for pair in pairs for k in (2 * int(pair), 2 * int(pair) + 1)]


def _in_gear(log: DriveLog, part: Stretch, piece: Stretch, gear: float) -> bool:
    if math.isnan(gear) or not log.gear.size:
        return True
    first, last = np.searchsorted(log.si.time[piece.rows], [part.time[0], part.time[-1]]) + piece.rows.start
    known = log.gear[first : last + 1]
    known = known[np.isfinite(known)]
    return bool(known.size and np.median(known) == gear)


def _channels(part: Stretch, frequency: float, delays: SignalDelays, parts: SparkParts) -> dict[str, Array]:
    """Return what swings about a frequency in each channel, delays taken off: speed, its rate and integral as the mode has them, spark by its parts."""
    low, high = BELOW * frequency, ABOVE * frequency
    values, step = part.values, part.step

    def swing(given: Array) -> Array:
        return band_pass(given, step, low, high)

    table, knock = parts.table, parts.knock
    known = {"speed": values["speed"], "spark": shifted(values["spark"], step, delays.si.spark)}
    known |= {"pedal": values["pedal"]} if "pedal" in values else {}
    if table is not None and "load" in values:
        known["load"] = shifted(values["load"], step, delays.si.load)
        known["whole"] = np.asarray(table.spark_at(values["speed"], known["load"]))
    spectrum = Spectrum(np.stack(list(known.values())), step)
    swings = dict(zip(known, spectrum.band(low, high), strict=True))
    x, spark = swings["speed"], swings["spark"]
    # Rate plus squared frequency times integral of what swings in speed.
    more = [np.concatenate([[0.0], np.cumsum(0.5 * step * (x[1:] + x[:-1]))])]
    if table is not None and "load" in known:
        more += list(table.spark_at(np.stack([values["speed"], values["speed"] - 0.5 * x]), known["load"] - swings["load"]))
    of_more = swing(np.stack(more))
    turned = spectrum.band(low, high, derivative=True, row=0) + (2.0 * math.pi * frequency) ** 2 * of_more[0]
    out = {"x": x, "turned": turned, **{name: np.zeros(len(x)) for name in PARTS}}
    if "whole" in swings:
        out["by_speed"], out["by_half"] = of_more[1], 2.0 * of_more[2]
        out["by_load"] = swings["whole"] - of_more[1]
        spark = np.zeros(len(x)) if parts.table_alone else spark - swings["whole"]
    if knock:
        out["knock"] = knock * swing(shifted(values["knock_retard"], step, delays.si.spark))
    out["rest"] = spark - out["knock"]
    if "pedal" in values:
        out["pedal"] = swings["pedal"]
    return out


def _plan(planned: list[_Place], number: int, part: Stretch, frequency: float, span: tuple[float, float]) -> None:
    """Say where a window is cut into blocks that overlap by half, as long as it has room for."""
    first, last = np.searchsorted(part.time, [span[0] - 1e-9, span[1] + 1e-9])
    for periods in PERIODS:
        count = round(periods / frequency / part.step)
        if count <= last - first:
            break
    else:
        return
    if count < LEAST_ROWS and periods < PERIODS[0]:
        return
    own = -1
    for start in range(int(first), int(last) - count + 1, max(count // 2, 1)):
        planned.append(_Place(number, start, count, own))
        own = len(planned) - 1


def _cut(part: Stretch, places: list[_Place], channels: dict[str, Array], frequency: float) -> list[Block]:
    """Return blocks cut from a part, all of one length in one transform."""
    out: list[Block] = []
    values = np.stack(list(channels.values()))
    for count, some in itertools.groupby(places, key=lambda place: place.rows):
        these = list(some)
        bins = np.arange(1, count // 2)
        band = bins / (count * part.step)
        keep = np.abs(band / frequency - 1.0) <= AROUND_MODE
        bins, band = bins[keep], 2.0 * math.pi * band[keep]
        cut = sliding_window_view(values, count, axis=1)[:, [place.start for place in these]]
        every = np.fft.rfft(taper(count) * cut)[..., bins] / count
        for k, place in enumerate(these):
            spectra = dict(zip(channels, every[:, k], strict=True))
            x, turned = spectra.pop("x"), spectra.pop("turned")
            out.append(Block(float(part.time[place.start + count // 2]), place.follows, count, part.step, band, x, turned, spectra))
    return out
