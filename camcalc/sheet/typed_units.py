"""Which units a sheet was typed in: the outputs' units where the sheet does not say."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from ..errors import InputError
from ..unit_system import UnitSystem
from ..units import parse
from .section_reading import Problems
from .sheet import Assumption
from .trade_words import hint_for_value

__all__ = ["WHY_TYPED", "typed_units", "units_of"]

WHY_TYPED = "as most of the sheet was typed: lifts, bore and stroke, mass, altitude, road speed; used in outputs only"
CHOICES = tuple(system.code for system in UnitSystem)
IMPERIAL = frozenset({"in", "thou", "ft", "mi", "lb", "oz", "slug", "mph"})
METRIC = frozenset({"mm", "cm", "m", "km", "g", "kg", "kph"})


def units_of(data: Mapping[str, Any], problems: Problems) -> tuple[UnitSystem, tuple[Assumption, ...]]:
    """Return the units of a sheet's outputs and what is assumed: nothing where ``[build] units`` says them, else that they are those it was typed in.

    Parameters
    ----------
    data : mapping
        The whole sheet.
    problems : Problems
        Added to.
    """
    head = data.get("build")
    system = typed_units(data)
    if not isinstance(head, Mapping) or "units" not in head:
        return system, (Assumption("[build] units", system.code, WHY_TYPED),)
    if head["units"] in CHOICES:
        return UnitSystem.of(head["units"]), ()
    expected = " or ".join(f'"{choice}"' for choice in CHOICES)
    problems.add(InputError("[build] units", came=repr(head["units"]), expected=expected, fix=hint_for_value(str(head["units"]), CHOICES)))
    return system, ()


def typed_units(data: Mapping[str, Any]) -> UnitSystem:
    """Return the units that most of a sheet was typed in; what is typed in equal parts goes by the road speed's unit, and is metric without one.

    Lifts, bore with stroke and rod, mass, altitude and road speed have one vote each: one cam has four lifts, and a card's inches say little of the car.

    Examples
    --------
    >>> typed_units({"engine": {"bore": "103 mm"}, "vehicle": {"mass": "3500 lb", "road_speed_unit": "mph"}}) is UnitSystem.IMPERIAL
    True
    """
    engine, vehicle, site = (_table(data.get(name)) for name in ("engine", "vehicle", "site"))
    road = vehicle.get("road_speed_unit")
    groups = (
        list(_lifts(data)), [engine.get(key) for key in ("bore", "stroke", "rod_length")], [vehicle.get("mass")], [site.get("altitude")],
        [f"1 {road}" if road else None],
    )  # fmt: skip
    balance = sum(_sign(sum(map(_vote, group))) for group in groups)
    return UnitSystem.IMPERIAL if balance > 0 or (balance == 0 and road == "mph") else UnitSystem.METRIC


def _lifts(data: Mapping[str, Any]) -> Iterable[Any]:
    for cam in ("cam", "replaced_cam"):
        for kind in ("intake", "exhaust"):
            lobe = _table(_table(data.get(cam)).get(kind))
            yield from (lobe.get(key) for key in ("valve_lift", "lobe_lift"))


def _table(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}


def _vote(text: Any) -> int:
    """Return 1 for a figure in inches, feet, pounds or miles, -1 for a metric one, 0 for what is absent or cannot be read."""
    if not isinstance(text, str):
        return 0
    try:
        unit = f"{parse(text).units:~}"
    except InputError:
        return 0
    return (unit in IMPERIAL) - (unit in METRIC)


def _sign(number: int) -> int:
    return (number > 0) - (number < 0)
