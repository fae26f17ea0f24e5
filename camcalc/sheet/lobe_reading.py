"""One lobe of a cam card: ratio, lash, lift and checked heights, each against the others."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, cast

from ..cam.card import CheckedHeight, Lobe
from ..cam.figures import Centrelines, Disagreement
from ..errors import InputError
from ..units import format_quantity, quantity, to_si
from .card_keys import DIRECT, LASH, LOBE_LIFT, NOSE, RATIO, VALVE_LIFT
from .lift_table import table_middle
from .printed_figures import Height, Printed

if TYPE_CHECKING:
    from .card_context import CardContext

__all__ = ["check_lobe", "read_lobe"]

# Growth of solid lash from cold to hot [m]; ESTIMATE for an iron block with aluminium heads.
COLD_TO_HOT = 0.10e-3


def read_lobe(
    card: CardContext, kind: str, table: Mapping[str, Any], tappet: str, side: Any, heights: list[Height], measured: Any, centre: Centrelines
) -> Lobe:
    """Read one lobe placed by the centrelines; ``measured`` are angles and lifts of a measured one, or None.

    Parameters
    ----------
    card : CardContext
        Takes problems under the card's own keys.
    kind : str
        "intake" or "exhaust".
    table : mapping
        What the card says of the lobe.
    tappet : str
        "hydraulic" or "solid".
    side : str
        "tappet" or "valve", where checking heights are measured.
    heights : list of Height
        What the card gives at each checking height.
    measured : tuple of two lists, or None
        Crank angles [crank deg] and tappet lifts [m].
    centre : Centrelines
        After and before the top dead centre of the overlap [crank deg].
    """
    ratio = _rocker_ratio(card, kind, table, side)
    lash = _lash(card, kind, table, tappet)
    middle = centre.intake if kind == "intake" else -centre.exhaust
    checks = tuple(_check(card, kind, row, side, middle) for row in heights)
    _check_nesting(card, kind, heights, checks)
    nose = middle
    if "max_lift_at" in table:
        nose = float(to_si(table["max_lift_at"], card.key("max_lift_at", kind), NOSE)) * (1.0 if kind == "intake" else -1.0)
    if measured is not None:
        angles, lifts = measured
        by = middle - table_middle(angles, lifts, max((c.si.height for c in checks), default=0.050 * 0.0254), ratio, lash, side)
        measured = (tuple(a + by for a in angles), tuple(lifts))
        lift = max(lifts) * ratio
        nose = measured[0][max(range(len(lifts)), key=lifts.__getitem__)]
    else:
        lift = _lift(card, kind, table, ratio)
    if not checks and measured is None:
        raise InputError(
            f"[{card.name}.{kind}.duration]",
            came="nothing",
            expected="at least one duration with its checking height, or events, or a lift_table",
            fix='add "0.050 inch" = "... crank_deg"',
        )
    for check in checks:
        if measured is None and not check.si.opens < nose < check.si.closes:
            raise InputError(card.key("max_lift_at", kind), came=f"{nose:.1f} crank_deg", expected=f"an angle inside the {kind} opening")
    return Lobe(kind=cast("Any", kind), valve_lift=lift, rocker_ratio=ratio, lash=lash, centreline=abs(middle), max_lift_at=nose, checks=checks, table=measured)


def check_lobe(card: CardContext, kind: str, table: Mapping[str, Any], tappet: str, side: str) -> None:
    """Add what is wrong with ratio, lash and lift, each by itself.

    Parameters
    ----------
    card : CardContext
        Takes problems under the card's own keys.
    kind : str
        "intake" or "exhaust".
    table : mapping
        What the card says of the lobe.
    tappet : str
        "hydraulic" or "solid".
    side : str
        "tappet" or "valve", where checking heights are measured.
    """
    ratio = card.attempt(_rocker_ratio, card, kind, table, side)
    card.attempt(_lash, card, kind, table, tappet)
    if "lift_table" not in table and (ratio is not None or "lobe_lift" not in table):
        card.attempt(_lift, card, kind, table, ratio or 1.0)


def _rocker_ratio(card: CardContext, kind: str, table: Mapping[str, Any], side: str) -> float:
    """Return the ratio of a lobe; without it a figure given at the tappet would be taken for the valve's, which is another cam."""
    for value, where in ((table.get("rocker_ratio"), card.key("rocker_ratio", kind)), (card.data.get("rocker_ratio"), card.key("rocker_ratio"))):
        if value is None:
            continue
        if value == DIRECT:
            return 1.0
        if isinstance(value, bool) or not isinstance(value, int | float) or not RATIO[0] <= value <= RATIO[1]:
            expected = f'a plain ratio from {RATIO[0]:g} to {RATIO[1]:g}, or "{DIRECT}"'
            fix = f'"{DIRECT}" is for a tappet that works on the valve itself'
            number = re.match(r"\s*(\d+([.,]\d+)?)\s*((:|to)\s*1)?\s*$", value) if isinstance(value, str) else None
            if value == "?":
                fix = 'put your figure in place of "?", without quotes'
            elif number is not None:
                fix = f"write rocker_ratio = {number[1].replace(',', '.')}, without quotes"
            raise InputError(where, came=repr(value), expected=expected, fix=fix)
        return float(value)
    given = [what for key, what in (("lobe_lift", "lobe_lift"), ("lift_table", "lift_table")) if key in table]
    if side == "tappet" and any(key in table for key in ("duration", "opens", "closes")):
        given.append('figures checked at the tappet (measured_at = "tappet")')
    if given:
        fix = f'add rocker_ratio = 1.6 (yours) to [{card.name}]; rocker_ratio = "{DIRECT}" if the tappet works on the valve itself'
        if "lobe_lift" not in table and "lift_table" not in table:
            fix += '; measured_at = "valve" if the card checks at the valve'
        raise InputError(card.key("rocker_ratio"), came=f"nothing, with {' and '.join(given)}", expected="what turns tappet lift into valve lift", fix=fix)
    card.assume(card.key("rocker_ratio", kind), "1", "every figure is the valve's; only the ramps below the lowest checked height rest on it")
    return 1.0


def _lash(card: CardContext, kind: str, table: Mapping[str, Any], tappet: str) -> float:
    if tappet == "hydraulic":
        if "lash" in table and float(to_si(table["lash"], card.key("lash", kind), LASH)) > 0.0:
            raise InputError(
                card.key("lash", kind),
                came=str(table["lash"]),
                expected="no lash with hydraulic tappets",
                fix=f'remove it, or say tappet = "solid" in [{card.name}]',
            )
        return 0.0
    if "lash" not in table:
        raise InputError(
            card.key("lash", kind),
            came="nothing",
            expected="running lash at the valve of a solid tappet",
            fix=f'add lash = "0.016 inch" to [{card.name}.{kind}]',
        )
    lash = float(to_si(table["lash"], card.key("lash", kind), LASH))
    state = table.get("lash_state", "hot")
    if state not in ("hot", "cold"):
        raise InputError(card.key("lash_state", kind), came=repr(state), expected='"hot" or "cold"')
    if state == "cold":
        growth = float(to_si(table["lash_growth"], card.key("lash_growth", kind), LASH)) if "lash_growth" in table else COLD_TO_HOT
        if "lash_growth" not in table:
            card.assume(
                card.key("lash_growth", kind),
                format_quantity(quantity(growth, "m", "mm")),
                "ESTIMATE: iron block, aluminium heads; lash grows as the engine warms",
            )
        lash += growth
    return lash


def _lift(card: CardContext, kind: str, table: Mapping[str, Any], ratio: float) -> float:
    valve = card.printed(table["valve_lift"], card.key("valve_lift", kind), VALVE_LIFT) if "valve_lift" in table else None
    lobe = card.printed(table["lobe_lift"], card.key("lobe_lift", kind), LOBE_LIFT) if "lobe_lift" in table else None
    if valve is None and lobe is None:
        raise InputError(
            card.key("valve_lift", kind),
            came="nothing",
            expected="valve_lift (before lash) or lobe_lift",
            fix=f'add valve_lift = "... mm" to [{card.name}.{kind}]',
        )
    if valve is None:
        lift = cast("Printed", lobe).value * ratio
        to_si(quantity(lift, "m"), card.key("lobe_lift", kind) + " times rocker ratio", VALVE_LIFT)
        return lift
    if lobe is not None:
        implied, rounding = lobe.value * ratio, valve.rounding + lobe.rounding * ratio
        gap = abs(valve.value - implied)
        text = f"{valve.value * 1e3:.3f} mm, but lobe lift {lobe.value * 1e3:.3f} mm times rocker ratio {ratio:g} is {implied * 1e3:.3f} mm"
        if gap > 3.0 * rounding:
            raise InputError(card.key("valve_lift", kind), came=text, expected="the two to agree within rounding", fix="check both lifts and the rocker ratio")
        if gap > rounding:
            card.notes.append(f"[{card.name}.{kind}] valve_lift: {text}; within a slip of rounding, valve_lift is used")
    return valve.value


def _check(card: CardContext, kind: str, row: Height, side: Any, middle: float) -> CheckedHeight:
    opens, closes = row.opens, row.closes
    if opens and closes:
        if row.duration:
            gap = Disagreement(
                f'duration."{row.label}"', row.duration.value, closes.value - opens.value, row.duration.rounding + opens.rounding + closes.rounding
            )
            if abs(gap.printed - gap.implied) > gap.rounding + 1e-9:
                card.disagree(f"{kind} duration at {row.label}", gap, "what the events imply")
        pair = opens.value, closes.value
    elif row.duration and (opens or closes):
        pair = (opens.value, opens.value + row.duration.value) if opens else (cast("Printed", closes).value - row.duration.value, cast("Printed", closes).value)
    elif row.duration:
        pair = middle - row.duration.value / 2.0, middle + row.duration.value / 2.0
    else:
        pair = (opens.value, 2.0 * middle - opens.value) if opens else (2.0 * middle - cast("Printed", closes).value, cast("Printed", closes).value)
    if pair[1] - pair[0] < 10.0:
        raise InputError(
            card.key(row.label, kind),
            came=f"opening at {pair[0]:.1f} and closing at {pair[1]:.1f} crank_deg",
            expected="a valve that opens before it closes",
        )
    return CheckedHeight(height=row.height, side=side, opens=pair[0], closes=pair[1])


def _check_nesting(card: CardContext, kind: str, heights: list[Height], checks: tuple[CheckedHeight, ...]) -> None:
    for low, high, a, b in zip(checks, checks[1:], heights, heights[1:], strict=False):
        if high.si.opens <= low.si.opens or high.si.closes >= low.si.closes:
            raise InputError(
                f"[{card.name}.{kind}]",
                came=f"{low.duration:.1f} crank_deg at {a.label}, {high.duration:.1f} crank_deg at {b.label}",
                expected="a valve that opens later and closes earlier the higher it is checked",
                fix="the durations may be swapped between heights",
            )
