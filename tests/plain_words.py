"""How plain a text is: sentences too long, and words that the style bans; used on sources, pages and outputs alike."""

from __future__ import annotations

import re

__all__ = ["banned_in", "long_sentences"]

MOST_WORDS = 25
# What the style bans, each as it is written; the word to write instead stands behind it.
BANNED = {
    r"\b(is|are|was|be|being) told\b": "shown, reported",
    r"\b(is|are|was) said\b": "shown, reported",
    r"\bspeaks? for\b": "favours",
    r"\bthereof\b": "the figure",
    r"\bthe like\b": "the figure",
    r"\bby as much\b": "the figure",
    r"\bswings? by (it|them)sel(f|ves)\b": "self-excited",
    r"\bhunts? by (it|them)sel(f|ves)\b": "self-excited",
    r"\bholds? still\b": "steady",
    r"\brestless\w*\b": "unsteady",
    r"\banew\b": "again",
    r"\bhardly\b": "barely",
    r"\blikewise\b": "also",
    r"\bmend(s|ed|ing)?\b": "fix",
    r"\bshut[ -]valves?\b": "closed valve",
    r"\bshut valve\b": "closed valve",
    r"\bgoing to be\b": "will",
    r"\bto come down\b": "must",
    r"\bwhere due\b": "must",
    r"\bone swing up\b": "the figure in kPa",
    r"\ba cell fuller\b": "the figure in kPa",
    r"\bnothing is said\b": "no answer",
    r"\bvacuum (given up|penalty)\b": "vacuum loss",
    r"\blate-burn floor\b": "latest useful spark",
    r"\buneven(ly|ness)?\b": "rough",
    r"\bFINAL\b": "final",
    r"\bthe lap\b": "overlap",
}  # fmt: skip
_WORD = re.compile(r"[^\W\d_]{2,}|\ba\b|\bI\b")
_END = re.compile(r"(?<=[.!?])\s+|(?<=[.!?][\"')])\s+|\n+|;\s")


def long_sentences(text: str, most: int = MOST_WORDS) -> list[str]:
    """Return the sentences of a text that have more words than that; figures and units of one letter do not count, a semicolon ends a sentence.

    >>> long_sentences("Use 2nd gear below 20 mph. In 3rd the engine surges there.", most=5)
    ['In 3rd the engine surges there.']
    """
    return [part.strip() for part in _END.split(text) if len(_WORD.findall(part)) > most]


def banned_in(text: str) -> list[str]:
    """Return what a text says that the style bans, with what to write.

    >>> banned_in("The cycle hardly varies.")
    ['hardly (barely)']
    """
    return [f"{match[0]} ({instead})" for pattern, instead in BANNED.items() for match in re.finditer(pattern, text)]
