"""What mypy must refuse: one misspelt attribute a line that ends in ``# refused``. Checked by mypy alone, never imported."""

from __future__ import annotations

from typing import NamedTuple, TypeVar

from camcalc import Brief, Build, CycleMap, SparkTable, load_build
from camcalc.results import Measure, Record, measure
from camcalc.sheet.sections import Engine, Idle


class Own(Record):
    """A record of one number and a word."""

    width: Measure = measure("m", "mm")
    name: str

    def double(self) -> float:
        """Reach a field of one's own."""
        return 2.0 * self.si.widht  # refused


class Derived(Own):
    """A record with a field of its base's."""

    def more(self) -> float:
        """Reach a field of the base."""
        return self.si.width + self.si.heigth  # refused


class Pair(NamedTuple):
    """Two records."""

    build: Build
    table: SparkTable


R = TypeVar("R", bound=Own)


def made() -> Own:
    """Return a record."""
    return Own()


def of_any(record: R) -> float:
    """Reach a field of whatever record it is."""
    return record.si.length  # refused


def reached(build: Build, pair: Pair, found: CycleMap, brief: Brief, either: Engine | Idle) -> None:
    """Reach fields that no record has."""
    print(build.engine.si.boer)  # refused
    print(pair.build.idle.si.sped)  # refused
    print(pair.table.si.cell)  # refused
    print(made().si.widths)  # refused
    print(load_build("build.toml").limits.si.spark_magrin)  # refused
    si = build.vehicle.si
    print(si.mass + si.tire_radius)  # refused
    print(found.si.burned_fractoin.max())  # refused
    print([state.si.vacum for state in brief.idle.new])  # refused
    print(either.si.bore)  # refused
    print(made().si.name)  # refused
    print(build.engine.boer)  # refused
    print(build.engine.si.bore[0])  # refused
    print(build.engine.si.measures)  # refused
