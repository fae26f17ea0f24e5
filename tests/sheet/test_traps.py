"""Slips of a sheet that would have made another engine without a word: each is refused, or read with both readings named."""

from __future__ import annotations

import logging
import math
from pathlib import Path
from typing import Any

import pytest
import tomli_w

from camcalc.cam.card import CamCard
from camcalc.errors import CamcalcError, InputError, InputErrors
from camcalc.sheet import Build, load_build, read_build, save_build
from camcalc.sheet.card_reading import read_cam_card
from camcalc.sheet.sections import STALL_TORQUE_PER_DISPLACEMENT

HEIGHT = "0.050 inch"


@pytest.fixture
def sheet(sheet: dict[str, Any]) -> dict[str, Any]:
    """The tests' own sheet with a cylinder of 0.738 litres, whatever else it has."""
    sheet["engine"] |= {"cylinders": 8, "bore": "100 mm", "stroke": "94 mm"}
    return sheet


def refused(sheet: dict[str, Any]) -> InputError:
    """The first error a sheet is refused with."""
    with pytest.raises(CamcalcError) as caught:
        read_build(sheet)
    return caught.value.problems[0] if isinstance(caught.value, InputErrors) else caught.value  # type: ignore[return-value]


def assumed(build: Build) -> dict[str, tuple[str, str]]:
    return {a.key: (a.value, a.why) for a in build.assumed}


# Rocker ratio.


def lobe(duration: str = "224 crank_deg", seat: str = "276 crank_deg") -> dict[str, Any]:
    return {"valve_lift": "12.7 mm", "duration": {HEIGHT: duration, "0.006 inch": seat}}


PLACED = {"lobe_separation": "110 cam_deg", "intake_centreline": "106 crank_deg"}


def test_a_card_checked_at_the_tappet_needs_its_rocker_ratio() -> None:
    with pytest.raises(InputError) as error:
        read_cam_card({**PLACED, "intake": lobe(), "exhaust": lobe()})
    assert error.value.key == "[cam] rocker_ratio"
    assert "tappet" in error.value.came
    for choice in ("rocker_ratio = 1.6", 'rocker_ratio = "direct"', 'measured_at = "valve"'):
        assert choice in error.value.fix


def test_a_lobe_lift_needs_its_rocker_ratio_even_where_heights_are_the_valve_s() -> None:
    one = {"lobe_lift": "8 mm", "duration": {"1.0 mm": "240 crank_deg"}}
    with pytest.raises(InputError, match="rocker_ratio") as error:
        read_cam_card({**PLACED, "measured_at": "valve", "intake": one, "exhaust": one})
    assert "lobe_lift" in error.value.came
    assert "measured_at" not in error.value.fix


def test_a_measured_lobe_needs_its_rocker_ratio(tmp_path: Path) -> None:
    rows = "\n".join(f"{a},{8.0 * (1.0 - (a / 150.0) ** 2) ** 4:.5f}" for a in range(-150, 151, 5))
    path = tmp_path / "lobe.csv"
    path.write_text(f"angle [crank_deg],lift [mm]\n{rows}\n", encoding="utf-8")
    one = {"lift_table": str(path)}
    with pytest.raises(InputError, match="lift_table"):
        read_cam_card({**PLACED, "intake": one, "exhaust": one})


def test_a_tappet_on_the_valve_says_so_and_has_no_lever() -> None:
    card = read_cam_card({**PLACED, "rocker_ratio": "direct", "intake": lobe(), "exhaust": lobe()})
    assert (card.intake.rocker_ratio, card.exhaust.rocker_ratio) == (1.0, 1.0)


def test_a_card_that_is_the_valve_s_throughout_needs_no_ratio_and_lists_what_rests_on_it(sheet: dict[str, Any]) -> None:
    one = {"valve_lift": "10 mm", "duration": {"0.15 mm": "280 crank_deg", "1.0 mm": "236 crank_deg"}}
    sheet["cam"] = {**PLACED, "measured_at": "valve", "intake": one, "exhaust": one}
    value, why = assumed(read_build(sheet))["[cam.intake] rocker_ratio"]
    assert value == "1"
    assert "ramps" in why


def test_a_ratio_asked_for_once_covers_both_lobes(sheet: dict[str, Any]) -> None:
    del sheet["cam"]["rocker_ratio"]
    with pytest.raises(InputError) as error:
        read_build(sheet)
    assert error.value.key == "[cam] rocker_ratio"


# Octane.


@pytest.mark.parametrize("value", [98, 98.0, "98", " 98 "])
def test_a_bare_octane_number_is_refused_with_both_readings(value: Any, sheet: dict[str, Any]) -> None:
    sheet["fuel"]["octane"] = value
    error = refused(sheet)
    assert error.key == "[fuel] octane"
    for words in ('"98 RON"', '"98 AKI"', "103 RON"):
        assert words in error.fix


@pytest.mark.parametrize("value", ["premium", "98 ROZ", True, "98 RON 2", [98]])
def test_what_is_no_octane_number_is_refused_with_the_scales(value: Any, sheet: dict[str, Any]) -> None:
    sheet["fuel"]["octane"] = value
    for scale in ("98 RON", "93 AKI", "88 MON"):
        assert scale in refused(sheet).expected


@pytest.mark.parametrize(
    ("octane", "kind", "research"),
    [
        ("98 RON", "gasoline", 98.0),
        ("98ron", "E10", 98.0),
        ("93 AKI", "gasoline", 98.0),
        ("93 (R+M)/2", "gasoline", 98.0),
        ("88 MON", "gasoline", 98.0),
        ("91.5 aki", "E10", 96.5),
        ("98 AKI", "E85", 106.0),
    ],
)
def test_octane_is_kept_on_the_research_scale(octane: str, kind: str, research: float, sheet: dict[str, Any]) -> None:
    sheet["fuel"] |= {"octane": octane, "kind": kind}
    assert read_build(sheet).fuel.octane.to("RON").magnitude == pytest.approx(research, abs=1e-12)


def test_the_sensitivity_is_listed_with_its_band_when_it_was_used(sheet: dict[str, Any]) -> None:
    assert "[fuel] octane_sensitivity" not in assumed(read_build(sheet))
    sheet["fuel"]["octane"] = "93 AKI"
    value, why = assumed(read_build(sheet))["[fuel] octane_sensitivity"]
    assert value == "10"
    for words in ("ESTIMATE", "8 to 12", "93 AKI is read as 98 RON (97 to 99)"):
        assert words in why


def test_a_stated_sensitivity_is_used_and_not_assumed(sheet: dict[str, Any]) -> None:
    sheet["fuel"] |= {"octane": "93 AKI", "octane_sensitivity": 8.0}
    build = read_build(sheet)
    assert build.fuel.si.octane == pytest.approx(97.0)
    assert "[fuel] octane_sensitivity" not in assumed(build)


def test_octane_varied_by_a_number_or_in_words_is_still_research_octane(sheet: dict[str, Any]) -> None:
    sheet["fuel"]["octane"] = "93 AKI"
    fuel = read_build(sheet).fuel
    assert [fuel.replace(octane=o).si.octane for o in (91.0, "91 RON", "86 AKI")] == [91.0, 91.0, 91.0]
    # Another change reads the sheet's own words again.
    assert fuel.replace(kind="E10").si.octane == 98.0


@pytest.mark.parametrize("octane", ["93 AKI", "88 MON", "98 RON"])
def test_a_sheet_keeps_its_own_octane_scale_when_saved(octane: str, sheet: dict[str, Any], tmp_path: Path) -> None:
    sheet["fuel"]["octane"] = octane
    build = read_build(sheet)
    path = save_build(build, tmp_path / "again.toml")
    assert f'octane = "{octane}"' in path.read_text(encoding="utf-8")
    assert load_build(path).fuel == build.fuel


# Lobe separation and intake centreline swapped.


def swapped(**more: Any) -> CamCard:
    """A 112/108 card written as 108/112."""
    data = {"lobe_separation": "108 cam_deg", "intake_centreline": "112 crank_deg", "rocker_ratio": 1.6}
    return read_cam_card(data | {"intake": lobe(), "exhaust": lobe()} | more)


def test_a_late_cam_by_two_figures_alone_is_read_as_written_with_the_other_reading_named() -> None:
    card = swapped()
    assert card.advance.magnitude == pytest.approx(-4.0)
    (note,) = card.notes
    for words in ("installed 4 crank_deg late", 'lobe_separation = "112 cam_deg"', 'intake_centreline = "108 crank_deg"', "8 crank_deg less overlap"):
        assert words in note
    # What the other reading says is true of it.
    other = swapped(lobe_separation="112 cam_deg", intake_centreline="108 crank_deg")
    assert other.notes == ()
    assert card.events(at=HEIGHT).si.overlap - other.events(at=HEIGHT).si.overlap == pytest.approx(8.0)


@pytest.mark.parametrize(
    "more",
    [
        {"advance": "4 crank_deg"},
        {"exhaust_centreline": "116 crank_deg"},
        {"overlap": {HEIGHT: "0 crank_deg"}},
        {"intake": lobe() | {"opens": {HEIGHT: "4 crank_deg before TDC"}, "closes": {HEIGHT: "40 crank_deg after BDC"}}},
    ],
    ids=["advance", "exhaust centreline", "overlap", "events"],
)
def test_a_swapped_pair_that_the_rest_of_the_card_contradicts_is_refused_with_what_to_type(more: dict[str, Any]) -> None:
    with pytest.raises(InputError) as error:
        swapped(**more)
    assert "swapped" in error.value.expected
    assert error.value.fix == 'type lobe_separation = "112 cam_deg", intake_centreline = "108 crank_deg"'
    corrected = {"lobe_separation": "112 cam_deg", "intake_centreline": "108 crank_deg"}
    assert swapped(**more | corrected).advance.magnitude == pytest.approx(4.0)


@pytest.mark.parametrize("more", [{"advance": "-4 crank_deg"}, {"exhaust_centreline": "104 crank_deg"}, {"overlap": {HEIGHT: "8 crank_deg"}}])
def test_a_late_cam_that_the_card_confirms_is_no_doubt(more: dict[str, Any]) -> None:
    assert swapped(**more).notes == ()


def test_a_contradiction_that_swapping_does_not_mend_is_told_as_before() -> None:
    with pytest.raises((InputError, InputErrors)) as error:
        swapped(advance="12 crank_deg")
    assert "swapped" not in str(error.value)


def test_an_early_or_straight_cam_is_no_doubt() -> None:
    for centreline in ("104 crank_deg", "108 crank_deg"):
        assert swapped(intake_centreline=centreline).notes == ()


# An advertised duration at 0.050 inch.


def one_height(duration: float, height: str = HEIGHT, tappet: str = "hydraulic") -> CamCard:
    one = {"valve_lift": "12.7 mm", "duration": {height: f"{duration:g} crank_deg"}} | ({"lash": "0.4 mm"} if tappet == "solid" else {})
    return read_cam_card({**PLACED, "rocker_ratio": 1.6, "tappet": tappet, "intake": one, "exhaust": one})


@pytest.mark.parametrize(("duration", "tappet"), [(276.0, "hydraulic"), (290.0, "hydraulic"), (290.0, "solid")])
def test_an_advertised_duration_at_0_050_inch_is_refused_with_what_it_would_be(duration: float, tappet: str) -> None:
    with pytest.raises((InputError, InputErrors)) as caught:
        one_height(duration, tappet=tappet)
    error = caught.value.problems[0] if isinstance(caught.value, InputErrors) else caught.value
    assert error.key == '[cam.intake] duration."0.050 inch"'
    assert f"{duration + (52 if tappet == 'hydraulic' else 38):.0f} crank_deg at 0.006 inch" in error.expected
    assert f'"0.006 inch" = "{duration:g} crank_deg"' in error.fix


def test_a_duration_between_long_and_advertised_is_read_as_written_with_the_other_reading_named() -> None:
    notes = one_height(256.0).notes
    assert len(notes) == 2
    assert all("308 crank_deg at 0.006 inch" in note and '"0.006 inch" = "256 crank_deg"' in note for note in notes)


def test_an_ordinary_duration_or_one_beside_its_advertised_one_is_no_doubt() -> None:
    assert one_height(230.0).notes == ()
    assert one_height(280.0, "0.006 inch").notes == ()
    both = lobe("262 crank_deg", "314 crank_deg")
    assert read_cam_card({**PLACED, "rocker_ratio": 1.6, "intake": both, "exhaust": both}).notes == ()


@pytest.mark.parametrize(("flank", "seat"), [("262 crank_deg", "276 crank_deg"), ("150 crank_deg", "292 crank_deg")])
def test_durations_that_lie_too_near_or_too_far_for_their_heights_are_refused(flank: str, seat: str) -> None:
    one = lobe(flank, seat)
    with pytest.raises((InputError, InputErrors), match=r"between these heights|smooth lobe"):
        read_cam_card({**PLACED, "rocker_ratio": 1.6, "intake": one, "exhaust": one})


# Injector.


@pytest.mark.parametrize(
    ("flow", "meant"),
    [("20 g/s", '"20 lb/h"'), ("24 g/s", '"24 lb/h"'), ("5 lb/h", '"5 g/s"'), ("190 lb/h", "check the figure")],
)
def test_an_injector_that_does_not_suit_the_engine_is_read_as_written_with_the_other_reading_named(flow: str, meant: str, sheet: dict[str, Any]) -> None:
    sheet["injector"]["flow"] = flow
    (doubt,) = read_build(sheet).doubts
    assert flow in doubt
    assert "full load asks of one injector" in doubt
    assert meant in doubt


def test_a_flow_no_port_injector_has_is_refused_with_the_unit_that_was_meant(sheet: dict[str, Any]) -> None:
    sheet["injector"]["flow"] = "42 g/s"
    error = refused(sheet)
    assert error.fix == 'did you mean "42 lb/h"?'


@pytest.mark.parametrize("flow", ["30 lb/h", "24 lb/h", "60 lb/h", "400 cc/min"])
def test_an_injector_that_suits_is_no_doubt(flow: str, sheet: dict[str, Any]) -> None:
    sheet["injector"]["flow"] = flow
    assert read_build(sheet).doubts == ()


def test_more_fuel_is_asked_of_an_injector_with_ethanol(sheet: dict[str, Any]) -> None:
    sheet["injector"]["flow"] = "100 lb/h"
    assert len(read_build(sheet).doubts) == 1
    sheet["fuel"] |= {"kind": "E85", "octane": "105 RON"}
    assert read_build(sheet).doubts == ()


def test_a_flow_by_volume_is_read_with_a_stated_density(sheet: dict[str, Any]) -> None:
    sheet["injector"]["flow"] = "440 cc/min"
    build = read_build(sheet)
    assert build.injector is not None
    assert build.injector.si.flow == pytest.approx(440e-6 / 60.0 * 745.0, rel=1e-12)
    value, why = assumed(build)["[injector] flow_density"]
    assert value == "745 kg/m**3"
    assert "440 cc/min is read as 5.46 g/s (4.99 to 5.72)" in why
    sheet["injector"] |= {"flow": "440 ml/min", "flow_density": "0.70 kg/L"}
    build = read_build(sheet)
    assert build.injector is not None
    assert build.injector.si.flow == pytest.approx(440e-6 / 60.0 * 700.0, rel=1e-12)
    assert "[injector] flow_density" not in assumed(build)
    assert build.injector.replace(dead_time="0.9 ms").si.flow == build.injector.si.flow


# Doubts are said aloud.


def test_a_doubt_is_said_when_a_file_is_loaded(sheet: dict[str, Any], tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    path = tmp_path / "build.toml"
    sheet["injector"]["flow"] = "12 g/s"
    path.write_text(tomli_w.dumps(sheet), encoding="utf-8")
    with caplog.at_level(logging.WARNING, logger="camcalc"):
        build = load_build(path)
    (record,) = caplog.records
    assert record.getMessage() == f"warning: {path}: {build.doubts[0]}"
    assert build.doubts[0] in build.notes


# Tyres.


@pytest.mark.parametrize(
    ("size", "unloaded"),
    [
        ("195/50R15", 0.195 * 0.50 + 7.5 * 0.0254),
        ("P215/65 R15 95H", 0.215 * 0.65 + 7.5 * 0.0254),
        ("245/45ZR17", 0.245 * 0.45 + 8.5 * 0.0254),
        ("205/55-16", 0.205 * 0.55 + 8.0 * 0.0254),
        ("31x10.50R15", 15.5 * 0.0254),
    ],
)
def test_a_tyre_size_gives_its_rolling_radius(size: str, unloaded: float, sheet: dict[str, Any]) -> None:
    sheet["vehicle"]["tyre_radius"] = size
    build = read_build(sheet)
    assert build.vehicle.si.tyre_radius == pytest.approx(3.05 / math.pi * unloaded, rel=1e-12)
    value, why = assumed(build)["[vehicle] tyre_radius"]
    assert value == f"{build.vehicle.si.tyre_radius * 1e3:.0f} mm"
    assert f"{unloaded * 1e3:.0f} mm unloaded, times 0.971" in why
    assert build.vehicle.replace(mass="1500 kg").si.tyre_radius == build.vehicle.si.tyre_radius


@pytest.mark.parametrize(("diameter", "radius"), [("26.6 inch", '"13.3 inch"'), ("620 mm", '"310 mm"'), ("0.8 m", '"0.4 m"')])
def test_a_diameter_for_a_radius_is_refused_with_its_half(diameter: str, radius: str, sheet: dict[str, Any]) -> None:
    sheet["vehicle"]["tyre_radius"] = diameter
    error = refused(sheet)
    assert "diameter" in error.fix
    assert radius in error.fix
    assert "195/50R15" in error.fix


@pytest.mark.parametrize("size", ["195/50", "about 300 mm", "R15"])
def test_what_is_no_tyre_is_refused(size: str, sheet: dict[str, Any]) -> None:
    sheet["vehicle"]["tyre_radius"] = size
    assert refused(sheet).key == "[vehicle] tyre_radius"


# Converter.


def with_converter(sheet: dict[str, Any], **more: Any) -> dict[str, Any]:
    sheet["vehicle"] |= {"transmission": "converter", "gear_ratios": [2.5, 1.5, 1.0], "converter_stall_speed": "2400 rpm"} | more
    return sheet


def test_a_converter_s_stall_torque_follows_from_the_engine(sheet: dict[str, Any]) -> None:
    build = read_build(with_converter(sheet))
    litres = math.pi / 4 * build.engine.si.bore**2 * build.engine.si.stroke * 8 * 1e3
    assert build.vehicle.si.converter_stall_torque == pytest.approx(75.0 * litres, rel=1e-12)
    value, why = assumed(build)["[vehicle] converter_stall_torque"]
    assert value == f"{75.0 * litres:.4g} N*m"
    assert why.startswith("ESTIMATE")
    assert STALL_TORQUE_PER_DISPLACEMENT == 75.0e3


def test_a_stated_stall_torque_is_used(sheet: dict[str, Any]) -> None:
    build = read_build(with_converter(sheet, converter_stall_torque="330 N m"))
    assert build.vehicle.converter_stall_torque.to("N*m").magnitude == pytest.approx(330.0)
    assert "[vehicle] converter_stall_torque" not in assumed(build)


def test_a_stall_torque_follows_the_engine_when_that_changes(sheet: dict[str, Any]) -> None:
    build = read_build(with_converter(sheet))
    before = build.vehicle.si.converter_stall_torque
    assert build.replace(vehicle=build.vehicle.replace(mass="1500 kg")).vehicle.si.converter_stall_torque == before
    wider = build.replace(engine=build.engine.replace(bore="103 mm"))
    assert wider.vehicle.si.converter_stall_torque == pytest.approx(before * 1.03**2, rel=1e-9)
    assert "[vehicle] converter_stall_torque" in assumed(wider)


def test_a_clutch_has_no_stall_torque(sheet: dict[str, Any]) -> None:
    build = read_build(sheet)
    assert math.isnan(build.vehicle.si.converter_stall_torque)
    assert "[vehicle] converter_stall_torque" not in assumed(build)


def test_a_rocker_ratio_with_a_decimal_comma_is_told_with_its_point(sheet: dict[str, Any]) -> None:
    sheet["cam"]["rocker_ratio"] = "1,6"
    assert refused(sheet).fix == "write rocker_ratio = 1.6, without quotes"


@pytest.mark.parametrize("density", ["745 kg/m3", "745 kg/m^3", "0.745 kg/L"])
def test_a_density_is_read_as_it_is_usually_written(density: str, sheet: dict[str, Any]) -> None:
    sheet["injector"] |= {"flow": "340 cc/min", "flow_density": density}
    assert read_build(sheet).injector.si.flow == pytest.approx(340e-6 / 60.0 * 745.0, rel=1e-9)


@pytest.mark.parametrize("size", ["205/60 R15 / 195/50 R15", "195/50R15 and so on", "195/50", "165R13", "28 x 10"])
def test_what_is_no_whole_tyre_size_is_asked_for_one(size: str, sheet: dict[str, Any]) -> None:
    sheet["vehicle"]["tyre_radius"] = size
    error = refused(sheet)
    assert error.came == size
    assert "one whole size as on the sidewall" in error.expected


@pytest.mark.parametrize("size", ["195/50R15 82V", "195/50ZR15", "LT235/75R15 104/101S", "215/65R16C 109/107R", "195/50R15 XL"])
def test_what_follows_a_size_on_the_sidewall_may_stand_there(size: str, sheet: dict[str, Any]) -> None:
    sheet["vehicle"]["tyre_radius"] = size
    assert 0.25 < read_build(sheet).vehicle.si.tyre_radius < 0.4


def test_an_injector_is_judged_by_what_it_delivers_and_only_where_each_cylinder_has_its_own(sheet: dict[str, Any]) -> None:
    sheet["injector"] |= {"flow": "13 lb/h", "rated_pressure": "300 kPa"}
    assert any("of what full load asks" in note for note in read_build(sheet).notes)
    sheet["injector"]["fuel_pressure"] = "800 kPa"
    assert not any("of what full load asks" in note for note in read_build(sheet).notes)
    sheet["injector"] |= {"flow": "95 lb/h", "fuel_pressure": "300 kPa"}
    assert any("what full load asks" in note for note in read_build(sheet).notes)
    sheet["fuel"]["system"] = "throttle body"
    assert not any("what full load asks" in note for note in read_build(sheet).notes)
