"""The cam card as a record: events at any height, advance, overlap by angle and area."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from camcalc.cam.card import CamCard
from camcalc.errors import InputError
from camcalc.sheet import load_build
from camcalc.sheet.card_reading import read_cam_card


def lobe(duration: float, seat: float = 52.0, lift: str = "12.7 mm") -> dict[str, Any]:
    """An invented lobe."""
    return {"valve_lift": lift, "duration": {"0.050 inch": f"{duration} crank_deg", "0.006 inch": f"{duration + seat} crank_deg"}}


def card_of(intake: float = 224, exhaust: float = 230, separation: float = 112, centreline: float = 108, **more: Any) -> CamCard:
    """An invented card."""
    data = {"lobe_separation": f"{separation} cam_deg", "intake_centreline": f"{centreline} crank_deg", "rocker_ratio": 1.6}
    return read_cam_card(data | {"intake": lobe(intake), "exhaust": lobe(exhaust)} | more)


CARD = card_of()


@pytest.mark.reference("valve_events.csv")
def test_a_card_read_from_the_figures_of_a_worked_set_gives_its_event(row: Any) -> None:
    card = card_of(row.intake_duration, row.exhaust_duration, row.lobe_separation, row.intake_centreline)
    row.check(getattr(card.events(at="0.050 inch"), row.figure).to(row.unit).magnitude)


def test_lobe_separation_is_told_in_cam_degrees_and_advance_in_crank_degrees() -> None:
    assert CARD.lobe_separation.magnitude == pytest.approx(112.0, rel=1e-12)
    assert f"{CARD.lobe_separation.units:~}" == "cam_deg"
    # (116 - 108)/2: not the separation less a centreline, which would mix cam and crank degrees.
    assert CARD.advance.magnitude == pytest.approx(4.0, rel=1e-12)
    assert f"{CARD.advance.units:~}" == "crank_deg"


def test_json_tells_separation_and_advance_too() -> None:
    data = CARD.to_dict()
    assert data["lobe_separation"]["value"] == pytest.approx(112.0, rel=1e-12)
    assert data["advance"]["value"] == pytest.approx(4.0, rel=1e-12)
    assert data["intake"]["checks"][0]["height"]["unit"] == "mm"


def test_events_default_to_the_lowest_height_both_lobes_are_checked_at() -> None:
    events = CARD.events()
    assert events.si.height == pytest.approx(0.006 * 0.0254, rel=1e-9)
    assert events.source == "card"
    assert events.si.intake_duration == pytest.approx(276.0, rel=1e-12)


def test_events_at_a_printed_height_are_the_printed_ones_in_whatever_unit_it_is_asked_for() -> None:
    assert CARD.events(at="1.27 mm") == CARD.events(at="0.050 inch") == CARD.events(at="50 thou")
    assert CARD.events(at="0.050 inch").source == "card"


def test_events_between_printed_heights_come_from_the_lift_curve_and_lie_between() -> None:
    low, between, high = (CARD.events(at=h) for h in ("0.006 inch", "0.5 mm", "0.050 inch"))
    assert between.source == "lift curve"
    for event in ("intake_opens", "intake_closes", "exhaust_opens", "exhaust_closes", "overlap"):
        assert getattr(high.si, event) < getattr(between.si, event) < getattr(low.si, event)


def test_events_at_a_height_at_the_valve_differ_from_those_at_the_tappet_by_the_rocker_ratio() -> None:
    at_valve, at_tappet = CARD.events(at="1.6 mm", measured_at="valve"), CARD.events(at="1.0 mm", measured_at="tappet")
    assert at_valve.si.intake_opens == pytest.approx(at_tappet.si.intake_opens, abs=1e-6)
    assert at_valve.si.exhaust_closes == pytest.approx(at_tappet.si.exhaust_closes, abs=1e-6)


def test_a_height_above_the_nose_is_refused_with_the_lift_there_is() -> None:
    with pytest.raises(InputError, match=r"7\.94 mm"):
        CARD.events(at="9 mm")


@pytest.mark.parametrize("ask", [{"at": 1.27}, {"at": "1.27 kg"}, {"at": "1 inch"}, {"at": "1 mm", "measured_at": "rocker"}])
def test_a_height_that_is_no_height_is_refused(ask: dict[str, Any]) -> None:
    with pytest.raises(InputError):
        CARD.events(**ask)


def test_a_lobe_is_asked_for_by_name() -> None:
    assert CARD.lobe("intake") is CARD.intake
    assert CARD.lobe("exhaust") is CARD.exhaust
    with pytest.raises(InputError, match=r'"intake" or "exhaust"'):
        CARD.lobe("inlet")


def test_advance_opens_and_closes_both_valves_earlier() -> None:
    before, after = (c.events(at="0.050 inch").si for c in (CARD, CARD.advanced("4 crank_deg")))
    assert after.intake_opens - before.intake_opens == pytest.approx(4.0, abs=1e-12)
    assert after.intake_closes - before.intake_closes == pytest.approx(-4.0, abs=1e-12)
    assert after.exhaust_opens - before.exhaust_opens == pytest.approx(4.0, abs=1e-12)
    assert after.exhaust_closes - before.exhaust_closes == pytest.approx(-4.0, abs=1e-12)


def test_advance_takes_cam_degrees_as_twice_as_many_crank_degrees() -> None:
    assert CARD.advanced("2 cam_deg") == CARD.advanced("4 crank_deg")


@pytest.mark.parametrize("by", [4, "4 deg", "40 crank_deg", "4 mm"])
def test_an_advance_that_is_no_crank_angle_or_too_far_is_refused(by: Any) -> None:
    with pytest.raises(InputError):
        CARD.advanced(by)


def test_turning_the_exhaust_later_adds_overlap_and_leaves_the_intake() -> None:
    before, after = (c.events(at="0.050 inch").si for c in (CARD, CARD.with_exhaust_turned("6 crank_deg")))
    assert after.overlap - before.overlap == pytest.approx(6.0, abs=1e-12)
    assert after.intake_opens == before.intake_opens


turns = st.floats(-25.0, 25.0)


def angles_of(card: CamCard) -> list[float]:
    return [v for k in ("intake", "exhaust") for c in card.lobe(k).checks for v in (c.si.opens, c.si.closes)] + [
        v for k in ("intake", "exhaust") for v in (card.lobe(k).si.centreline, card.lobe(k).si.max_lift_at)
    ]


@given(turns)
def test_advance_then_retard_is_identity(by: float) -> None:
    again = CARD.advanced(f"{by!r} crank_deg").advanced(f"{-by!r} crank_deg")
    assert angles_of(again) == pytest.approx(angles_of(CARD), abs=1e-12 * 360)


@given(turns)
def test_advance_shows_in_full_in_the_advance_figure_and_not_in_the_separation(by: float) -> None:
    turned = CARD.advanced(f"{by!r} crank_deg")
    assert turned.advance.magnitude == pytest.approx(4.0 + by, abs=1e-10)
    assert turned.lobe_separation.magnitude == pytest.approx(112.0, abs=1e-10)


@settings(max_examples=15)
@given(turns, st.sampled_from(["0.006 inch", "0.050 inch", "0.5 mm", "2 mm"]))
def test_overlap_does_not_depend_on_advance(by: float, height: str) -> None:
    turned = CARD.advanced(f"{by!r} crank_deg")
    assert turned.events(at=height).si.overlap == pytest.approx(CARD.events(at=height).si.overlap, abs=1e-6)


@settings(max_examples=10)
@given(turns)
def test_the_lift_curve_turns_with_the_cam(by: float) -> None:
    angles = np.linspace(-360.0, 360.0, 181)
    for kind in ("intake", "exhaust"):
        turned = CARD.advanced(f"{by!r} crank_deg").lift_curve(kind).lift(angles - by)
        assert turned == pytest.approx(CARD.lift_curve(kind).lift(angles), abs=1e-9)


# Overlap by area, from its definition.


def areas(card: CamCard) -> tuple[float, float, float]:
    """The integral of the lesser lift over the overlap, its part up to where both lifts meet, and that angle; plain sums, no camcalc integral."""
    angle = np.linspace(-100.0, 100.0, 400_001)
    intake, exhaust = card.lift_curve("intake").lift(angle), card.lift_curve("exhaust").lift(angle)
    least = np.minimum(intake, exhaust)
    meet = int(np.argmax(intake > exhaust))
    step = angle[1] - angle[0]
    return float(least.sum() * step), float(least[:meet].sum() * step), float(angle[meet])


def test_overlap_area_is_the_integral_of_the_lesser_lift(example_path: Path) -> None:
    for card in (load_build(example_path).cam, load_build(example_path).replaced_cam, CARD):
        assert card is not None
        whole, before, meet = areas(card)
        overlap = card.overlap.si
        assert overlap.area == pytest.approx(whole, rel=1e-4)
        assert overlap.intake_area == pytest.approx(before, rel=1e-3)
        assert overlap.exhaust_area == pytest.approx(whole - before, rel=1e-3)
        assert overlap.lifts_meet_at == pytest.approx(meet, abs=1e-3)


def test_overlap_angle_runs_from_seat_to_seat(example_path: Path) -> None:
    card = load_build(example_path).cam
    opens, closes = card.lift_curve("intake").seat_edges()[0], card.lift_curve("exhaust").seat_edges()[1]
    assert card.overlap.si.angle == pytest.approx(closes - opens, abs=1e-9)
    assert card.overlap.si.angle > card.events().si.overlap
    assert card.lift_curve("intake").lift([opens - 0.01, opens])[0:2] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert card.lift_curve("exhaust").lift([closes + 0.01])[0] == pytest.approx(0.0, abs=1e-9)


def test_lifts_at_top_are_those_of_the_curves(example_path: Path) -> None:
    card = load_build(example_path).cam
    assert card.overlap.si.intake_lift_at_top == card.lift_curve("intake").lift(0.0)[0]
    assert card.overlap.si.exhaust_lift_at_top == card.lift_curve("exhaust").lift(0.0)[0]


def test_a_cam_without_overlap_has_none_of_its_area() -> None:
    overlap = card_of(160, 160, 124, 124).overlap
    assert overlap.si.angle < 0.0
    assert (overlap.si.area, overlap.si.intake_area, overlap.si.exhaust_area) == (0.0, 0.0, 0.0)
    assert overlap.to_dict()["lifts_meet_at"]["value"] is None


@settings(max_examples=10)
@given(st.floats(0.5, 15.0))
def test_overlap_area_grows_when_the_exhaust_closes_later(later: float) -> None:
    assert CARD.with_exhaust_turned(f"{later} crank_deg").overlap.si.area > CARD.overlap.si.area
