"""What is found of the brakes."""

from __future__ import annotations

import math

import pytest

from camcalc.advice.brakes import COMFORTABLE, HARD, BrakeVerdict, brake_assist, too_little

INHG = 3386.389
SEA_LEVEL = 101325.0


def test_at_sea_level_and_below_nothing_is_lost_to_altitude() -> None:
    assert brake_assist(50e3, ambient=SEA_LEVEL).si.lost_to_altitude == 0.0
    assert brake_assist(50e3, ambient=1.01 * SEA_LEVEL).si.lost_to_altitude == 0.0


@pytest.mark.parametrize(("ambient", "lost"), [(84323.0, 5.0), (69692.2, 9.3)])
def test_what_the_thin_air_lacks_is_known(ambient: float, lost: float) -> None:
    # Barometers printed for 5000 ft and 10000 ft in tables of the US Standard Atmosphere (read).
    assert brake_assist(45e3, ambient=ambient).lost_to_altitude.to("inHg").magnitude == pytest.approx(lost, abs=0.05)


def test_the_assist_left_is_a_share_of_what_there_was() -> None:
    found = brake_assist(12.0 * INHG, ambient=SEA_LEVEL, replaced_vacuum=20.0 * INHG).si
    assert found.of_replaced == pytest.approx(0.6, rel=1e-12)
    assert found.replaced_vacuum == 20.0 * INHG


@pytest.mark.parametrize("before", [math.nan, 0.0])
def test_without_vacuum_to_compare_with_there_is_no_share(before: float) -> None:
    assert math.isnan(brake_assist(50e3, ambient=SEA_LEVEL, replaced_vacuum=before).si.of_replaced)


@pytest.mark.parametrize(
    ("vacuum", "verdict"),
    [
        (COMFORTABLE, BrakeVerdict.ENOUGH),
        (COMFORTABLE - 1.0, BrakeVerdict.REDUCED),
        (HARD, BrakeVerdict.REDUCED),
        (HARD - 1.0, BrakeVerdict.TOO_LITTLE),
    ],
)
def test_less_vacuum_gets_a_worse_verdict(vacuum: float, verdict: BrakeVerdict) -> None:
    found = brake_assist(vacuum, ambient=SEA_LEVEL)
    assert found.verdict is verdict
    assert too_little(vacuum) is (verdict is BrakeVerdict.TOO_LITTLE)
    assert found.to_dict()["verdict"]["code"] == verdict.code
