"""What all words share: counts, short names of what records hold as codes, a limit with its mark."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable

from ..marks import Mark, marked
from ..vehicle.acceleration_weighting import SurgeGrade
from ..vehicle.coupling import Coupling

__all__ = ["COUPLINGS", "capitalised", "counted", "figure", "folded", "graded", "listed", "rpm"]

# As a column of a table or a bracket names them.
COUPLINGS = {Coupling.LOCKED: "locked", Coupling.CONVERTER: "open converter"}


def capitalised(text: str) -> str:
    """Return a text with its first letter in upper case and the others as they are.

    >>> capitalised("idle MAP"), capitalised("")
    ('Idle MAP', '')
    """
    return text[:1].upper() + text[1:]


def counted(count: int, noun: str) -> str:
    """Return a count with its noun.

    >>> counted(1, "cell"), counted(3, "cell")
    ('1 cell', '3 cells')
    """
    return f"{count} {noun}{'' if count == 1 else 's'}"


def listed(parts: list[str]) -> str:
    """Return some words as one list.

    >>> listed(["1", "2", "3"]), listed(["1", "2"]), listed(["1"])
    ('1, 2 and 3', '1 and 2', '1')
    """
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def rpm(speed: float, mark: Mark | None = None) -> str:
    """Return a crank speed [rev/s] in rpm with its mark.

    >>> rpm(25.0), rpm(25.0, Mark.OR_MORE)
    ('1500 rpm', '1500 rpm or more')
    """
    return marked(f"{60.0 * speed:.0f} rpm", mark)


def graded(grade: SurgeGrade | None) -> str:
    """Return a grade of surge as a sentence shows it; one that is not known is a verdict too, and a stall is no grade.

    >>> graded(SurgeGrade.DISTURBING), graded(None)
    ('disturbing (our grade)', 'not known')
    """
    if grade is None or grade is SurgeGrade.UNKNOWN:
        return "not known"
    return str(grade) if grade is SurgeGrade.STALLS else f"{grade} (our grade)"


def figure(value: float, digits: int, unit: str = "") -> str:
    """Return a number with its unit, or that it is not known.

    >>> figure(0.053, 2, "m/s2"), figure(math.nan, 2), figure(math.inf, 2)
    ('0.05 m/s2', 'not known', 'grows without end')
    """
    if math.isinf(value):
        return "grows without end"
    return f"{value:.{digits}f} {unit}".strip() if math.isfinite(value) else "not known"


def folded(lines: Iterable[str], width: int = 100) -> str:
    """Return lines as one text, those over the width folded under their own start.

    >>> print(folded(["  note: more words than fit"], 18))
      note: more words
        than fit
    """
    whole = "\n".join(lines).split("\n")
    blank = [len(line) - len(line.lstrip()) for line in whole]
    wrap = [textwrap.wrap(line, width, subsequent_indent=" " * (n + 2), break_on_hyphens=False) or [""] for line, n in zip(whole, blank, strict=True)]
    return "\n".join(part for parts in wrap for part in parts)
