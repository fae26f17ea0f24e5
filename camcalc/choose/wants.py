"""What a cam must leave: each want as limits on figures, and how far a figure is from its limit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from ..codes import Code
from ..errors import InputError
from ..sheet.reading import Problems, read_section, read_toml
from ..sheet.sections import Wanted
from ..sheet.wanted_section import spelt_out

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["SURE", "Demand", "Figure", "Want", "Wants", "read_wanted", "wants_of"]

# How sure one wants to be where the sheet does not say: four cars in five; convention.
SURE = 0.8


class Want(Code):
    """A want, by its key in ``[wanted]``."""

    IDLE_SPEED = "idle speed, at most"
    IDLE_VACUUM = "idle vacuum, at least"
    MISSED_CYCLES_AT_IDLE = "missed cycles at idle, at most"
    LOWEST_USABLE = "lowest usable speed in a gear, at most"
    EFFECTIVE_COMPRESSION_LEAST = "effective compression, at least"
    EFFECTIVE_COMPRESSION_MOST = "effective compression, at most"
    KEEP_FILLING = "filling at full load, share of the present cam's, at least"


class Figure(Code):
    """What is asked of a card to judge the wants, each in a measure that runs nearly straight over duration.

    ``ROUGHNESS`` is the logarithm of COV of IMEP on the road over the sheet's limit; ``SPARK_LEFT`` is how far the idle spark is from the latest
    that is searched, below zero where more cycles miss than may even there.
    """

    VACUUM = "manifold vacuum at idle, Pa"
    SPARK_LEFT = "idle spark before the latest searched, deg"
    ROUGHNESS = "COV of IMEP on the road over its limit, logarithm"
    FILLING = "trapped air at full load over the present cam's"
    COMPRESSION = "effective compression"


class Demand(NamedTuple):
    """A want as one limit on one figure: kept where ``sign`` times (figure less limit) is zero or more."""

    want: Want
    figure: Figure
    sign: float
    limit: float

    def margin(self, value: float) -> float:
        """Return how far a figure is on the good side of the limit, in the figure's own measure; not-a-number where there is none."""
        return self.sign * (value - self.limit)


class Wants(NamedTuple):
    """All that is wanted of a build's cam: limits, where the engine is asked [rev/s], and how sure to be.

    ``gear`` counts from 1 and is 0 where no gear is asked about; speeds are not-a-number where they are not asked about.
    """

    demands: tuple[Demand, ...]
    idle_speed: float
    in_drive: bool
    gear: int
    road_speed: float
    filling_speed: float
    most_missed: float
    sure: float
    wanted: Wanted

    @property
    def figures(self) -> tuple[Figure, ...]:
        """The figures that cycles are run for, each once."""
        return tuple(dict.fromkeys(d.figure for d in self.demands if d.figure is not Figure.COMPRESSION))

    @property
    def idles(self) -> bool:
        """Whether the idle is asked for."""
        return Figure.VACUUM in self.figures or Figure.SPARK_LEFT in self.figures

    def tighter(self, want: Want, by: float) -> Wants:
        """Return the same with one want's limit moved to the hard side, by so much of its figure's measure."""
        moved = tuple(d._replace(limit=d.limit + d.sign * by) if d.want is want else d for d in self.demands)
        return self._replace(demands=moved)

    def without(self, *dropped: Want) -> Wants:
        """Return the same without some wants."""
        return self._replace(demands=tuple(d for d in self.demands if d.want not in dropped))


def read_wanted(path: str | Path) -> Wanted:
    """Read wants from a file of their own, with ``[wanted]`` as in a sheet, or its keys alone.

    Parameters
    ----------
    path : str or Path
        A TOML file.

    Raises
    ------
    InputError, InputErrors
        With file, key, what came, what was expected, and how to correct it.
    """
    path = Path(path)
    data = read_toml(path)
    inner = data.get("wanted", data)
    if not isinstance(inner, Mapping) or ("wanted" in data and len(data) > 1):
        came = ", ".join(f"[{key}]" for key in data if key != "wanted") or "no section"
        raise InputError("[wanted]", came=came, expected="[wanted] and nothing beside it", fix="put the keys of the wants under [wanted]").in_file(str(path))
    problems = Problems()
    try:
        table = spelt_out(inner)
    except InputError as error:
        raise error.in_file(str(path)) from None
    found = read_section("wanted", Wanted, table, problems, [])
    problems.raise_any(str(path))
    assert found is not None
    return found


def wants_of(build: Build, wanted: Wanted | None = None) -> Wants:
    """Return what is wanted of a build's cam as limits on figures.

    Parameters
    ----------
    build : Build
    wanted : Wanted
        The sheet's own when left out.

    Raises
    ------
    InputError
        If nothing is wanted, half a want is given, there is no such gear, or two limits leave nothing between them.

    Examples
    --------
    >>> from camcalc import load_build
    >>> build = load_build("examples/quarry-road/build.toml")
    >>> asked = build.wanted.replace(idle_vacuum="12 inHg", lowest_usable_gear=4, lowest_usable_speed="1400 rpm")
    >>> [demand.want.code for demand in wants_of(build, asked).demands]
    ['idle_vacuum', 'lowest_usable']
    """
    wanted = build.wanted if wanted is None else wanted
    if not wanted.asked:
        fix = 'add a line under [wanted], e.g. idle_vacuum = "12 inHg", or give --wanted FILE'
        raise InputError("[wanted]", came="nothing", expected="at least one thing that the cam must leave", fix=fix)
    si = wanted.si
    gear = _gear(build, wanted)
    share = wanted.keep_filling_share
    _both(("keep_filling_speed", si.keep_filling_speed), ("keep_filling_share", share))
    least, most = wanted.effective_compression_least, wanted.effective_compression_most
    if least > most:
        raise InputError("[wanted] effective_compression_least", came=f"{least:g}", expected=f"less than the most wanted, {most:g}", fix="turn the two about")
    # The engine must carry itself: some vacuum is left.
    asked = (
        Demand(Want.IDLE_SPEED, Figure.VACUUM, 1.0, 0.0 if not math.isnan(si.idle_speed) else math.nan),
        Demand(Want.IDLE_VACUUM, Figure.VACUUM, 1.0, si.idle_vacuum),
        Demand(Want.MISSED_CYCLES_AT_IDLE, Figure.SPARK_LEFT, 1.0, 0.0 if not math.isnan(si.missed_cycles_at_idle) else math.nan),
        Demand(Want.LOWEST_USABLE, Figure.ROUGHNESS, -1.0, 0.0 if gear else math.nan),
        Demand(Want.EFFECTIVE_COMPRESSION_LEAST, Figure.COMPRESSION, 1.0, least),
        Demand(Want.EFFECTIVE_COMPRESSION_MOST, Figure.COMPRESSION, -1.0, most),
        Demand(Want.KEEP_FILLING, Figure.FILLING, 1.0, share),
    )
    return Wants(
        demands=tuple(d for d in asked if not math.isnan(d.limit)),
        idle_speed=build.idle.si.speed if math.isnan(si.idle_speed) else si.idle_speed,
        in_drive=build.vehicle.transmission == "converter",
        gear=gear,
        road_speed=si.lowest_usable_speed,
        filling_speed=si.keep_filling_speed,
        most_missed=0.01 if math.isnan(si.missed_cycles_at_idle) else si.missed_cycles_at_idle,
        sure=SURE if math.isnan(si.sure) else si.sure,
        wanted=wanted,
    )


def _gear(build: Build, wanted: Wanted) -> int:
    """Return the gear asked about, counted from 1; 0 for none."""
    gear = wanted.lowest_usable_gear
    _both(("lowest_usable_gear", gear), ("lowest_usable_speed", wanted.si.lowest_usable_speed))
    if math.isnan(gear):
        return 0
    count = len(build.vehicle.gear_ratios)
    if gear > count:
        raise InputError("[wanted] lowest_usable", came=f"gear {gear:.0f}", expected=f"1 to {count}", fix="count gears from 1 as in [vehicle] gear_ratios")
    return int(gear)


def _both(*pair: tuple[str, float]) -> None:
    """Refuse one figure of a want without the other."""
    given = [name for name, value in pair if not math.isnan(value)]
    if len(given) == 1:
        other = next(name for name, value in pair if math.isnan(value))
        raise InputError(f"[wanted] {given[0]}", came=f"nothing for {other}", expected="both", fix=f"add {other} to [wanted]")
