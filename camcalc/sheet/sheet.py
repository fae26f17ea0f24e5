"""The whole build sheet as one frozen record."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import Any, ClassVar, NamedTuple, Self

from ..cam.card import CamCard
from ..results import Record
from ..unit_system import UnitSystem
from .learned import Learned
from .measured_rows import MeasuredRow
from .section import Section
from .sections import Engine, Fuel, Idle, Injector, Limits, Site, Vehicle, Wanted

__all__ = ["Assumption", "Build", "CamSheet", "Doubt"]


class Assumption(NamedTuple):
    """A figure the sheet left out, what was taken for it, and why."""

    key: str
    value: str
    why: str


class Doubt(str):
    """A note on figures that may be meant in two ways: how they were read, and what to type if they mean the other."""

    __slots__ = ()


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CamSheet(Record):
    """The cams of a sheet and the engine they go into; ``missing`` names what ``[engine]`` lacks where ``engine`` is ``None``."""

    cam: CamCard
    replaced_cam: CamCard | None
    units: UnitSystem
    engine: Engine | None
    missing: tuple[str, ...]
    assumed: tuple[Assumption, ...]
    notes: tuple[str, ...]

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """Those notes that name two readings."""
        return tuple(note for note in self.notes if isinstance(note, Doubt))


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Build(Record):
    """An engine, the cam it is to have, the cam it had, and the car and place it runs in."""

    in_data: ClassVar[tuple[str, ...]] = ("doubts",)

    name: str
    label: str
    units: UnitSystem
    cam: CamCard
    replaced_cam: CamCard | None
    engine: Engine
    idle: Idle
    fuel: Fuel
    injector: Injector | None
    vehicle: Vehicle
    site: Site
    limits: Limits
    wanted: Wanted
    spark_table: Path | None
    measured: tuple[MeasuredRow, ...] = ()
    learned: Learned | None = None
    assumed: tuple[Assumption, ...]
    notes: tuple[str, ...]
    card_text: dict[str, dict[str, Any]] = dataclasses.field(repr=False, default_factory=dict)
    path: Path | None = None

    @property
    def doubts(self) -> tuple[Doubt, ...]:
        """Those notes that name two readings."""
        return tuple(note for note in self.notes if isinstance(note, Doubt))

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """Return the build that plain data were written from, with the user's own words for saving."""
        notes = tuple(Doubt(note) if note in data["doubts"] else note for note in data["notes"])
        # Not through the copy of a build, which would read the sections again.
        return super(Build, super().from_dict(data)).replace(notes=notes)

    def replace(self, **changes: Any) -> Self:
        """Return a copy with some sections changed; what they now state is no longer listed as assumed.

        ``units`` is a ``UnitSystem``; road speed follows it unless ``[vehicle] road_speed_unit`` is stated.
        """
        copy = super().replace(**changes)
        changed = {name: value.reread({})[1] for name, value in changes.items() if isinstance(value, Section)}
        if "assumed" in changes or not (changed or "units" in changes or "cam" in changes):
            return copy
        from .reading import SECTIONS, around_of

        solid = copy.cam.tappet == "solid"
        if copy.engine.around.get("solid") != float(solid):
            # A cam on tappets of the other kind: what the engine section assumes of the valve train follows it.
            engine, changed["engine"] = copy.engine.reread({}, {**copy.engine.around, "solid": float(solid)})
            copy = super(Build, copy).replace(engine=engine)
        around = around_of(copy.engine, copy.units, solid=solid)
        if ("engine" in changes or "units" in changes) and around != copy.vehicle.around:
            vehicle, changed["vehicle"] = copy.vehicle.reread({}, around)
            copy = super(Build, copy).replace(vehicle=vehicle)
        kept = [a for a in self.assumed if a.key.split("]")[0][1:] not in changed and not ("units" in changes and a.key == "[build] units")]
        new = [a for name in SECTIONS for a in changed.get(name, [b for b in kept if b.key.startswith(f"[{name}]")])]
        return super(Build, copy).replace(assumed=tuple(new + [a for a in kept if a.key.split("]")[0][1:] not in SECTIONS]))

    def files(self) -> list[Path]:
        """Return every file this build was read from."""
        found = [p for p in (self.path, self.spark_table) if p is not None]
        folder = self.path.parent if self.path else Path()
        for card in self.card_text.values():
            tables = [card[kind].get("lift_table") for kind in ("intake", "exhaust") if isinstance(card.get(kind), dict)]
            found += [folder / t for t in tables if isinstance(t, str)]
        return found

    def with_replaced_cam(self) -> Build:
        """Return the same car with the cam it had before.

        Raises
        ------
        InputError
            If the sheet has no ``[replaced_cam]``.
        """
        from ..errors import InputError

        if self.replaced_cam is None:
            raise InputError("[replaced_cam]", came="nothing", expected="the card of the cam being replaced", fix="add a [replaced_cam] section")
        return self.replace(cam=self.replaced_cam, replaced_cam=None, idle=self.idle.replace(speed=self.idle.si.replaced_cam_speed))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Build):
            return NotImplemented
        own = [f.name for f in dataclasses.fields(self) if f.name not in ("path", "card_text", "spark_table")]
        return all(getattr(self, n) == getattr(other, n) for n in own)

    __hash__ = None
