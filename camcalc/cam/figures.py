"""From any sufficient set of card figures to the two lobe centrelines, and whether the rest of the card agrees.

Every figure that says something about centrelines is one linear equation, ``intake * ICL + exhaust * ECL = value``, in
crank degrees: ICL after top dead centre, ECL before it. Two independent ones settle both; the others are checks.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

__all__ = ["Centrelines", "Disagreement", "Figure", "solve_centrelines"]

# A note above one rounding; an error above three, or above this many crank degrees.
NOTE_ROUNDINGS = 1.0
ERROR_ROUNDINGS = 3.0
ERROR_CRANK_DEG = 3.0


class Figure(NamedTuple):
    """One equation for the centrelines, with how far rounding of the printed figures may have moved its value."""

    name: str
    intake: float
    exhaust: float
    value: float
    rounding: float
    printed: float | None = None


class Disagreement(NamedTuple):
    """A figure that the others contradict by more than rounding."""

    name: str
    printed: float
    implied: float
    rounding: float

    @property
    def is_error(self) -> bool:
        """Whether it is too large to be a note."""
        gap = abs(self.printed - self.implied)
        return gap > ERROR_ROUNDINGS * self.rounding or gap > ERROR_CRANK_DEG


class Centrelines(NamedTuple):
    """Both centrelines [crank degrees], the figures they came from, and what disagrees."""

    intake: float
    exhaust: float
    used: tuple[str, ...]
    disagreements: tuple[Disagreement, ...]


def solve_centrelines(figures: Sequence[Figure]) -> Centrelines | None:
    """Solve the first two independent figures (best first) and check the others against them.

    Returns
    -------
    Centrelines or None
        None if the figures do not settle both centrelines.

    Examples
    --------
    >>> card = [Figure("intake centreline", 1, 0, 106.0, 0.5), Figure("lobe separation", 0.5, 0.5, 110.0, 0.5)]
    >>> solve_centrelines(card).exhaust
    114.0
    """
    for i, first in enumerate(figures):
        for second in figures[i + 1 :]:
            determinant = first.intake * second.exhaust - first.exhaust * second.intake
            if abs(determinant) < 1e-9:
                continue
            weights = _inverse(first, second, determinant)
            icl = weights[0][0] * first.value + weights[0][1] * second.value
            ecl = weights[1][0] * first.value + weights[1][1] * second.value
            disagreements = _disagreements(figures, (first, second), weights, (icl, ecl))
            return Centrelines(icl, ecl, (first.name, second.name), disagreements)
    return None


def _inverse(first: Figure, second: Figure, determinant: float) -> tuple[tuple[float, float], tuple[float, float]]:
    return (
        (second.exhaust / determinant, -first.exhaust / determinant),
        (-second.intake / determinant, first.intake / determinant),
    )


def _disagreements(
    figures: Sequence[Figure], used: tuple[Figure, Figure], weights: tuple[tuple[float, float], tuple[float, float]], solved: tuple[float, float]
) -> tuple[Disagreement, ...]:
    found = []
    for figure in figures:
        if figure in used:
            continue
        implied = figure.intake * solved[0] + figure.exhaust * solved[1]
        share = [figure.intake * weights[0][k] + figure.exhaust * weights[1][k] for k in (0, 1)]
        rounding = figure.rounding + abs(share[0]) * used[0].rounding + abs(share[1]) * used[1].rounding
        if abs(implied - figure.value) > NOTE_ROUNDINGS * rounding + 1e-9:
            found.append(Disagreement(figure.name, figure.value, implied, rounding))
    return tuple(found)
