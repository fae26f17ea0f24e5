"""Three builds or more: each pair compared, and all put in order by it."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from ..cautions import AT_COMPARISON
from ..marks import Mark, mark_codes
from ..results import Measure, Record, measure
from ..sources import cite
from .comparison import SOURCE_KEYS, ComparedBuild, Comparison, Curves, figure_frame, named
from .findings import Better, DecidedBy, Group
from .judging import Spot, figure_text
from .verdict import counted_figures

if TYPE_CHECKING:
    import polars

__all__ = ["Lineup", "LineupFigure", "lineup_of", "pair_choice"]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class LineupFigure(Record):
    """One figure of all builds, in ``unit`` and in the builds' order; ``counts`` says that a verdict rests on it.

    ``favours`` and ``against`` say of each build how many others it is better and worse than in this figure, beyond what is known of them.
    """

    name: str
    group: Group
    unit: str
    values: tuple[float, ...]
    favours: tuple[int, ...]
    against: tuple[int, ...]
    counts: bool
    gear: int
    speed: Measure = measure("crank_rps", "rpm")
    manifold_pressure: Measure = measure("Pa", "kPa")
    spots: tuple[Spot | None, ...]
    marks: Mapping[str, tuple[Mark | None, ...]] = dataclasses.field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return super().to_dict() | {"marks": mark_codes(self.marks["values"])}

    def text(self, k: int, unit: str = "") -> str:
        """Return a build's figure as text without its unit, with its mark; in another unit where one is asked for."""
        from ..units import quantity

        value = self.values[k] if unit in ("", self.unit) else float(quantity(self.values[k], self.unit).to(unit).magnitude)
        return figure_text(self.name, value, unit or self.unit, self.marks["values"][k])

    @property
    def differs(self) -> bool:
        """Whether a build is better in it than another."""
        return any(self.favours)

    @property
    def is_none(self) -> bool:
        """Whether no build has a figure."""
        return all(map(math.isnan, self.values))


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Lineup(Record):
    """Three builds or more side by side, in the order given, with every pair compared.

    ``ranks`` counts from 1, the best street manners first; builds that no pair tells apart share one. A rank follows from ``better_than`` less
    ``worse_than``: to how many others the pairs' verdicts prefer a build, and how many to it.
    """

    builds: tuple[ComparedBuild, ...]
    ranks: tuple[int, ...]
    better_than: tuple[int, ...]
    worse_than: tuple[int, ...]
    model: str
    figures: tuple[LineupFigure, ...]
    pairs: tuple[Comparison, ...]
    samples: int
    seed: int | None
    curves: Curves
    cautions: tuple[str, ...] = AT_COMPARISON

    @property
    def order(self) -> tuple[int, ...]:
        """The builds' places in ``builds``, the best street manners first; of equal ones the first given."""
        return tuple(sorted(range(len(self.builds)), key=lambda k: (self.ranks[k], k)))

    @property
    def headlines(self) -> tuple[LineupFigure, ...]:
        """The figures that a verdict rests on, and those in which builds differ; without the cams' own, and without those that no build has."""
        return tuple(f for f in self.figures if (f.counts or (f.differs and f.group is not Group.CAM)) and not f.is_none)

    @property
    def others(self) -> tuple[LineupFigure, ...]:
        """The other figures, without those that no build has."""
        shown = {figure.name for figure in self.headlines}
        return tuple(f for f in self.figures if f.name not in shown and not f.is_none)

    def figure(self, name: str) -> LineupFigure:
        """Return a figure by its name.

        Raises
        ------
        InputError
            If there is none.
        """
        found: LineupFigure = named(self.figures, name)
        return found

    def pair(self, first: int, second: int) -> Comparison:
        """Return the comparison of two builds by their places, the first given before the second."""
        places = [(i, j) for i in range(len(self.builds)) for j in range(i + 1, len(self.builds))]
        return self.pairs[places.index((min(first, second), max(first, second)))]

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return super().to_dict() | {"sources": cite(*SOURCE_KEYS)}

    def to_frame(self) -> polars.DataFrame:
        """Return the figures as a polars table, a row each, a column for each build by its name."""
        return figure_frame(self.figures, {build.name: [f.values[k] for f in self.figures] for k, build in enumerate(self.builds)})

    def __str__(self) -> str:
        lines = [*self.cautions, *(f"{self.ranks[k]}. {self.builds[k].name}" for k in self.order)]
        lines += ["".join([f"{f.name:<24}", *(f"{f.text(k):>16}" for k in self.order), f"  {f.unit}"]) for f in self.figures]
        return "\n".join(lines)


def pair_choice(pair: Comparison) -> Better:
    """Return which build of a pair its verdicts prefer: the one that more of them choose, neither where they balance.

    A verdict that rests on a build that does not idle, or has no brakes, outweighs those that do not.
    """
    hard = [v for v in pair.verdicts if v.decided_by in (DecidedBy.IDLE, DecidedBy.BRAKES)]
    votes = [v.choice for v in (hard or pair.verdicts)]
    lead = votes.count(Better.A) - votes.count(Better.B)
    return Better.A if lead > 0 else Better.B if lead < 0 else Better.NO_DIFFERENCE


def lineup_of(builds: Sequence[ComparedBuild], pairs: Sequence[Comparison], curves: Curves) -> Lineup:
    """Return builds in the order of their manners; ``pairs`` in the order (0, 1), (0, 2) ..., (1, 2) ..."""
    count = len(builds)
    places = [(i, j) for i in range(count) for j in range(i + 1, count)]
    wins, losses = _wins(count, {place: pair_choice(pair) for place, pair in zip(places, pairs, strict=True)})
    lead = [won - lost for won, lost in zip(wins, losses, strict=True)]
    return Lineup(
        builds=tuple(builds),
        ranks=tuple(1 + sum(other > own for other in lead) for own in lead),
        better_than=wins,
        worse_than=losses,
        model=pairs[0].model,
        figures=_figures(count, places, pairs, {b.transmission for b in builds}),
        pairs=tuple(pairs),
        samples=pairs[0].samples,
        seed=pairs[0].seed,
        curves=curves,
    )


def _wins(count: int, choices: Mapping[tuple[int, int], Better]) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Return how many others each is better and worse than."""
    wins, losses = [0] * count, [0] * count
    for (i, j), choice in choices.items():
        if choice.one_sided:
            won, lost = (i, j) if choice is Better.A else (j, i)
            wins[won] += 1
            losses[lost] += 1
    return tuple(wins), tuple(losses)


def _figures(count: int, places: Sequence[tuple[int, int]], pairs: Sequence[Comparison], transmissions: set[str]) -> tuple[LineupFigure, ...]:
    counted = {name for kind in transmissions for name in counted_figures(kind, pairs[0].sampled_gear)}
    found = []
    for row, lead in enumerate(pairs[0].figures):
        own = [pair.figures[row] for pair in pairs]
        # Each build once: the first from any pair it leads, the last from one that it closes.
        sides = [own[k - 1] if k else own[0] for k in range(count)]
        which = ["b" if k else "a" for k in range(count)]
        favours, against = _wins(count, {place: figure.better for place, figure in zip(places, own, strict=True)})
        found.append(
            LineupFigure(
                name=lead.name,
                group=lead.group,
                unit=lead.unit,
                values=tuple(getattr(figure, w) for figure, w in zip(sides, which, strict=True)),
                favours=favours,
                against=against,
                counts=lead.name in counted,
                gear=lead.gear,
                speed=lead.si.speed,
                manifold_pressure=lead.si.manifold_pressure,
                spots=tuple(getattr(figure, f"at_{w}") for figure, w in zip(sides, which, strict=True)),
                marks={"values": tuple(figure.marks[w] for figure, w in zip(sides, which, strict=True))},
            )
        )
    return tuple(found)
