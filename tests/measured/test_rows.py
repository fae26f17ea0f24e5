"""Rows of ``[[measured]]``: read, refused with a fix, saved as they were typed."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

import camcalc as cc
from camcalc.advice.bands import TOLERANCES
from camcalc.errors import CamcalcError
from camcalc.measured.observed import observed_of
from camcalc.sheet.learned import Learned
from camcalc.sheet.measured_reading import read_measured
from camcalc.sheet.section_reading import Problems, read_section

IDLE = {"what": "idle", "speed": "860 rpm", "spark": "22 crank_deg"}


def read(**row: Any) -> Any:
    problems = Problems()
    found = read_measured([row], problems)
    problems.raise_any("sheet.toml")
    return found[0]


@pytest.mark.parametrize(
    ("text", "value", "within"),
    [
        ("55.5 kPa +- 0.8 kPa", 55500.0, 800.0),
        ("55.5 kPa ± 0.8 kPa", 55500.0, 800.0),
        ("55.5 kPa +- 2 %", 55500.0, 1110.0),
        ("16.4 inHg +- 0.2 inHg", 16.4 * 3386.389, 0.2 * 3386.389),
    ],
)
def test_a_figure_may_say_how_closely_it_was_read(text: str, value: float, within: float) -> None:
    row = read(**IDLE, manifold_pressure=text)
    assert row.said.si.manifold_pressure == pytest.approx(value, rel=1e-5)
    assert row.within["manifold_pressure"] == pytest.approx(within, rel=1e-5)


def test_a_closeness_of_a_temperature_is_a_difference() -> None:
    row = read(**IDLE, exhaust_temperature="420 degC +- 20 degC")
    assert row.within["exhaust_temperature"] == pytest.approx(20.0)
    assert read(**IDLE, exhaust_temperature="788 degF +- 36 degF").within["exhaust_temperature"] == pytest.approx(20.0)


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ({"what": "idle", "speed": "860 rpm", "manifold_pressure": "55 kPa"}, "spark"),
        ({**IDLE}, "no reading"),
        ({**IDLE, "manifold_pressure": "55 kPa", "manifold_vacuum": "40 kPa"}, "one of them"),
        ({**IDLE, "manifold_pressure": "55"}, "unit"),
        ({**IDLE, "manifold_pressure": "55 kPa +- 0 kPa"}, "closeness"),
        ({**IDLE, "manifold_pressure": "55 kPa +- 70 kPa"}, "closeness"),
        ({**IDLE, "manifold_pressure": "55 kPa +- 3 rpm"}, "a pressure"),
        ({**IDLE, "exhaust_temperature": "700 degC +- 2 %"}, "how many kelvin"),
        ({**IDLE, "manifold_presure": "55 kPa"}, "manifold_pressure"),
        ({"what": "idel", "manifold_pressure": "55 kPa"}, '"idle"'),
        ({"what": "road", "speed": "1600 rpm", "spark": "30 crank_deg", "manifold_pressure": "50 kPa"}, "gear"),
        ({"what": "cranking", "deceleration": "1 m/s**2"}, "cranking_pressure"),
        ({"what": "cranking", "from": "log.csv"}, "idle"),
        ({**IDLE, "from": 7}, "path"),
        ({**IDLE, "manifold_pressure": "550 kPa"}, "kPa"),
    ],
)
def test_a_row_that_cannot_be_is_refused_with_its_number(row: dict[str, Any], says: str) -> None:
    with pytest.raises(CamcalcError) as refused:
        read(**row)
    assert "row 1" in str(refused.value)
    assert says in str(refused.value)


def test_one_bracket_too_few_is_refused() -> None:
    problems = Problems()
    assert read_measured({"what": "idle"}, problems) == ()
    assert "[[measured]]" in str(problems.found[0])


def test_a_gear_that_the_car_has_not_and_a_cam_that_it_never_had_are_refused(long_meadow: cc.Build) -> None:
    row = read(what="road", gear=9, speed="1600 rpm", spark="30 crank_deg", manifold_pressure="50 kPa")
    with pytest.raises(CamcalcError, match="gear"):
        observed_of(long_meadow, (row,))
    row = read(what="cranking", cam="replaced", cranking_pressure="1200 kPa")
    with pytest.raises(CamcalcError, match="replaced"):
        observed_of(long_meadow.replace(replaced_cam=None), (row,))


def test_a_car_with_a_clutch_does_not_idle_in_drive(build_of: Any) -> None:
    rows = (read(**IDLE, gearbox="drive", manifold_pressure="55 kPa"),)
    with pytest.raises(cc.InputError, match="converter"):
        observed_of(build_of("quarry-road"), rows)
    converter = build_of("long-meadow")
    assert converter.vehicle.transmission == "converter"
    assert observed_of(converter, rows)


def test_what_was_learned_lies_within_what_the_inputs_may_be() -> None:
    for name, (reach, _) in TOLERANCES.items():
        for edge, beyond in ((1.0 - reach, 1.0 - 1.01 * reach), (1.0 + reach, 1.0 + 1.01 * reach)):
            problems = Problems()
            assert read_section("learned", Learned, {name: round(edge, 4)}, problems, []) is not None
            assert not problems.found
            read_section("learned", Learned, {name: beyond}, problems, [])
            assert len(problems.found) == 1, name


def test_a_sheet_keeps_its_readings_and_what_was_learned(tmp_path: Path) -> None:
    text = Path("examples/quarry-road/build.toml").read_text(encoding="utf-8").replace('table = "spark.csv"', "")
    text = text.replace("[spark]", "") + '\n[[measured]]\nwhat = "idle"\nspeed = "860 rpm"\nspark = "22 crank_deg"\nmanifold_pressure = "55.5 kPa +- 0.8 kPa"\n'
    (tmp_path / "own.toml").write_text(text, encoding="utf-8")
    build = cc.load_build(tmp_path / "own.toml")
    learned = build.replace(learned=Learned(**dict.fromkeys(Learned.inputs(), 1.0)).replace(friction=1.07))
    cc.save_build(learned, tmp_path / "learned.toml")
    again = cc.load_build(tmp_path / "learned.toml")
    assert again.measured == build.measured
    assert again.learned is not None
    assert again.learned.friction == 1.07
    assert 'manifold_pressure = "55.5 kPa +- 0.8 kPa"' in (tmp_path / "learned.toml").read_text(encoding="utf-8")
    assert type(again).from_dict(again.to_dict()).to_dict() == again.to_dict()


def test_every_engine_rests_on_what_was_learned(long_meadow: cc.Build) -> None:
    from camcalc.cycle.operating import Tolerances

    learned = Learned(**dict.fromkeys(Learned.inputs(), math.nan)).replace(friction=1.1, burn=0.9)
    assert set(Learned.inputs()) == set(Tolerances._fields)
    for kind in (cc.QuickEngine, cc.ResolvedEngine):
        plain, own = kind(long_meadow, Tolerances(friction=1.1, burn=0.9)), kind(long_meadow.replace(learned=learned))
        assert own.tolerances == plain.tolerances
        assert kind(long_meadow.replace(learned=learned), Tolerances(friction=0.5)).tolerances.friction == pytest.approx(0.55)
    plain, own = cc.QuickEngine(long_meadow, Tolerances(burn=0.9)), cc.QuickEngine(long_meadow.replace(learned=learned.replace(friction=1.0)))
    assert own.state(15.0, 50e3, 25.0) == plain.state(15.0, 50e3, 25.0)
