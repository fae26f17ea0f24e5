"""Which cam for a clutch, which for a converter: the rows that count for each, and what they say."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from ..advice.brakes import too_little
from ..results import Record
from ..sheet.sections import STALL_TORQUE_PER_DISPLACEMENT
from .rows import NO_DIFFERENCE, TASTE, ComparedFigure

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["Verdict", "converter_build", "verdicts_of"]

# What counts, in the order told; each figure has one vote. A clutch car pulls away and cruises near reversion with nothing to soften
# it; a converter loads the idle at every halt and softens the rest until it locks. Common practice, no source.
CLUTCH = ("unstable_road_speed_{gear}", "slow_shaking", "cruise_shaking", "lowest_steady_speed", "vacuum", "air_0_1")
CONVERTER = ("vacuum_in_drive", "variation_in_drive", "lowest_steady_speed", "cruise_shaking")
# Without these the car does not stand at a halt: no vote outweighs them.
MUST = {"clutch": "vacuum", "converter": "vacuum_in_drive"}
# A converter assumed where no sheet has one: looser than a small engine's stock one, tighter than a racing one; ESTIMATE.
STALL_SPEED = 2400.0 / 60.0  # rev/s


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Verdict(Record):
    """Which cam suits a transmission: ``"a"``, ``"b"``, ``"no real difference"``, or ``"a matter of taste"`` where as much speaks for either."""

    transmission: str
    choice: str
    headline: str
    for_a: tuple[str, ...]
    for_b: tuple[str, ...]
    alike: tuple[str, ...]
    remarks: tuple[str, ...]

    def pros_and_cons(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Return what speaks for and against the choice, each list under its head; empty ones are left out."""
        lists = {
            "a": (("for it", self.for_a), ("against it", self.for_b)),
            "b": (("for it", self.for_b), ("against it", self.for_a)),
        }.get(self.choice, (("for A", self.for_a), ("for B", self.for_b)))
        return tuple((head, reasons) for head, reasons in lists if reasons)

    def __str__(self) -> str:
        lines = [f"For a {self.transmission}: {self.headline}"]
        for head, reasons in self.pros_and_cons():
            lines += [f"  {head}:", *(f"    {reason}" for reason in reasons)]
        return "\n".join([*lines, *(f"  {remark}" for remark in self.remarks)])


def converter_build(build: Build, other: Build, displacement: float) -> tuple[Build, str]:
    """Return the build behind a converter, and which one: its own, else the other sheet's, else an assumed one; displacement [m3]."""
    if build.vehicle.transmission == "converter":
        return build, ""
    if other.vehicle.transmission == "converter":
        stall, torque = other.vehicle.si.converter_stall_speed, other.vehicle.si.converter_stall_torque
        said = "idle in drive with the converter of the other sheet, since this one has none"
    else:
        stall, torque = STALL_SPEED, STALL_TORQUE_PER_DISPLACEMENT * displacement
        said = f"no sheet has a converter: idle in drive with an ASSUMED one, {torque:.0f} N m at a stall speed of {stall * 60:.0f} rpm (ESTIMATE)"
    vehicle = build.vehicle.replace(transmission="converter", converter_stall_speed=stall, converter_stall_torque=torque)
    return build.replace(vehicle=vehicle), said


def verdicts_of(items: Mapping[str, ComparedFigure], names: tuple[str, str], sampled_gear: int, converter: str) -> tuple[Verdict, ...]:
    """Return the verdict for a clutch and for a converter; ``converter`` says which one was assumed, if any."""
    clutch = [items[name.format(gear=sampled_gear)] for name in CLUTCH]
    return (
        _verdict("clutch", clutch, names, ""),
        _verdict("converter", [items[name] for name in CONVERTER], names, converter),
    )


def _verdict(transmission: str, rows: list[ComparedFigure], names: tuple[str, str], remark: str) -> Verdict:
    for_a, for_b = (tuple(reason(r, which) for r in rows if r.better == which) for which in ("a", "b"))
    alike = tuple(r.what for r in rows if r.better == NO_DIFFERENCE)
    must = next(r for r in rows if r.name == MUST[transmission])
    one_only = math.isnan(must.a) != math.isnan(must.b)
    neither = math.isnan(must.a) and math.isnan(must.b)
    if one_only:
        choice = must.better
    elif len(for_a) == len(for_b):
        choice = TASTE if for_a else NO_DIFFERENCE
    else:
        choice = "a" if len(for_a) > len(for_b) else "b"
    return Verdict(
        transmission=transmission,
        choice=choice,
        headline={"a": f"A, {names[0]}", "b": f"B, {names[1]}", TASTE: "as much speaks for one as for the other"}.get(choice, choice),
        for_a=for_a,
        for_b=for_b,
        alike=alike,
        remarks=tuple(
            text
            for text, holds in (
                ("the other does not idle at its own speed there, which nothing outweighs", one_only),
                ("neither idles at its own speed there: raise the idle speed first", neither),
                (brakes_of(must), True),
                (remark, remark),
            )
            if text and holds
        ),
    )


def brakes_of(vacuum: ComparedFigure) -> str:
    """Say which cam leaves a common booster too little vacuum, however the votes went; nothing where neither does or one does not idle."""
    left = [vacuum.quantity(which).to("Pa").magnitude for which in ("a", "b")]
    if not all(map(math.isfinite, left)):
        return ""
    short = [name for name, value in zip("AB", left, strict=True) if too_little(value)]
    if len(short) == 2:
        return "brakes: neither leaves a common booster enough vacuum; plan a pump, reservoir or another brake system first"
    if short:
        return f"brakes: {short[0]} leaves a common booster too little vacuum, which no vote outweighs without a pump, a reservoir or another brake system"
    return ""


def reason(item: ComparedFigure, winner: str) -> str:
    """Word what a row says for the cam it speaks for."""
    loser = "b" if winner == "a" else "a"
    unit = f" {item.unit}" if item.unit else ""
    return f"{item.what}: {item.text(winner)} against {item.text(loser)}{unit}"
