"""Reversion on the road in words: in which gears the engine runs rough below which speed, and where exhaust comes back up the intake."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from ..advice.reversion import FASTEST, SLOWEST, GearReversion
from .describing import describe
from .figures import found_rpm, set_rpm

__all__ = ["blown_words", "gear_words", "listed_gears", "reversion_notes", "reversion_words", "rough_words"]

TAKEN_AS_LOCKED = "The converter is taken as locked. With slip the engine runs faster than these speeds."


@describe.register
def gear_words(gear: GearReversion) -> str:
    """Return below which speeds a gear is rough and has reversion.

    Parameters
    ----------
    gear : GearReversion

    Examples
    --------
    >>> gear_words(GearReversion(gear=4, ratio=1.0, unstable_below=30.0, unstable_below_road_speed=14.0, blow_back_below=None,
    ...     blow_back_below_road_speed=None))
    'Gear 4: rough below 1800 rpm; reversion not above its limit down to 600 rpm.'
    """
    if not gear.held:
        return f"Gear {gear.gear}: no answer. The engine holds the car on the level at no speed up to {set_rpm(FASTEST)}."
    rough, blown = gear.si.unstable_below, gear.si.blow_back_below
    first = f"rough below {found_rpm(rough, gear.mark('unstable_below'))}" if math.isfinite(rough) else f"steady down to {set_rpm(SLOWEST)}"
    clear = f"reversion not above its limit down to {set_rpm(SLOWEST)}"
    last = f"reversion below {found_rpm(blown, gear.mark('blow_back_below'))}" if math.isfinite(blown) else clear
    return f"Gear {gear.gear}: {first}; {last}."


def reversion_words(gears: Iterable[GearReversion]) -> str:
    """Return the verdict over all gears and what holds for them, a line each.

    Parameters
    ----------
    gears : iterable of GearReversion

    Examples
    --------
    >>> gear = GearReversion(gear=4, ratio=1.0, unstable_below=30.0, unstable_below_road_speed=14.0, blow_back_below=32.0, blow_back_below_road_speed=15.0)
    >>> reversion_words([gear]).splitlines()[1]
    'Reversion above its limit in gear 4, up to 1920 rpm.'
    """
    gears = tuple(gears)
    return "\n".join([rough_words(gears), blown_words(gears), *reversion_notes(gears)])


def rough_words(gears: Sequence[GearReversion]) -> str:
    """Return in which gears the engine is rough on the level road, and up to which speed.

    Parameters
    ----------
    gears : sequence of GearReversion

    Examples
    --------
    >>> mild = GearReversion(gear=4, ratio=1.0, unstable_below=None, unstable_below_road_speed=None, blow_back_below=None, blow_back_below_road_speed=None)
    >>> rough_words([mild])
    'Steady in every gear on the level road, down to 600 rpm.'
    """
    where = _where(gears, "unstable_below")
    if not where:
        return f"Steady in every gear on the level road, down to {set_rpm(SLOWEST)}."
    return f"Rough on the level road in {where}. Use a lower gear or a higher speed."


def blown_words(gears: Sequence[GearReversion]) -> str:
    """Return in which gears reversion is above its limit on the level road, and up to which speed.

    Parameters
    ----------
    gears : sequence of GearReversion

    Examples
    --------
    >>> gear = GearReversion(gear=4, ratio=1.0, unstable_below=30.0, unstable_below_road_speed=14.0, blow_back_below=32.0, blow_back_below_road_speed=15.0)
    >>> blown_words([gear])
    'Reversion above its limit in gear 4, up to 1920 rpm.'
    """
    where = _where(gears, "blow_back_below")
    return f"Reversion above its limit in {where}." if where else f"Reversion in no gear above its limit, down to {set_rpm(SLOWEST)}."


def _where(gears: Sequence[GearReversion], name: str) -> str:
    """Return the gears in which a speed was found, and the highest of them; nothing without any."""
    bad = {gear.gear: (float(getattr(gear.si, name)), gear.mark(name)) for gear in gears if gear.held and math.isfinite(getattr(gear.si, name))}
    return f"{listed_gears(bad)}, up to {found_rpm(*max(bad.values(), key=lambda found: found[0]))}" if bad else ""


def listed_gears(gears: Iterable[int]) -> str:
    """Return gears as a sentence names them.

    >>> listed_gears([3, 4, 5, 6]), listed_gears([2, 4]), listed_gears([1])
    ('gears 3 to 6', 'gears 2, 4', 'gear 1')
    """
    found = sorted(gears)
    if len(found) > 2 and found == list(range(found[0], found[-1] + 1)):
        return f"gears {found[0]} to {found[-1]}"
    return f"gear{'s' if len(found) > 1 else ''} {', '.join(map(str, found))}"


def reversion_notes(gears: Sequence[GearReversion]) -> list[str]:
    """Return what holds for the gears beside their figures: a converter taken as locked, gears that hold the car nowhere.

    Parameters
    ----------
    gears : sequence of GearReversion

    Examples
    --------
    >>> gear = GearReversion(gear=4, ratio=1.0, unstable_below=30.0, unstable_below_road_speed=14.0, blow_back_below=32.0, blow_back_below_road_speed=15.0)
    >>> reversion_notes([gear]), len(reversion_notes([gear.replace(taken_as_locked=True)]))
    ([], 1)
    """
    notes = [TAKEN_AS_LOCKED] if any(gear.taken_as_locked for gear in gears) else []
    return notes + [gear_words(gear) for gear in gears if not gear.held]
