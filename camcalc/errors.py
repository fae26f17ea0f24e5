"""What camcalc raises: always what was expected, what came, and how to mend it."""

from __future__ import annotations

import difflib
import textwrap
from collections.abc import Iterable, Sequence

from .plain_text import visible

__all__ = ["CamcalcError", "InputError", "InputErrors", "NoSolutionError", "did_you_mean"]


class CamcalcError(Exception):
    """Anything camcalc raises on purpose; the command line prints it without a traceback."""


class InputError(CamcalcError, ValueError):
    """One thing in the user's input that cannot be used.

    Parameters
    ----------
    key : str
        What the user wrote it under, e.g. ``"[cam.intake] valve_lift"``.
    came : str
        What was found there.
    expected : str
        What can stand there.
    fix : str
        What to do about it.
    file : str
        The file it came from, if any.
    """

    def __init__(self, key: str, *, came: str, expected: str = "", fix: str = "", file: str = "") -> None:
        super().__init__(key)
        self.key = key
        self.came = _one_line(came)
        self.expected = expected
        self.fix = fix
        self.file = file

    def __str__(self) -> str:
        head = f"{self.file}: {self.key}" if self.file else self.key
        lines = [head, f"  came:     {self.came}"]
        if self.expected:
            lines.append(f"  expected: {self.expected}")
        if self.fix:
            lines.append(f"  fix:      {self.fix}")
        return "\n".join(lines)

    def in_file(self, file: str) -> InputError:
        """Return the same error with the file named."""
        return InputError(self.key, came=self.came, expected=self.expected, fix=self.fix, file=self.file or file)


class InputErrors(CamcalcError, ValueError):
    """Several problems of one file, told together so that they can be mended in one go."""

    SHOWN = 5

    def __init__(self, problems: Sequence[InputError]) -> None:
        super().__init__(f"{len(problems)} problems")
        self.problems = tuple(problems)

    def __str__(self) -> str:
        text = "\n".join(str(p) for p in self.problems[: self.SHOWN])
        left = self.problems[self.SHOWN :]
        if not left:
            return text
        more = textwrap.fill(f"... and {len(left)} more: {_keys_by_section(left)}", 100, subsequent_indent="    ", break_on_hyphens=False)
        return f"{text}\n{more}"


class NoSolutionError(CamcalcError):
    """The physics has no answer for what was asked; says what can be reached instead.

    Attributes
    ----------
    reachable : float or None
        The nearest reachable value, in the unit the message names.
    """

    def __init__(self, message: str, *, reachable: float | None = None, fix: str = "") -> None:
        super().__init__(message)
        self.reachable = reachable
        self.fix = fix

    def __str__(self) -> str:
        text = str(self.args[0])
        return f"{text}\n  fix:      {self.fix}" if self.fix else text


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Name the nearest known word, or list them all when nothing is near."""
    names = sorted(known)
    near = difflib.get_close_matches(word, names, n=1, cutoff=0.6)
    if near:
        return f'did you mean "{near[0]}"?'
    return "known here: " + ", ".join(names) if names else "remove it"


def _keys_by_section(problems: Iterable[InputError]) -> str:
    """List keys with each section named once: ``[engine] stroke, rod_length; [idle] speed``."""
    found: dict[str, list[str]] = {}
    for problem in problems:
        section, _, key = problem.key.partition("] ")
        found.setdefault(section, []).append(key)
    return "; ".join(f"{section}] {', '.join(keys)}" if any(keys) else section for section, keys in found.items())


def _one_line(text: str, width: int = 120) -> str:
    flat = visible(" ".join(str(text).split()))
    return flat if len(flat) <= width else flat[: width - 3] + "..."
