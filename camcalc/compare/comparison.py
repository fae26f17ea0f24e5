"""The records of a comparison: the builds, what plots draw, two builds side by side."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from ..advice.brakes import BrakeAssist
from ..array_record import ArrayRecord
from ..cautions import AT_COMPARISON
from ..errors import InputError, did_you_mean
from ..marks import Marks
from ..results import Measure, Record, measure
from ..sources import cite
from ..unit_system import UnitSystem
from .findings import ConverterFrom, TablesUsed
from .judging import ComparedFigure
from .verdict import Verdict

if TYPE_CHECKING:
    import polars

__all__ = ["SOURCE_KEYS", "ComparedBuild", "Comparison", "Curves", "figure_frame"]

SOURCE_KEYS = ("geometry", "fox1993", "metghalchi1982", "heywood1988", "guzzella", "douaud1978", "livengood1955", "iso2631", "road", "practice", "estimate")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class ComparedBuild(Record):
    """One of the builds compared; ``name`` is its own, no other's, and ``unlike`` names sections in which its sheet differs from the first one.

    ``brakes`` is None where the engine does not idle at its own idle speed.
    """

    name: str
    build: str
    label: str
    cam: str
    transmission: str
    converter: ConverterFrom | None
    units: UnitSystem
    idle_speed: Measure = measure("crank_rps", "rpm", doc="its own")
    brakes: BrakeAssist | None
    unlike: tuple[str, ...]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Curves(ArrayRecord):
    """What the plots of a comparison draw, a row for each build; blank where the engine gives no answer, or no ceiling is."""

    AXES = ("idle_speed",)
    ALONG = (
        ("intake_lift", "crank_angle"),
        ("exhaust_lift", "crank_angle"),
        ("vacuum", "idle_speed"),
        ("burned_fraction", "burned_speed"),
        ("ceiling", "ceiling_speed"),
    )

    crank_angle: Measure = measure("crank_deg", doc="after top dead centre of the overlap")
    intake_lift: Measure = measure("m", "mm", doc="at the valve")
    exhaust_lift: Measure = measure("m", "mm", doc="at the valve")
    idle_speed: Measure = measure("crank_rps", "rpm")
    vacuum: Measure = measure("Pa", "inHg", doc="neutral, accessories off")
    burned_speed: Measure = measure("crank_rps", "rpm")
    burned_fraction: Measure = measure("", "percent", doc="at 60 kPa, spark 30 degrees before top dead centre")
    ceiling_speed: Measure = measure("crank_rps", "rpm")
    ceiling: Measure = measure("crank_deg", doc="the lowest up to 60 kPa")
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Comparison(Record):
    """Two builds side by side. Every difference is the second less the first; ``samples`` is zero, and ``seed`` None, where none was sampled.

    ``sampled_gear`` is the gear whose road speed has a band. ``curves`` is None for a pair out of a lineup, which has the curves of all.
    """

    a: ComparedBuild
    b: ComparedBuild
    model: str
    verdicts: tuple[Verdict, ...]
    figures: tuple[ComparedFigure, ...]
    equal_speed: Measure = measure("crank_rps", "rpm", doc="the highest idle speed")
    cruise_speed: Measure = measure("m/s", "km/h", doc="at which damping and shaking are compared")
    sampled_gear: int
    tables: TablesUsed
    level_spark: Measure = measure("crank_deg", doc="of the level table, where damping is computed on one")
    samples: int
    seed: int | None
    curves: Curves | None
    cautions: tuple[str, ...] = AT_COMPARISON

    @property
    def builds(self) -> tuple[ComparedBuild, ComparedBuild]:
        """Both builds."""
        return self.a, self.b

    @property
    def differing(self) -> tuple[ComparedFigure, ...]:
        """The figures that favour one of the builds beyond what is known of them."""
        return tuple(figure for figure in self.figures if figure.better.one_sided)

    @property
    def others(self) -> tuple[ComparedFigure, ...]:
        """The others, without those that neither build has: no real difference, or neither way is better."""
        return tuple(figure for figure in self.figures if not figure.better.one_sided and not figure.is_none)

    def figure(self, name: str) -> ComparedFigure:
        """Return a figure by its name.

        Raises
        ------
        InputError
            If there is none.
        """
        found: ComparedFigure = named(self.figures, name)
        return found

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return super().to_dict() | {"sources": cite(*SOURCE_KEYS)}

    def to_frame(self) -> polars.DataFrame:
        """Return the figures as a polars table, a row each."""
        columns = {"first": "a", "second": "b", "difference": "difference", "low": "low", "high": "high"}
        return figure_frame(self.figures, {head: [getattr(f, name) for f in self.figures] for head, name in columns.items()})

    def __str__(self) -> str:
        lines = [*self.cautions, f"first   {self.a.name}", f"second  {self.b.name}"]
        for f in self.figures:
            texts = f.text("a"), f.text("b"), f.text("difference")
            lines += ["".join([f"{f.name:<24}", *(f"{text:>16}" for text in texts), f"  {f.unit:<13}", f.better.meaning])]
        return "\n".join(lines)


def named(figures: tuple[Any, ...], name: str) -> Any:
    """Return the figure with a name; an ``InputError`` with the nearest name if there is none."""
    by_name = {figure.name: figure for figure in figures}
    if name not in by_name:
        raise InputError("figure", came=name, expected="the name of a compared figure", fix=did_you_mean(name, list(by_name)))
    return by_name[name]


def figure_frame(figures: tuple[Any, ...], values: Mapping[str, list[float]]) -> polars.DataFrame:
    """Return figures as a polars table: name, group and unit, then columns of values, missing ones null."""
    import polars

    words = {"figure": [f.name for f in figures], "group": [f.group.code for f in figures], "unit": [f.unit for f in figures]}
    return polars.DataFrame({**words, **values}).with_columns(polars.col(*values).fill_nan(None))
