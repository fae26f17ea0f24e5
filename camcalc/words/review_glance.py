"""A review at a glance, in five lines: does it surge, where, how hard, whose doing, what next."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from ..logs.causes import Cause
from ..logs.doing import whose_doing
from ..logs.manoeuvres import ManoeuvreKind
from ..logs.review import LogReview
from ..logs.surge_finder import SurgeEpisode
from .cause_shares import share_line
from .phrases import counted, graded, listed
from .surge_in_log import cause_verdict, surge_headline

__all__ = ["GLANCE_HEADS", "doing_line", "glance_lines", "hardest_of"]

# What each of the five lines answers.
GLANCE_HEADS = ("Does it surge", "Where", "How hard", "Whose doing", "Next")

# Who does it, in two or three words.
DOERS = {
    Cause.TABLE: "the table",
    Cause.DRIVER: "the driver",
    Cause.BURN: "burn or fuel",
    Cause.IDLE_CORRECTION: "an idle correction",
    Cause.KNOCK_RETARD: "knock retard",
    Cause.ANOTHER_TABLE: "another table",
}


def glance_lines(review: LogReview, next_step: str) -> tuple[str, str, str, str, str]:
    """Return the five lines that a review opens with: does it surge, where, how hard, whose doing, what to do next.

    Parameters
    ----------
    review : LogReview
    next_step : str
        The last line.

    Returns
    -------
    tuple of str
    """
    verdict = surge_headline(review.findings).split(". ")[0].rstrip(".")
    return f"{verdict}.", _where(review), _how_hard(review), doing_line(review), next_step


def hardest_of(episodes: tuple[SurgeEpisode, ...]) -> SurgeEpisode:
    """Return the episode whose speed swings furthest."""
    return max(episodes, key=lambda e: e.si.speed_amplitude)


def doing_line(review: LogReview) -> str:
    """Return whose doing the surge is, in per cent."""
    shares = whose_doing(review.findings.episodes, review.causes)
    locks = sum(m.si.end - m.si.start for m in review.findings.manoeuvres if m.kind is ManoeuvreKind.CONVERTER)
    if locks and not review.findings.episodes:
        return f"Whose doing: no surge. The converter locks and unlocks: {locks:.0f} s of the log swing by its slip, with the pedal steady."
    if not shares or review.main_cause is None:
        return "Whose doing: no surge, no cause." if review.findings.si.looked_at > 0.0 else "Whose doing: no answer."
    parts = [f"{DOERS[one.cause]} {100.0 * one.share:.0f} %" if one.cause in DOERS else f"not known {100.0 * one.share:.0f} %" for one in shares]
    return " ".join([f"Whose doing: {', '.join(parts)}. {cause_verdict(review.main_cause)[0]}", *share_line(review)])


def _where(review: LogReview) -> str:
    findings = review.findings
    if not findings.episodes:
        spans = [slice(*np.searchsorted(review.log.si.time, span)) for span in findings.windows]
        speeds = np.concatenate([np.empty(0), *(review.log.si.speed[rows] for rows in spans)])
        return f"Where: nowhere from {_speeds(speeds)}." if speeds.size else "Where: no answer."
    hardest = hardest_of(findings.episodes)
    beat = f"{hardest.si.frequency:.1f} Hz" if math.isfinite(hardest.si.frequency) else "at a frequency that this sampling rate does not resolve"
    gears = sorted({f"{e.gear:.0f}" for e in findings.episodes if math.isfinite(e.gear)}, key=int)
    gear = f"gear {listed(gears)}" if gears else "gear not known"
    many = f"; all {counted(len(findings.episodes), 'episode')} from {_speeds([e.si.speed for e in findings.episodes])}" if len(findings.episodes) > 1 else ""
    return f"Where: {gear}, hardest at {60.0 * hardest.si.speed:.0f} rpm, {beat}{many}."


def _how_hard(review: LogReview) -> str:
    findings = review.findings
    if not findings.episodes:
        return "How hard: no surge." if findings.si.looked_at > 0.0 else "How hard: no answer."
    felt = [e for e in findings.episodes if math.isfinite(e.si.peak_to_peak)]
    swing = f"engine speed swings by {120.0 * hardest_of(findings.episodes).si.speed_amplitude:.0f} rpm peak to peak"
    often = f"{100.0 * findings.share:.0f} % of the time looked at"
    if not felt:
        return f"How hard: {swing}, {often}. Grade not known: neither acceleration nor a fine road speed was logged."
    worst = max(felt, key=lambda e: e.si.peak_to_peak)
    return f"How hard: {graded(worst.grade)}, {worst.si.peak_to_peak:.1f} m/s2 peak to peak, {often}; {swing}."


def _speeds(speeds: Iterable[float]) -> str:
    known = list(speeds)
    low, high = 60.0 * min(known), 60.0 * max(known)
    return f"{low:.0f} rpm" if round(low) == round(high) else f"{low:.0f} to {high:.0f} rpm"
