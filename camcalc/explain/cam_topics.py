"""What follows from the cam card by geometry alone: overlap, events, effective compression."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import sympy

from ..cam.card import CamCard
from ..cam.events import ValveEvents
from ..engine.geometry import geometry_of
from ..units import quantity
from .worksheet import Explanation, Worksheet

if TYPE_CHECKING:
    from ..sheet import Build
    from ..units import Quantity

__all__ = ["explain_effective_compression", "explain_events", "explain_overlap"]

# Camcalc's seat: where the trade's effective compression and overlap factor are read.
SEAT = "0.15 mm"
PLAIN_ANGLE = sympy.pi / 180


def explain_overlap(build: Build, *, at: Quantity | str | None = None, measured_at: str = "tappet") -> Explanation:
    """Explain how long both valves are open at once: at a checking height (the card's lowest by default) and between the seats."""
    card = build.cam
    events = card.events(at=at, measured_at=measured_at)
    where, origin = _where(events), _origin(events)
    sheet = Worksheet()
    d_in = sheet.given("D_in", f"intake duration at {where}", events.intake_duration, origin)
    d_ex = sheet.given("D_ex", f"exhaust duration at {where}", events.exhaust_duration, origin)
    m_in = sheet.given("M_in", "middle of the intake's opening, ATDC", _middle(events, "intake"), origin)
    m_ex = sheet.given("M_ex", "middle of the exhaust's opening, BTDC", _middle(events, "exhaust"), origin)
    words = "The angle between the two middles. At the cam, which turns half as fast, this is the lobe separation."
    s = sheet.step(words, "S", "separation of the middles", m_in + m_ex, "cam_deg")
    words = "Half of each opening reaches from its middle towards the other one. What the halves have more than the separation is overlap."
    o = sheet.step(words, "O", f"overlap at {where}", (d_in + d_ex) / 2 - s, "crank_deg")
    answers = [o]
    if card.overlap.si.angle > 0.0:
        answers += _seat_overlap(sheet, card)
    return Explanation(
        topic="overlap",
        question="For how many crank degrees are intake and exhaust valve open together, and how wide?",
        build=build.name,
        steps=tuple(sheet.steps),
        answers=sheet.answers(*answers),
        reading=f"{card.name}: duration and lobe separation change overlap. Advance moves both middles together and does not.{_unlike(sheet, s, card)}",
        limits=(
            "An overlap needs its checking height. At 1.27 mm (0.050 inch) a cam may have none, and still have reversion between the seats.",
            "Below the card's lowest height the lift curve is the smoothest lobe through the card's figures, not a measurement.",
            "A hydraulic lifter that bleeds down, or a valve lash other than the card's, moves the seat figures.",
        ),
        try_it="With the lobe separation 4 cam degrees wider and nothing else changed, how much overlap is left? Put it on a copy of the sheet and see.",
        source_keys=("geometry", "lift_joint", "lawson1974"),
        carried_by=("S", "O"),
    )


def _unlike(sheet: Worksheet, separation: Any, card: CamCard) -> str:
    """Say so where the middles at this height are not the card's centrelines."""
    own = float(card.lobe_separation.magnitude)
    if abs(sheet.number(separation, "cam_deg") - own) < 1e-6:
        return ""
    return f" The flanks are unlike. The card's lobe separation, {own:g} cam degrees, holds at the largest checking height. This height has its own middles."


def _seat_overlap(sheet: Worksheet, card: CamCard) -> list[Any]:
    curve = "lift curves through the card's figures"
    opens = sheet.given("A_in", "intake leaves its seat, BTDC", quantity(-card.lift_curve("intake").seat_edges()[0], "crank_deg"), curve)
    shuts = sheet.given("A_ex", "exhaust meets its seat, ATDC", quantity(card.lift_curve("exhaust").seat_edges()[1], "crank_deg"), curve)
    area = sheet.given("F", "lesser of both lifts, added up over the overlap", card.overlap.area, curve)
    o_seat = sheet.step("The same between the seats, where gas begins to pass.", "O_seat", "overlap seat to seat", opens + shuts, "crank_deg")
    words = "An angle alone passes no gas. This is the lift that both valves have on average while both are open."
    h = sheet.step(words, "h", "mean of the lesser lift over the overlap", area / o_seat, "mm")
    return [o_seat, h]


def explain_events(build: Build, *, at: Quantity | str | None = None, measured_at: str = "tappet") -> Explanation:
    """Explain how lobe separation, advance and duration become the four valve events at a checking height."""
    card = build.cam
    events = card.events(at=at, measured_at=measured_at)
    where, origin = _where(events), _origin(events)
    sheet = Worksheet()
    s = sheet.given("S", "lobe separation", card.lobe_separation, "card")
    a = sheet.given("A", "advance: how far the cam is installed early", card.advance, "card")
    d_in = sheet.given("D_in", f"intake duration at {where}", events.intake_duration, origin)
    d_ex = sheet.given("D_ex", f"exhaust duration at {where}", events.exhaust_duration, origin)
    b = sheet.given("B", "from TDC to BDC", quantity(180.0, "crank_deg"), "definition")
    words = "Each lobe is half the separation from TDC. One cam degree is two of the crank. Advance brings the intake nearer."
    icl = sheet.step(words, "C_in", "intake centreline, ATDC", s / 2 - a, "crank_deg")
    ecl = sheet.step("Advance moves the exhaust further away.", "C_ex", "exhaust centreline, BTDC", s / 2 + a, "crank_deg")
    m_in = _middle_step(sheet, icl, 1.0, card.intake.si.centreline, events, "intake")
    m_ex = _middle_step(sheet, ecl, -1.0, card.exhaust.si.centreline, events, "exhaust")
    rows = (
        ("The intake opens half its duration before its middle.", "IVO", "intake opens, BTDC", d_in / 2 - m_in),
        ("The intake closes half its duration after its middle, counted from BDC.", "IVC", "intake closes, ABDC", d_in / 2 + m_in - b),
        ("The exhaust is the same, mirrored at TDC.", "EVO", "exhaust opens, BBDC", d_ex / 2 + m_ex - b),
        ("The exhaust closes half its duration after its middle.", "EVC", "exhaust closes, ATDC", d_ex / 2 - m_ex),
    )
    found = [sheet.step(words, name, meaning, formula, "crank_deg") for words, name, meaning, formula in rows]
    return Explanation(
        topic="events",
        question=f"At which crank angles do the valves pass {where}?",
        build=build.name,
        steps=tuple(sheet.steps),
        answers=sheet.answers(*found),
        reading=f"{card.name}: a negative figure is on the other side of its dead centre.",
        limits=(
            "Advance is half the difference of the centrelines, in crank degrees. Lobe separation less intake centreline mixes cam and crank.",
            "A lobe with unlike flanks has another middle at each height. The centreline is that of the largest checking height.",
            "One height means two angles at the valve and at the tappet: the rocker multiplies lift, and valve lash reduces it.",
        ),
        try_it="Advance the cam by 4 crank degrees. Which two events come earlier by four, which two as well, and what happens to overlap?",
        source_keys=("geometry",),
        carried_by=("C_in", "IVO"),
    )


def explain_effective_compression(build: Build, *, at: Quantity | str = SEAT, measured_at: str = "valve") -> Explanation:
    """Explain the compression that is left when the intake valve has closed, at 0.15 mm valve lift by default."""
    events = build.cam.events(at=at, measured_at=measured_at)
    geometry = geometry_of(build.engine)
    sheet = Worksheet()
    r = sheet.given("r", "compression ratio of the sheet, from BDC", geometry.compression_ratio, "build sheet")
    stroke = sheet.given("s", "stroke", build.engine.stroke, "build sheet")
    rod = sheet.given("L", "rod length", build.engine.rod_length, "build sheet")
    ivc = sheet.given("IVC", f"intake closes at {_where(events)}, ABDC", events.intake_closes, _origin(events))
    b = sheet.given("B", "from TDC to BDC", quantity(180.0, "crank_deg"), "definition")
    turn = sheet.given("u", "one degree of the crank", quantity(1.0, "crank_deg"), "definition")
    words = "The crank angle at closing, counted from TDC, in radians for sine and cosine."
    phi = sheet.step(words, "phi", "crank angle at closing", (b + ivc) / turn * PLAIN_ANGLE, "")
    rod_ratio = sheet.step("The rod over the crank's radius, which is half the stroke.", "l", "rod over crank radius", 2 * rod / stroke, "")
    words = "Piston height from crank and rod, as a share of the stroke: 0 at the top, 1 at the bottom."
    share = sympy.Mul(sympy.Rational(1, 2), 1 - sympy.cos(phi) + rod_ratio - sympy.sqrt(rod_ratio**2 - sympy.sin(phi) ** 2), evaluate=False)
    v = sheet.step(words, "V_f", "share of the swept volume still to be compressed", share, "")
    left = sheet.step("That share of the stroke is left to compress with.", "s_eff", "stroke left", v * stroke, "mm")
    words = "The swept volume is r - 1 clearance volumes. Add the share that is left to the clearance itself, and divide by the clearance."
    r_eff = sheet.step(words, "r_eff", "effective compression ratio", 1 + (r - 1) * v, "")
    return Explanation(
        topic="effective compression",
        question="The piston rises for a while with the intake valve open. From where does it compress?",
        build=build.name,
        steps=tuple(sheet.steps),
        answers=sheet.answers(r_eff, left),
        reading="A later closing lowers cranking pressure and low-speed torque. More compression ratio or an earlier closing restores some.",
        limits=(
            "An effective ratio needs its checking height: the lift at which a valve counts as closed is a choice.",
            "At high speed the charge still flows in after BDC, and pressure at closing is above MAP. This geometry does not show it.",
            "The piston pin counts as centred. A pin off the bore's centre moves the piston a little.",
        ),
        try_it="Retard the cam by 4 crank degrees (later closing by four): by how much does the effective ratio fall?",
        source_keys=("geometry",),
        carried_by=("r_eff",),
    )


def _where(events: ValveEvents) -> str:
    return f"{events.si.height * 1e3:.3g} mm {events.measured_at} lift"


def _origin(events: ValveEvents) -> str:
    return "card" if events.source == "card" else "lift curve through the card's figures"


def _middle(events: ValveEvents, kind: str) -> Quantity:
    """Return the middle of an opening, counted to the side of top dead centre where it lies."""
    half, edge = (events.si.intake_duration, events.si.intake_opens) if kind == "intake" else (events.si.exhaust_duration, events.si.exhaust_closes)
    return quantity(half / 2.0 - edge, "crank_deg")


def _middle_step(sheet: Worksheet, centreline: Any, sign: float, known: float, events: ValveEvents, kind: str) -> Any:
    """Return the middle of an opening at the height asked for: the centreline itself, but for lobes with unlike flanks."""
    off = float(_middle(events, kind).magnitude) - known
    if abs(off) < 1e-9:
        return centreline
    name = "in" if kind == "intake" else "ex"
    side = "later" if sign > 0.0 else "earlier"
    shift = sheet.given(f"x_{name}", f"the {kind}'s middle at this height is {side} than its centreline by", quantity(off, "crank_deg"), _origin(events))
    words = f"The {kind} lobe is not symmetric: at this height its middle is not its centreline."
    return sheet.step(words, f"M_{name}", f"middle of the {kind}'s opening at this height", centreline + shift, "crank_deg")
