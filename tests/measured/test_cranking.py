"""What a compression gauge shows: limiting cases, signs, an adiabatic squeeze worked another way."""

from __future__ import annotations

import pytest

import camcalc as cc
from camcalc.cycle.operating import Tolerances, barometer
from camcalc.engine.geometry import effective_compression
from camcalc.measured.cranking import EXPONENT, cranking_pressure
from camcalc.units import quantity


def test_it_lies_between_compression_from_the_seat_and_the_whole_ratio(long_meadow: cc.Build) -> None:
    # Textbook: a polytrope from the outside air, from where the intake valve seats at the latest, from bottom dead centre at the earliest.
    engine = cc.QuickEngine(long_meadow)
    geometry, outside = engine.geometry, barometer(engine)
    closes = float(long_meadow.cam.lift_curve("intake").seat_edges()[1]) - 180.0
    seat = effective_compression.kernel(geometry.compression_ratio, closes, geometry.rod_over_crank)
    low, high = (outside * (ratio**EXPONENT - 1.0) for ratio in (seat, geometry.compression_ratio))
    assert low < cranking_pressure(engine) < high


def test_a_fast_crank_traps_more_and_a_slow_one_no_less_than_from_the_seat(long_meadow: cc.Build) -> None:
    engine = cc.QuickEngine(long_meadow)
    slow, usual, fast = (cranking_pressure(engine, rpm / 60.0) for rpm in (100.0, 200.0, 1000.0))
    assert slow <= usual < fast


@pytest.mark.parametrize("name", ["quarry-road", "long-meadow", "dockside"])
def test_signs(name: str) -> None:
    build = cc.load_build(f"examples/{name}/build.toml")
    own = cranking_pressure(cc.QuickEngine(build))
    late, early = (cranking_pressure(cc.QuickEngine(build.replace(cam=build.cam.advanced(quantity(a, "crank_deg"))))) for a in (-4.0, 4.0))
    assert late < own < early
    squeezed = build.replace(engine=build.engine.replace(compression_ratio=build.engine.compression_ratio + 0.5))
    assert cranking_pressure(cc.QuickEngine(squeezed)) > own
    assert cranking_pressure(cc.QuickEngine(build, Tolerances(lift_loss=1.6))) > own
    high = build.replace(site=build.site.replace(altitude="1500 m"))
    assert cranking_pressure(cc.QuickEngine(high)) < own
    if build.replaced_cam is not None:
        assert cranking_pressure(cc.QuickEngine(build.with_replaced_cam())) > own


def test_without_time_to_flow_the_whole_ratio_is_left(long_meadow: cc.Build) -> None:
    # Limit: however wide the valve stands, nothing gets out of it in no time.
    engine = cc.QuickEngine(long_meadow)
    whole = barometer(engine) * (engine.geometry.compression_ratio**EXPONENT - 1.0)
    assert cranking_pressure(engine, 1e6) == pytest.approx(whole, rel=1e-3)
