"""Findings as codes: what a computation found is a member of an enumeration, never a sentence.

A member's value is its meaning, in one line; data carry both. Advice in words, with figures, is made from records by ``camcalc.words`` alone.
"""

from __future__ import annotations

import enum
from typing import Self

from .errors import InputError, did_you_mean

__all__ = ["AppliesTo", "Code"]


class Code(enum.Enum):
    """Base of every enumeration of findings; compare members, never their words.

    Examples
    --------
    >>> class Ending(Code):
    ...     SETTLED = "the cycle repeats itself"
    ...     DYING = "the cycle loses its work from turn to turn"
    >>> Ending.DYING.code, str(Ending.DYING), Ending.of("settled") is Ending.SETTLED
    ('dying', 'the cycle loses its work from turn to turn', True)
    """

    @property
    def code(self) -> str:
        """How data and options name it: the member's name in lower case."""
        return self.name.lower()

    @property
    def meaning(self) -> str:
        """What it means, in one line."""
        return str(self.value)

    @classmethod
    def of(cls, code: str) -> Self:
        """Return the member with a code; a ``KeyError`` if there is none."""
        return cls[code.upper()]

    @classmethod
    def chosen(cls, given: Self | str, key: str) -> Self:
        """Return the member that an argument chooses: the member itself or its code, in which a blank or a dash serves as well as an underscore.

        Parameters
        ----------
        given : Code or str
        key : str
            Name of the argument, for the error.

        Raises
        ------
        InputError
            If there is no such member.
        """
        if isinstance(given, cls):
            return given
        names = {member.code.replace("_", " "): member for member in cls}
        asked = str(given).lower().replace("_", " ").replace("-", " ")
        if asked not in names:
            raise InputError(key, came=str(given), expected=" or ".join(names), fix=did_you_mean(asked, names))
        return names[asked]

    def __str__(self) -> str:
        return self.meaning


class AppliesTo(Code):
    """What the spark of a record is."""

    FINAL_SPARK = "final spark: table plus every correction"
