"""Reading a cam card: any sufficient set of figures, signs, contradictions, lash, measured lobes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from camcalc.cam.card import CamCard
from camcalc.errors import InputError, InputErrors
from camcalc.sheet.card_reading import read_cam_card
from camcalc.units import quantity

HEIGHT = "0.050 inch"


def lobe(**figures: Any) -> dict[str, Any]:
    """An invented lobe with the figures given at 0.050 inch."""
    return {"valve_lift": "12.7 mm"} | {key: {HEIGHT: value} for key, value in figures.items()}


def read(intake: dict[str, Any], exhaust: dict[str, Any], **figures: Any) -> CamCard:
    return read_cam_card({"rocker_ratio": 1.6, "intake": intake, "exhaust": exhaust} | figures)


def angles_of(card: CamCard) -> list[float]:
    lobes = (card.intake, card.exhaust)
    return [v for one in lobes for v in (one.si.centreline, one.si.max_lift_at, *(a for c in one.checks for a in (c.si.opens, c.si.closes)))]


# One cam, 226/232 at 0.050 inch, centrelines 106 and 114, told in every way that is enough.

DURATIONS = lobe(duration="226 crank_deg"), lobe(duration="232 crank_deg")
EVENTS = (
    lobe(opens="7 crank_deg before TDC", closes="39 crank_deg after BDC"),
    lobe(opens="50 crank_deg before BDC", closes="2 crank_deg after TDC"),
)
SUFFICIENT: dict[str, tuple[dict[str, Any], dict[str, Any], dict[str, Any]]] = {
    "two centrelines": (*DURATIONS, {"intake_centreline": "106 crank_deg", "exhaust_centreline": "114 crank_deg"}),
    "separation and intake centreline": (*DURATIONS, {"lobe_separation": "110 cam_deg", "intake_centreline": "106 crank_deg"}),
    "separation in crank degrees by its double": (*DURATIONS, {"lobe_separation": "220 crank_deg", "intake_centreline": "106 crank_deg"}),
    "separation and exhaust centreline": (*DURATIONS, {"lobe_separation": "110 cam_deg", "exhaust_centreline": "114 crank_deg"}),
    "separation and advance": (*DURATIONS, {"lobe_separation": "110 cam_deg", "advance": "4 crank_deg"}),
    "intake centreline and advance": (*DURATIONS, {"intake_centreline": "106 crank_deg", "advance": "4 crank_deg"}),
    "overlap and intake centreline": (*DURATIONS, {"overlap": {HEIGHT: "9 crank_deg"}, "intake_centreline": "106 crank_deg"}),
    "overlap and advance": (*DURATIONS, {"overlap": {HEIGHT: "9 crank_deg"}, "advance": "4 crank_deg"}),
    "four events": (*EVENTS, {}),
    "four events and their durations": (EVENTS[0] | {"duration": {HEIGHT: "226 crank_deg"}}, EVENTS[1] | {"duration": {HEIGHT: "232 crank_deg"}}, {}),
    "intake events and separation": (EVENTS[0], DURATIONS[1], {"lobe_separation": "110 cam_deg"}),
    "one event and the duration of each lobe": (
        lobe(duration="226 crank_deg", opens="7 crank_deg before TDC"),
        lobe(duration="232 crank_deg", closes="2 crank_deg after TDC"),
        {},
    ),
    "events and what they imply": (*EVENTS, {"lobe_separation": "110 cam_deg", "advance": "4 crank_deg", "overlap": {HEIGHT: "9 crank_deg"}}),
}  # fmt: skip


@pytest.mark.parametrize(("intake", "exhaust", "figures"), SUFFICIENT.values(), ids=list(SUFFICIENT))
def test_any_sufficient_set_of_figures_gives_the_same_card(intake: dict[str, Any], exhaust: dict[str, Any], figures: dict[str, Any]) -> None:
    card = read(intake, exhaust, **figures)
    assert angles_of(card) == pytest.approx([106.0, 106.0, -7.0, 219.0, 114.0, -114.0, -230.0, 2.0], abs=1e-10)
    assert card.notes == ()


@pytest.mark.parametrize("figures", [{}, {"lobe_separation": "110 cam_deg"}, {"lobe_separation": "110 cam_deg", "overlap": {HEIGHT: "9 crank_deg"}}])
def test_an_insufficient_set_says_what_would_do(figures: dict[str, Any]) -> None:
    with pytest.raises(InputError) as error:
        read(*DURATIONS, **figures)
    assert "intake_centreline" in error.value.expected
    assert error.value.fix


@pytest.mark.reference("cards_from_events.csv")
def test_a_card_read_from_its_four_events_gives_the_worked_figures(row: Any) -> None:
    card = read(
        lobe(opens=f"{row.intake_opens:g} crank_deg before TDC", closes=f"{row.intake_closes:g} crank_deg after BDC"),
        lobe(opens=f"{row.exhaust_opens:g} crank_deg before BDC", closes=f"{row.exhaust_closes:g} crank_deg after TDC"),
    )
    events = card.events(at=HEIGHT)
    figures = {"intake_centreline": card.intake.centreline, "exhaust_centreline": card.exhaust.centreline, "lobe_separation": card.lobe_separation}
    row.check((figures.get(row.figure) if row.figure in figures else getattr(events, row.figure)).to(row.unit).magnitude)


@settings(max_examples=15)
@given(st.integers(1900, 2600), st.integers(1900, 2600), st.integers(1000, 1180), st.integers(1000, 1200))
def test_events_round_trip_through_durations_and_centrelines(intake: int, exhaust: int, icl: int, ecl: int) -> None:
    figures = {"intake_centreline": f"{icl / 10} crank_deg", "exhaust_centreline": f"{ecl / 10} crank_deg"}
    card = read(lobe(duration=f"{intake / 10} crank_deg"), lobe(duration=f"{exhaust / 10} crank_deg"), **figures)
    events = card.events(at=HEIGHT).si
    again = read(
        lobe(opens=f"{events.intake_opens!r} crank_deg before TDC", closes=f"{events.intake_closes!r} crank_deg after BDC"),
        lobe(opens=f"{events.exhaust_opens!r} crank_deg before BDC", closes=f"{events.exhaust_closes!r} crank_deg after TDC"),
    )
    assert angles_of(again) == pytest.approx(angles_of(card), abs=1e-9)
    assert again.events(at=HEIGHT).si.intake_duration == pytest.approx(intake / 10, abs=1e-9)


# Signs as the trade writes them.


@pytest.mark.parametrize(
    "text",
    ["2 crank_deg after TDC", "-2 crank_deg before TDC", "2 crank_deg ATDC", "2 crank_deg A TDC", "1 cam_deg after top dead centre", "2 crank_deg AFTER TDC"],
)
def test_an_intake_that_opens_after_top_is_negative(text: str) -> None:
    card = read(lobe(opens=text, closes="46 crank_deg after BDC"), DURATIONS[1], lobe_separation="112 cam_deg")
    assert card.events(at=HEIGHT).intake_opens.magnitude == pytest.approx(-2.0, abs=1e-12)
    assert card.intake.centreline.magnitude == pytest.approx(114.0, abs=1e-12)


@pytest.mark.parametrize("text", ["1 crank_deg before TDC", "-1 crank_deg after TDC", "1 crank_deg BTDC"])
def test_an_exhaust_that_closes_before_top_is_negative(text: str) -> None:
    card = read(DURATIONS[0], lobe(opens="51 crank_deg before BDC", closes=text), lobe_separation="112 cam_deg")
    assert card.events(at=HEIGHT).exhaust_closes.magnitude == pytest.approx(-1.0, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("10 crank_deg", "before or after TDC"),
        ("10 crank_deg before BDC", "counted from TDC"),
        ("10 deg before TDC", 'write "10 crank_deg before TDC"'),
        ("10 BTDC", 'write "10 crank_deg before TDC"'),
        ("10", "TDC"),
        (10, "TDC"),
    ],
)
def test_an_event_without_its_dead_centre_or_unit_is_refused(text: Any, told: str) -> None:
    with pytest.raises(InputError, match=told):
        read(lobe(opens=text, closes="46 crank_deg after BDC"), DURATIONS[1], lobe_separation="112 cam_deg")


# Contradictions.


def with_exhaust_centreline(text: str) -> CamCard:
    """A card printed to tenths, whose third figure for the centrelines is the one given; 114.0 would agree."""
    return read(*DURATIONS, intake_centreline="106.0 crank_deg", lobe_separation="110.0 cam_deg", exhaust_centreline=text)


def test_figures_within_one_rounding_pass_without_a_word() -> None:
    assert with_exhaust_centreline("114.2 crank_deg").notes == ()


@pytest.mark.parametrize("text", ["114.3 crank_deg", "114.6 crank_deg", "113.4 crank_deg"])
def test_figures_within_three_roundings_pass_with_a_note_that_has_both_numbers(text: str) -> None:
    (note,) = with_exhaust_centreline(text).notes
    assert "lobe_separation" in note
    assert "110.00 cam_deg" in note
    assert f"{(106.0 + float(text.split()[0])) / 2:.2f} cam_deg" in note


@pytest.mark.parametrize("text", ["114.7 crank_deg", "113.3 crank_deg", "120.0 crank_deg"])
def test_figures_beyond_three_roundings_are_refused_with_both_numbers(text: str) -> None:
    with pytest.raises(InputError) as error:
        with_exhaust_centreline(text)
    assert error.value.key == "[cam] lobe_separation"
    assert "110.00 cam_deg" in error.value.came
    assert f"{(106.0 + float(text.split()[0])) / 2:.2f} cam_deg" in error.value.expected
    assert error.value.fix


@pytest.mark.parametrize(("text", "verdict"), [("116 crank_deg", "agrees"), ("117 crank_deg", "note"), ("118 crank_deg", "error")])
def test_three_crank_degrees_are_the_end_however_coarse_the_print(text: str, verdict: str) -> None:
    figures = {"intake_centreline": "106 crank_deg", "lobe_separation": "110 cam_deg", "exhaust_centreline": text}
    if verdict == "error":
        with pytest.raises(InputError, match="lobe_separation"):
            read(*DURATIONS, **figures)
    else:
        assert len(read(*DURATIONS, **figures).notes) == (verdict == "note")


def test_events_that_contradict_the_duration_are_refused() -> None:
    with pytest.raises(InputError, match=r"intake duration at 0\.050 inch"):
        read(EVENTS[0] | {"duration": {HEIGHT: "234 crank_deg"}}, EVENTS[1])


def test_two_figures_that_contradict_each_other_at_one_height_are_refused() -> None:
    intake = {"valve_lift": "12.7 mm", "duration": {"0.050 inch": "226 crank_deg", "1.27 mm": "240 crank_deg"}}
    with pytest.raises((InputError, InputErrors)):
        read(intake, DURATIONS[1], lobe_separation="110 cam_deg", intake_centreline="106 crank_deg")


def test_opening_and_closing_swapped_are_refused() -> None:
    intake = lobe(opens="39 crank_deg before TDC", closes="7 crank_deg after BDC")
    with pytest.raises((InputError, InputErrors)):
        read(intake, EVENTS[1])


def test_an_overlap_at_a_height_without_durations_is_not_passed_over_in_silence() -> None:
    figures = {"lobe_separation": "110 cam_deg", "intake_centreline": "106 crank_deg", "overlap": {"0.006 inch": "60 crank_deg"}}
    try:
        card = read(*DURATIONS, **figures)
    except (InputError, InputErrors):
        return
    assert any("overlap" in note for note in card.notes)


# Lobes that are not symmetric: midpoints differ between heights.

ASYMMETRIC = {
    "tappet": "solid", "measured_at": "valve", "rocker_ratio": 1.0,
    "intake": {"valve_lift": "10.6 mm", "lash": "0.22 mm",
               "opens": {"0.15 mm": "42 crank_deg before TDC", "1.0 mm": "15 crank_deg before TDC"},
               "closes": {"0.15 mm": "78 crank_deg after BDC", "1.0 mm": "47 crank_deg after BDC"}},
    "exhaust": {"valve_lift": "10.4 mm", "lash": "0.25 mm",
                "opens": {"0.15 mm": "74 crank_deg before BDC", "1.0 mm": "45 crank_deg before BDC"},
                "closes": {"0.15 mm": "30 crank_deg after TDC", "1.0 mm": "11 crank_deg after TDC"}},
}  # fmt: skip


def test_asymmetric_events_are_accepted_and_the_highest_one_gives_the_centreline() -> None:
    card = read_cam_card(ASYMMETRIC)
    assert card.notes == ()
    assert card.intake.centreline.magnitude == pytest.approx(106.0, abs=1e-12)
    assert card.exhaust.centreline.magnitude == pytest.approx(107.0, abs=1e-12)
    assert card.intake.checks[0].middle == pytest.approx(108.0, abs=1e-12)
    assert card.events().overlap.magnitude == pytest.approx(72.0, abs=1e-12)


def test_the_true_overlap_of_asymmetric_lobes_does_not_contradict_the_card() -> None:
    assert read_cam_card(ASYMMETRIC | {"overlap": {"0.15 mm": "72 crank_deg"}}).notes == ()


def test_a_false_overlap_contradicts_the_card_and_is_told_as_it_was_written() -> None:
    with pytest.raises((InputError, InputErrors)) as error:
        read_cam_card(ASYMMETRIC | {"overlap": {"0.15 mm": "85 crank_deg"}})
    assert "overlap" in str(error.value)
    assert "85" in str(error.value)


def test_the_angle_of_maximum_lift_may_differ_from_the_centreline() -> None:
    card = read(DURATIONS[0] | {"max_lift_at": "109 crank_deg"}, DURATIONS[1] | {"max_lift_at": "110 crank_deg"}, **SUFFICIENT["two centrelines"][2])
    assert card.intake.centreline.magnitude == pytest.approx(106.0, abs=1e-12)
    assert card.lift_curve("intake").nose == pytest.approx(109.0, abs=1e-9)
    assert card.lift_curve("exhaust").nose == pytest.approx(-110.0, abs=1e-9)


# Lift, rocker ratio, lash.

CENTRES = {"lobe_separation": "110 cam_deg", "intake_centreline": "106 crank_deg"}
ONE = {"duration": {HEIGHT: "226 crank_deg"}}


def test_lobe_lift_times_rocker_ratio_is_valve_lift() -> None:
    card = read({"lobe_lift": "8 mm", **ONE}, {"lobe_lift": "7 mm", "rocker_ratio": 1.7, **ONE}, **CENTRES)
    assert card.intake.valve_lift.magnitude == pytest.approx(12.8, rel=1e-12)
    assert card.exhaust.valve_lift.magnitude == pytest.approx(11.9, rel=1e-12)


def test_lifts_that_contradict_the_rocker_ratio_are_refused_with_all_three_figures() -> None:
    # 0.05 apart, three roundings of 0.005 + 1.6 * 0.005 are 0.039.
    with pytest.raises(InputError) as error:
        read({"lobe_lift": "8.00 mm", "valve_lift": "12.85 mm", **ONE}, DURATIONS[1], **CENTRES)
    for figure in ("12.850 mm", "8.000 mm", "1.6", "12.800 mm"):
        assert figure in error.value.came


def test_lifts_that_contradict_within_a_slip_of_rounding_leave_a_note() -> None:
    # 8.00 and 12.82 printed to hundredths: 0.02 apart, one rounding is 0.005 + 1.6 * 0.005 = 0.013.
    (note,) = read({"lobe_lift": "8.00 mm", "valve_lift": "12.82 mm", **ONE}, DURATIONS[1], **CENTRES).notes
    assert "valve_lift" in note


def test_a_valve_lift_beyond_any_street_engine_is_refused_however_it_is_given() -> None:
    with pytest.raises((InputError, InputErrors)):
        read({"lobe_lift": "17 mm", "rocker_ratio": 2.5, **ONE}, DURATIONS[1], **CENTRES)


@pytest.mark.parametrize("ratio", ["1.6", 0.5, 3.0, True])
def test_a_rocker_ratio_that_is_no_plain_ratio_is_refused(ratio: Any) -> None:
    with pytest.raises(InputError, match="rocker_ratio"):
        read(*DURATIONS, **CENTRES | {"rocker_ratio": ratio})


SOLID = {"tappet": "solid", **CENTRES}


def test_hot_lash_is_running_lash() -> None:
    card = read(DURATIONS[0] | {"lash": "0.016 inch"}, DURATIONS[1] | {"lash": "0.018 inch", "lash_state": "hot"}, **SOLID)
    assert card.intake.si.lash == pytest.approx(0.016 * 0.0254, rel=1e-12)
    assert card.exhaust.si.lash == pytest.approx(0.018 * 0.0254, rel=1e-12)


def test_cold_lash_grows_by_what_the_card_says() -> None:
    cold = {"lash": "0.20 mm", "lash_state": "cold", "lash_growth": "0.03 mm"}
    assert read(DURATIONS[0] | cold, DURATIONS[1] | cold, **SOLID).intake.si.lash == pytest.approx(0.23e-3, rel=1e-12)


@pytest.mark.parametrize("bad", [{"lash": "16 inch"}, {"lash": "0.2 mm", "lash_state": "warm"}, {"lash": 0.2}])
def test_a_lash_that_makes_no_sense_is_refused(bad: dict[str, Any]) -> None:
    with pytest.raises(InputError, match="lash"):
        read(DURATIONS[0] | bad, DURATIONS[1] | {"lash": "0.2 mm"}, **SOLID)


def test_a_card_takes_quantities_as_it_takes_text() -> None:
    figures = {"lobe_separation": quantity(110.0, "cam_deg"), "intake_centreline": quantity(106.0, "crank_deg")}
    intake = {"valve_lift": quantity(12.7, "mm"), "duration": {HEIGHT: quantity(226.0, "crank_deg")}}
    assert angles_of(read(intake, DURATIONS[1], **figures)) == pytest.approx(angles_of(read(*DURATIONS, **CENTRES)), abs=1e-12)


# Measured lobes.

LIFTS = [(float(a), 8.0 * (1.0 - (a / 150.0) ** 2) ** 4) for a in range(-150, 151, 5)]


def table_text(points: list[tuple[Any, Any]] = LIFTS, header: str = "angle [crank_deg],lift [mm]") -> str:
    return "\n".join([header, *(f"{a},{b}" for a, b in points)]) + "\n"


def with_table(folder: Path, text: str | bytes, **more: Any) -> CamCard:
    """A card whose intake is measured."""
    path = folder / "lobe.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read({"lift_table": str(path)} | more, DURATIONS[1], **CENTRES)


def test_a_measured_lobe_is_turned_so_that_its_middle_stands_at_the_centreline(tmp_path: Path) -> None:
    curve = with_table(tmp_path, table_text()).lift_curve("intake")
    opens, closes = curve.edges(1.27e-3, side="tappet") or (0.0, 0.0)
    assert (opens + closes) / 2.0 == pytest.approx(106.0, abs=1e-6)
    assert curve.nose == pytest.approx(106.0, abs=1e-6)
    assert curve.max_lift == pytest.approx(8e-3 * 1.6, rel=1e-12)


def test_a_measured_lobe_in_cam_degrees_and_inches_is_the_same_lobe(tmp_path: Path) -> None:
    inches = [(a / 2.0, b / 25.4) for a, b in LIFTS]
    other = with_table(tmp_path, table_text(inches, "angle [cam_deg],lift [inch]")).lift_curve("intake")
    curve = with_table(tmp_path, table_text()).lift_curve("intake")
    for angle in (0.0, 60.0, 106.0, 200.0):
        assert other.lift(angle) == pytest.approx(curve.lift(angle), abs=1e-12)


def test_a_printed_duration_that_the_measured_lobe_contradicts_is_refused(tmp_path: Path) -> None:
    curve = with_table(tmp_path, table_text()).lift_curve("intake")
    opens, closes = curve.edges(1.27e-3, side="tappet") or (0.0, 0.0)
    with_table(tmp_path, table_text(), duration={HEIGHT: f"{closes - opens:.1f} crank_deg"})
    with pytest.raises((InputError, InputErrors), match=r"duration|lift_table"):
        with_table(tmp_path, table_text(), duration={HEIGHT: f"{closes - opens + 20:.1f} crank_deg"})


def changed(index: int, lift: Any) -> list[tuple[Any, Any]]:
    points: list[tuple[Any, Any]] = list(LIFTS)
    points[index] = (points[index][0], lift)
    return points


BAD_TABLES: dict[str, tuple[str | bytes, str]] = {
    "not closed at the start": (table_text(LIFTS[8:]), "first lift"),
    "not closed at the end": (table_text(LIFTS[:-8]), "last lift"),
    "no lift at all": (table_text([(a, 0.0) for a, _ in LIFTS]), "lift"),
    "no units": (table_text(header="angle,lift"), "first line"),
    "one column": ("angle [crank_deg]\n1\n2\n", "first line"),
    "plane degrees": (table_text(header="angle [deg],lift [mm]"), "crank_deg"),
    "lift in kilograms": (table_text(header="angle [crank_deg],lift [kg]"), "lift"),
    "lift in the wrong unit": (table_text(header="angle [crank_deg],lift [inch]"), "lift"),
    "text among numbers": (table_text(changed(20, "1.o")), "line 22"),
    "nan among numbers": (table_text(changed(20, "nan")), "line 22"),
    "three columns": (table_text(changed(20, "1.0,2.0")), "line 22"),
    "a dip": (table_text(changed(20, 0.5)), "line 22"),
    "angles that fall": (table_text(LIFTS[::-1]), "angles that rise"),
    "too few points": (table_text(LIFTS[::10]), "at least 12"),
    "empty": ("", "first line"),
    "not text": (b"\xff\xfe\x00", "not readable"),
    "one endless cell": ("angle [crank_deg],lift [mm]\n0," + "1" * 200_000 + "\n", "lobe.csv"),
}


@pytest.mark.parametrize(("text", "told"), BAD_TABLES.values(), ids=list(BAD_TABLES))
def test_a_bad_lift_table_is_told_with_its_file_or_line(text: str | bytes, told: str, tmp_path: Path) -> None:
    with pytest.raises((InputError, InputErrors)) as error:
        with_table(tmp_path, text)
    assert "[cam.intake] lift_table" in str(error.value)
    assert told in str(error.value)
    assert len(str(error.value).splitlines()) < 25


def test_a_lift_table_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="not readable"):
        read({"lift_table": str(tmp_path / "nowhere.csv")}, DURATIONS[1], **CENTRES)
