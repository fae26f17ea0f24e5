"""Valve events: the formulas of the card against sympy, the worked sets, and the trade's signs."""

from __future__ import annotations

from typing import Any

import pytest
import sympy as sp
from hypothesis import given
from hypothesis import strategies as st

from camcalc.cam.events import events_from_angles, intake_opening, overlap_of

HEIGHT = 0.050 * 0.0254
di, de, lsa, icl = sp.symbols("D_i D_e LSA ICL", real=True)


def derived() -> dict[str, sp.Expr]:
    """Events from the definitions alone: midpoints, durations, and what lobe separation and each event mean."""
    io, ic, eo, ec, ecl = sp.symbols("io ic eo ec ecl", real=True)
    # Crank degrees from the top dead centre of the overlap; a lobe separation of one cam degree is two crank degrees.
    found = sp.solve(
        [
            sp.Eq((io + ic) / 2, icl),
            sp.Eq(ic - io, di),
            sp.Eq((eo + ec) / 2, -ecl),
            sp.Eq(ec - eo, de),
            sp.Eq(icl + ecl, 2 * lsa),
        ],
        [io, ic, eo, ec, ecl],
    )
    return {
        "intake_opens": -found[io],
        "intake_closes": found[ic] - 180,
        "exhaust_opens": -180 - found[eo],
        "exhaust_closes": found[ec],
        "overlap": found[ec] - found[io],
    }


DERIVED = derived()


def from_card(intake_duration: float, exhaust_duration: float, lobe_separation: float, intake_centreline: float) -> Any:
    """The code's events from the four figures of a card."""
    exhaust_centreline = 2.0 * lobe_separation - intake_centreline
    intake = intake_centreline - intake_duration / 2, intake_centreline + intake_duration / 2
    exhaust = -exhaust_centreline - exhaust_duration / 2, -exhaust_centreline + exhaust_duration / 2
    return events_from_angles(HEIGHT, "tappet", intake, exhaust, "card")


def test_the_textbook_formulas_follow_from_the_definitions() -> None:
    assert DERIVED["intake_opens"].equals(di / 2 - icl)
    assert DERIVED["intake_closes"].equals(di / 2 + icl - 180)
    assert DERIVED["exhaust_opens"].equals(de / 2 + (2 * lsa - icl) - 180)
    assert DERIVED["exhaust_closes"].equals(de / 2 - (2 * lsa - icl))
    assert DERIVED["overlap"].equals((di + de) / 2 - 2 * lsa)


@given(st.integers(1600, 3400), st.integers(1600, 3400), st.integers(950, 1250), st.integers(950, 1250))
def test_events_agree_with_the_derivation(intake: int, exhaust: int, separation: int, centreline: int) -> None:
    values = {di: sp.Rational(intake, 10), de: sp.Rational(exhaust, 10), lsa: sp.Rational(separation, 10), icl: sp.Rational(centreline, 10)}
    events = from_card(intake / 10, exhaust / 10, separation / 10, centreline / 10)
    for name, formula in DERIVED.items():
        assert getattr(events.si, name) == pytest.approx(float(formula.subs(values)), rel=1e-12, abs=1e-12 * 360)
    assert events.si.intake_duration == pytest.approx(intake / 10, rel=1e-12)
    assert events.si.exhaust_duration == pytest.approx(exhaust / 10, rel=1e-12)


@given(st.integers(1600, 3400), st.integers(1600, 3400), st.integers(950, 1250), st.integers(950, 1250))
def test_the_two_formulas_agree_with_the_derivation(intake: int, exhaust: int, separation: int, centreline: int) -> None:
    values = {di: sp.Rational(intake, 10), de: sp.Rational(exhaust, 10), lsa: sp.Rational(separation, 10), icl: sp.Rational(centreline, 10)}
    opening = intake_opening(f"{intake / 10} crank_deg", centreline=f"{centreline / 10} crank_deg")
    overlap = overlap_of(intake_duration=f"{intake / 10} crank_deg", exhaust_duration=f"{exhaust / 10} crank_deg", lobe_separation=f"{separation / 10} cam_deg")
    assert opening.magnitude == pytest.approx(float(DERIVED["intake_opens"].subs(values)), rel=1e-12, abs=1e-10)
    assert overlap.magnitude == pytest.approx(float(DERIVED["overlap"].subs(values)), rel=1e-12, abs=1e-10)


@pytest.mark.reference("valve_events.csv")
def test_a_worked_set_gives_its_event(row: Any) -> None:
    events = from_card(row.intake_duration, row.exhaust_duration, row.lobe_separation, row.intake_centreline)
    row.check(getattr(events, row.figure).to(row.unit).magnitude)


def test_events_print_with_height_side_and_source() -> None:
    text = str(from_card(226.0, 230.0, 112.0, 108.0))
    for line in ("height            1.27 mm", "intake opens      5 crank_deg", "exhaust closes    -1 crank_deg", "overlap           4 crank_deg"):
        assert line in text


def test_a_cam_degree_and_two_crank_degrees_of_separation_are_the_same() -> None:
    durations = {"intake_duration": "278 crank_deg", "exhaust_duration": "278 crank_deg"}
    assert overlap_of(**durations, lobe_separation="110 cam_deg") == overlap_of(**durations, lobe_separation="220 crank_deg")
