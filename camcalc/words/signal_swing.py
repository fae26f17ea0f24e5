"""How far the logged signals swing, in words: what to type into the sheet, then the figures by speed."""

from __future__ import annotations

import math

import numpy as np

from ..logs.signals import LOWEST
from ..logs.swing import LEAST_TIME, STRONG, SignalSwing, SwingDoubt, SwingNote, load_unit
from .describing import describe
from .phrases import folded

__all__ = ["sheet_lines", "swing_notes", "swing_words"]


@describe.register
def swing_words(swing: SignalSwing) -> str:
    """Return how far the signals swing: what to type into the sheet first, then a row for each speed, then what to keep in mind.

    Parameters
    ----------
    swing : SignalSwing

    Returns
    -------
    str
    """
    units = ", ".join(["rpm"] + ([load_unit(swing.load_kind)[0]] if swing.load_kind else []))
    if not swing.samples.size:
        return f"Swing of the signals: no answer. Nowhere {LEAST_TIME:g} s at one speed."
    head = f"Swing of the signals in steady driving, r.m.s., faster than {LOWEST:g} Hz ({units}):"
    return folded([*sheet_lines(swing), head, *_table(swing), *(f"note: {note}" for note in swing_notes(swing))])


def sheet_lines(swing: SignalSwing) -> list[str]:
    """Return what to type into ``[limits]`` of the sheet."""
    if not swing.samples.size:
        return []
    given = [f"{key} = {value:.2g}" for key, value in (("load_jitter", swing.load_jitter), ("load_swing", swing.over_load)) if math.isfinite(value)]
    given.append(f'speed_jitter = "{60.0 * swing.si.speed_jitter:.2g} rpm"')
    doubts = np.concatenate([swing.speed_doubt, swing.load_doubt])
    known = f" (known to {100.0 * np.nanmedian(doubts):.0f} %)" if np.isfinite(doubts).any() else ""
    lines = [f"Measured swing of the signals, for [limits] of the sheet: {', '.join(given)}{known}."]
    lines += ["Read the doubts about these figures before you type them in: camcalc review --full."] if swing.notes else []
    return lines if swing.missing is None else [*lines, f"No load_jitter: {swing.missing}."]


def _table(swing: SignalSwing) -> list[str]:
    si, (_, size) = swing.si, load_unit(swing.load_kind)
    columns = [60.0 * si.speed, si.time, swing.samples, *(60.0 * v for v in (si.speed_swing, si.speed_at_surge, si.speed_rest))]
    head, row = "   rpm    s   rows | speed: all at surge   rest", "{:6.0f}{:5.0f}{:7d} |{:11.2f}{:9.2f}{:7.2f}"
    if swing.load_kind:
        columns += [v / size for v in (swing.mean_load, swing.load_swing, swing.load_at_surge, swing.load_rest)] + [100.0 * swing.share]
        head, row = head + " | load: mean    all at surge   rest  share", row + " |{:11.1f}{:7.2f}{:9.2f}{:7.2f}{:5.1f} %"
    return [head, *(row.format(*values) for values in zip(*columns, strict=True))]


def swing_notes(swing: SignalSwing) -> list[str]:
    """Return what to keep in mind about the swings, a sentence or two each."""
    return [_note(note, swing) for note in swing.notes]


def _note(note: SwingNote, swing: SignalSwing) -> str:
    si, name = swing.si, note.channel.capitalize()
    unit, size = load_unit(swing.load_kind) if note.channel == "load" else ("rpm", 1.0 / 60.0)
    step = (swing.load_step if note.channel == "load" else float(si.speed_step)) / size
    match note.what:
        case SwingDoubt.UPPER_BOUND:
            return "Upper bounds: true swings other than surge, and sensor noise, are in the rest."
        case SwingDoubt.FEWER_THAN_FIRINGS:
            return (
                f"{si.sampling_rate:.3g} rows a second are fewer than the firings. How far the signals swing is right, how fast is not. "
                f"Surge above {si.highest:.3g} Hz is not told apart. Rows that are means show less than there is."
            )
        case SwingDoubt.BEHIND_FILTER:
            return f"The logged load is taken as filtered with {1e3 * si.load_filter:.0f} ms. load_jitter is the swing before that filter."
        case SwingDoubt.COARSE:
            return f"{name} is written in steps of {step:.3g} {unit}. They alone scatter by {step / math.sqrt(12.0):.2g} {unit} r.m.s."
        case SwingDoubt.STRONG_SURGE:
            return f"{name} surges over {STRONG:g} times its rest, and overtones of the surge may be part of it. Measure where it does not surge."
        case SwingDoubt.TOO_LARGE:
            return "load_jitter is above 1: more than reversion can cause. Look at the load sensor and at the throttle."
        case SwingDoubt.UNRESOLVED_LEFT_OUT:
            return "Surge at a frequency that the sampling rate does not resolve is left out."
