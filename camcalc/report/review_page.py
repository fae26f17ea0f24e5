"""A reviewed log as one self-contained HTML file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from ..cautions import Caution
from ..pages.dress import rendered
from ..words.driving_log import log_words
from ..words.log_comparison import comparison_figures, comparison_next_step, comparison_notes, comparison_rows, comparison_verdict
from ..words.review import advice_words, review_cautions, review_next_step, review_notes
from ..words.review_glance import GLANCE_HEADS, glance_lines, hardest_of
from ..words.signal_swing import sheet_lines
from ..words.surge_in_log import cause_lines, episode_lines, findings_lines
from .figures import Plot, described, svg_text

if TYPE_CHECKING:
    from ..logs import LogComparison, LogReview
    from ..logs.drawn import LogTrace, ReviewCurves

__all__ = ["review_html"]

# How much of their span axes leave above and below what two logs show.
MARGIN = 0.05


def review_html(review: LogReview, curves: ReviewCurves, compared: LogComparison | None = None) -> str:
    """Return a review as HTML with its plots inside.

    Parameters
    ----------
    review : LogReview
    curves : ReviewCurves
        Of this review; where a log before was compared, of both logs.
    compared : LogComparison, optional
        The log before against this one.

    Notes
    -----
    Nothing is computed: what plots show is in ``curves``, every line of text is the terminal's.
    """
    lines = glance_lines(review, review_next_step(review))
    glance = [(head, line.removeprefix(f"{head}: ")) for head, line in zip(GLANCE_HEADS, lines, strict=True)]
    cells = [(do, advice_words(one)) for do, those in (("lower", review.lower), ("add back", review.add_back)) for one in those]
    return rendered(
        "review.html",
        name=review.log.source or "a log",
        label=f"{curves.trace.row_count} rows, {review.log.duration.magnitude:.0f} s, {review.log.si.sampling_rate:.3g} rows a second.",
        glance=[(head, text[:1].upper() + text[1:]) for head, text in glance],
        cautions=review_cautions(review),
        compared=_compared(compared),
        plots=_plots(review, curves, compared),
        cells=cells,
        law=str(Caution.LAW),
        notes=review_notes(review),
        worst=_worst(review),
        worst_head="The worst episode" if review.findings.episodes else "The steady driving",
        rest=[line.strip() for line in (*findings_lines(review.findings), *log_words(review.log).splitlines(), *sheet_lines(review.swing)) if line.strip()],
    )


def _compared(found: LogComparison | None) -> dict[str, Any] | None:
    if found is None:
        return None
    about = {"verdict": comparison_verdict(found), "next_step": comparison_next_step(found), "rows": comparison_rows(found)}
    return about | {"figures": comparison_figures(found), "notes": comparison_notes(found)}


def _worst(review: LogReview) -> list[str]:
    if not review.findings.episodes:
        return []
    worst = hardest_of(review.findings.episodes)
    cause = review.causes[review.findings.episodes.index(worst)]
    return [line.strip() for line in (*episode_lines(worst), *cause_lines(cause))]


def _plots(review: LogReview, curves: ReviewCurves, compared: LogComparison | None) -> dict[str, Plot]:
    from ..plot import plot_driven, plot_spark_path, plot_spectrum, plot_trace

    drawn: dict[str, tuple[Any, str, str]] = {}
    if compared is not None and curves.trace_before is not None:
        ends = _common_ends(curves.trace_before, curves.trace)
        drawn["trace_before"] = (plot_trace(curves.trace_before, **ends), f"Before: {curves.trace_before.source or 'the earlier log'}, surge hatched", _TRACE)
        drawn["trace_after"] = (plot_trace(curves.trace, **ends), f"After: {curves.trace.source or 'this log'}, surge hatched", _TRACE)
    else:
        drawn["trace"] = (plot_trace(curves.trace), "Engine speed and final spark over time, surge hatched", _TRACE)
    if curves.table is not None:
        title = "The table as driven, in deg BTDC: darker is longer, framed surged. An arrow leads to a lower number"
        drawn["driven"] = (plot_driven(curves.table), title, _DRIVEN)
    if curves.spectrum is not None:
        title = "Spectrum of engine speed, the log before dashed" if curves.spectrum_before is not None else "Spectrum of engine speed"
        drawn["spectrum"] = (plot_spectrum(curves.spectrum, before=curves.spectrum_before), title, _SPECTRUM)
    if curves.worst is not None:
        drawn["path"] = (plot_spark_path(curves.worst), "Path of spark over engine speed, some periods of the swing", _PATH)
    return {name: Plot(described(svg_text(ax, f"review-{name}"), f"review-{name}", title, text), title) for name, (ax, title, text) in drawn.items()}


_TRACE = "Engine speed and, where it was logged, final spark over time. Stretches with surge are hatched. The figures of each are in the text."
_DRIVEN = "Spark table over engine speed and load, shaded by the time the log drove in each cell. The cells to change are in the table below."
_SPECTRUM = "Amplitude of engine speed over frequency, during the worst episode or, without one, the longest steady driving. The peak has its frequency."
_PATH = "Final spark over engine speed through some periods of the worst episode, beside what the table has at the same speed and load."


def _common_ends(*traces: LogTrace) -> dict[str, Any]:
    """Return axes that hold both logs, so that they compare."""
    found: dict[str, Any] = {}
    for name, low, high in (("speeds", "speed_low", "speed_high"), ("sparks", "spark_low", "spark_high")):
        values = np.concatenate([getattr(trace, part).magnitude for trace in traces for part in (low, high)])
        values = values[np.isfinite(values)]
        room = MARGIN * max(float(np.ptp(values)), 1.0) if values.size else 0.0
        found[name] = (float(values.min()) - room, float(values.max()) + room) if values.size else None
    return found
