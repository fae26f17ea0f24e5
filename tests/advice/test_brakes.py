"""What is said about the brakes."""

from __future__ import annotations

import pytest

from camcalc.advice.brakes import COMFORTABLE, HARD, brake_remark

INHG = 3386.389
SEA_LEVEL = 101325.0


def test_at_sea_level_the_air_is_not_blamed() -> None:
    assert "thin air" not in brake_remark(50e3, SEA_LEVEL, None)
    assert "thin air" not in brake_remark(50e3, 0.986 * SEA_LEVEL, None)


@pytest.mark.parametrize(("ambient", "taken"), [(84323.0, "5.0 inHg"), (69692.2, "9.3 inHg")])
def test_at_altitude_what_the_thin_air_alone_takes_is_said(ambient: float, taken: str) -> None:
    # Barometers printed for 5000 ft and 10000 ft in tables of the US Standard Atmosphere (read).
    assert f"the thin air alone takes {taken}" in brake_remark(45e3, ambient, None)


def test_the_assist_left_is_told_as_a_share_of_what_there_was() -> None:
    remark = brake_remark(12.0 * INHG, SEA_LEVEL, 20.0 * INHG)
    assert remark.startswith("12.0 inHg of vacuum at idle, 60 % of the assist")


def test_without_an_old_cam_no_share_is_told() -> None:
    assert "%" not in brake_remark(50e3, SEA_LEVEL, None)


def test_less_vacuum_gets_sterner_words() -> None:
    assert "content" in brake_remark(COMFORTABLE, SEA_LEVEL, None)
    assert "harder pedal" in brake_remark(COMFORTABLE - 1.0, SEA_LEVEL, None)
    assert "harder pedal" in brake_remark(HARD, SEA_LEVEL, None)
    assert "do not drive until the brakes are proved" in brake_remark(HARD - 1.0, SEA_LEVEL, None)
