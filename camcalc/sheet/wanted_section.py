"""``[wanted]``: the manners that a cam must leave, and how a sheet may write them."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from typing import Any

from ..errors import InputError
from ..results import Measure, measure
from .section import Section, plain

__all__ = ["Wanted", "spelt_out"]

# What a sheet writes as one line, and the keys that it is spelt out to.
INLINE = {
    "lowest_usable": {"gear": "lowest_usable_gear", "speed": "lowest_usable_speed"},
    "keep_filling": {"speed": "keep_filling_speed", "share": "keep_filling_share"},
}
COMPRESSION = "effective_compression"
COMPRESSIONS = ("effective_compression_least", "effective_compression_most")
# A driver pulls away above the lowest, and the engine's idle search ends below it [rev/s].
ROAD_SPEEDS = 600.0 / 60.0, 4000.0 / 60.0


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Wanted(Section):
    """What a cam must leave of a car's manners; every key is optional, and what is left out is not asked for."""

    idle_speed: Measure = measure("crank_rps", "rpm", low=350 / 60, high=2000 / 60, default="nan", doc="the idle speed at most; the engine must idle on it")
    idle_vacuum: Measure = measure(
        "Pa", "inHg", low=1e4, high=9e4, default="nan", doc="manifold vacuum at that idle at least, accessories off; in drive where there is a converter"
    )
    missed_cycles_at_idle: Measure = measure(
        "", "percent", low=0.01, high=0.2, default="nan", doc="share of cycles that may miss on the idle spark; camcalc sets that spark for 1 percent"
    )
    lowest_usable_gear: float = plain(
        int, low=1, high=12, default="nan", doc="gear that must be usable, counted from 1; or lowest_usable = { gear = 4, speed = ... }"
    )
    lowest_usable_speed: Measure = measure(
        "crank_rps", "rpm", low=ROAD_SPEEDS[0], high=ROAD_SPEEDS[1], default="nan", doc="crank speed from which that gear must be usable on the level road"
    )
    effective_compression_least: float = plain(
        float, low=4.0, high=16.0, default="nan", doc='effective compression at least, counted from intake closing; or effective_compression = ["7.5", "8.7"]'
    )
    effective_compression_most: float = plain(float, low=4.0, high=16.0, default="nan", doc="effective compression at most")
    keep_filling_speed: Measure = measure(
        "crank_rps", "rpm", low=ROAD_SPEEDS[0], high=7000 / 60, default="nan", doc="crank speed at which filling at full load must be kept, tuned lengths apart"
    )
    keep_filling_share: float = plain(
        float, low=0.5, high=1.2, default="nan", doc="trapped air there over that with the cam the car has now; or keep_filling = { speed = ..., share = 0.95 }"
    )
    sure: Measure = measure(
        "", "percent", low=0.05, high=0.99, default="nan", doc="probability that all wants are kept; 80 percent when left out (convention: four cars in five)"
    )

    @property
    def asked(self) -> bool:
        """Whether anything is wanted."""
        return any(not math.isnan(getattr(self.si, name) if name in self.measures() else getattr(self, name)) for name in self.inputs() if name != "sure")


def spelt_out(table: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a sheet says under ``[wanted]`` with its one-line forms spelt out key by key.

    Parameters
    ----------
    table : mapping
        As the sheet has it.

    Raises
    ------
    InputError
        If a one-line form is none.

    Examples
    --------
    >>> spelt_out({"lowest_usable": {"gear": 4, "speed": "1400 rpm"}, "effective_compression": ["7.5", "8.7"]})
    {'lowest_usable_gear': 4, 'lowest_usable_speed': '1400 rpm', 'effective_compression_least': 7.5, 'effective_compression_most': 8.7}
    """
    found: dict[str, Any] = {}
    for key, value in table.items():
        if key in INLINE:
            own = _parts(key, value)
        elif key == COMPRESSION:
            own = dict(zip(COMPRESSIONS, _pair(value), strict=True))
        else:
            own = {key: value}
        twice = [name for name in own if name in found]
        if twice:
            raise InputError(f"[wanted] {twice[0]}", came="twice, in two forms", expected="once", fix="keep one of the two forms")
        found |= own
    return found


def _parts(key: str, value: Any) -> dict[str, Any]:
    names = INLINE[key]
    if not isinstance(value, Mapping) or set(value) != set(names):
        form = "{ " + ", ".join(f"{name} = ..." for name in names) + " }"
        raise InputError(f"[wanted] {key}", came=str(value), expected=" and ".join(names), fix=f"write {key} = {form}")
    return {names[name]: part for name, part in value.items()}


def _pair(value: Any) -> list[float]:
    fix = f'write {COMPRESSION} = ["7.5", "8.7"]'
    if isinstance(value, str) or not isinstance(value, Sequence) or len(value) != 2:
        raise InputError(f"[wanted] {COMPRESSION}", came=str(value), expected="the least and the most", fix=fix)
    try:
        least, most = (float(one) for one in value)
    except (TypeError, ValueError):
        raise InputError(f"[wanted] {COMPRESSION}", came=str(value), expected="two plain ratios", fix=fix) from None
    if not least < most:
        raise InputError(f"[wanted] {COMPRESSION}", came=f"{least:g} to {most:g}", expected="the least first", fix=f'write ["{most:g}", "{least:g}"]')
    return [least, most]
