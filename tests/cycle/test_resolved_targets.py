"""Loads other than manifold pressure, refusals, maps, and shapes of cam and load at the edge of the ordinary."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc import InputError, NoSolutionError, ResolvedEngine, simulate_cycle, simulate_map
from camcalc.cam.card import CamCard, Lobe
from camcalc.cycle.operating import Ending
from camcalc.cycle.simulate import CycleResult

Make = Callable[..., Any]
SPARK = "30 crank_deg"


@pytest.fixture(scope="module")
def at_pressure(build_of: Make) -> Make:
    @functools.cache
    def result(cam: str, rpm: int, kpa: float) -> CycleResult:
        return simulate_cycle(build_of("quarry-road", old=cam == "mild"), speed=f"{rpm} rpm", manifold_pressure=f"{kpa} kPa", spark=SPARK)

    return result


LOADS = {"air_charge": "fresh_air", "brake_torque": "brake_torque", "throttle_area": "throttle_area"}


@pytest.mark.parametrize(("cam", "rpm", "kpa"), [("mild", 800, 35.0), ("mild", 3000, 85.0), ("long", 900, 70.0), ("long", 2000, 50.0)])
@pytest.mark.parametrize("load", LOADS)
def test_a_load_comes_back_at_the_pressure_found_for_it(build_of: Make, at_pressure: Make, load: str, cam: str, rpm: int, kpa: float) -> None:
    build, figure, first = build_of("quarry-road", old=cam == "mild"), LOADS[load], at_pressure(cam, rpm, kpa)
    found = simulate_cycle(build, speed=f"{rpm} rpm", spark=SPARK, **{load: getattr(first, figure)})
    assert found.outcome is Ending.SETTLED
    # The solver stops within some pascals of manifold pressure.
    assert found.si.manifold_pressure == pytest.approx(kpa * 1e3, abs=30.0)
    again = simulate_cycle(build, speed=f"{rpm} rpm", spark=SPARK, manifold_pressure=found.manifold_pressure)
    target = getattr(first.si, figure)
    assert [getattr(r.si, figure) for r in (found, again)] == pytest.approx([target, target], rel=5e-4)


def test_without_a_spark_the_load_is_met_at_best_torque(build_of: Make) -> None:
    build = build_of("quarry-road", old=True)
    found = simulate_cycle(build, speed="1500 rpm", brake_torque="100 N m")
    assert found.si.brake_torque == pytest.approx(100.0, rel=1e-3)
    fixed = simulate_cycle(build, speed="1500 rpm", brake_torque="100 N m", spark="18 crank_deg")
    assert found.si.manifold_pressure < fixed.si.manifold_pressure
    for away in (-6.0, 6.0):
        spark = f"{found.si.spark + away} crank_deg"
        other = simulate_cycle(build, speed="1500 rpm", manifold_pressure=found.manifold_pressure, spark=spark)
        assert other.si.net_imep < found.si.net_imep


# Loads that cannot be had on the mild cam at 1500 rpm, the figure that answers each, and its unit in the message over SI.
TOO_MUCH = [("air_charge", "2000 mg", "fresh_air", 1e6), ("brake_torque", "1000 N m", "brake_torque", 1.0)]


@pytest.mark.parametrize(("load", "wanted", "figure", "unit"), TOO_MUCH, ids=[row[0] for row in TOO_MUCH])
def test_a_load_beyond_reach_is_refused_with_the_most_that_can_be_had(build_of: Make, load: str, wanted: str, figure: str, unit: float) -> None:
    build = build_of("quarry-road", old=True)
    with pytest.raises(NoSolutionError, match="beyond reach at 1500 rpm; the most is") as refusal:
        simulate_cycle(build, speed="1500 rpm", spark=SPARK, **{load: wanted})
    top = simulate_cycle(build, speed="1500 rpm", spark=SPARK, manifold_pressure=f"{ResolvedEngine(build).ambient} Pa")
    assert refusal.value.reachable == pytest.approx(unit * getattr(top.si, figure), rel=1e-4)


def test_a_throttle_wider_than_any_that_matters_is_refused_with_the_widest(build_of: Make) -> None:
    with pytest.raises(NoSolutionError, match="throttle_area") as refusal:
        simulate_cycle(build_of("quarry-road", old=True), speed="1500 rpm", spark=SPARK, throttle_area="400 cm**2")
    assert refusal.value.reachable is not None


@pytest.mark.parametrize(("load", "wanted"), [("air_charge", "2 mg"), ("brake_torque", "-180 N m")])
def test_a_load_below_reach_is_refused_with_the_least_that_can_be_had(build_of: Make, load: str, wanted: str) -> None:
    with pytest.raises(NoSolutionError, match="below reach at 1500 rpm") as refusal:
        simulate_cycle(build_of("quarry-road", old=True), speed="1500 rpm", spark=SPARK, **{load: wanted})
    assert refusal.value.reachable is not None


def test_a_torque_that_only_a_dying_engine_gives_is_refused(build_of: Make) -> None:
    # On the long cam at 800 rpm the engine dies below some 45 kPa, where it still makes about -60 N m.
    with pytest.raises(NoSolutionError) as refusal:
        simulate_cycle(build_of("quarry-road"), speed="800 rpm", spark=SPARK, brake_torque="-66 N m")
    assert refusal.value.reachable is not None


def test_a_manifold_pressure_above_the_barometer_is_refused_with_the_barometer(build_of: Make) -> None:
    build = build_of("quarry-road")
    with pytest.raises(NoSolutionError, match="above the barometer: boost is out of scope") as refusal:
        simulate_cycle(build, speed="1500 rpm", manifold_pressure="110 kPa", spark=SPARK)
    assert refusal.value.reachable == pytest.approx(ResolvedEngine(build).ambient, rel=1e-12)


@pytest.mark.parametrize("loads", [{}, {"manifold_pressure": "60 kPa", "brake_torque": "50 N m"}, dict.fromkeys(("air_charge", "throttle_area"), "1 mg")])
def test_one_load_and_no_more_must_be_given(build_of: Make, loads: dict[str, str]) -> None:
    with pytest.raises(InputError):
        simulate_cycle(build_of("quarry-road"), speed="1500 rpm", spark=SPARK, **loads)


@pytest.mark.parametrize(
    "given",
    [{"speed": "1500"}, {"speed": "100 rpm"}, {"manifold_pressure": "2 kPa"}, {"spark": "30 deg"}, {"spark": "90 crank_deg"}, {"intake_model": "plenums"}],
)
def test_what_cannot_be_meant_is_refused(build_of: Make, given: dict[str, str]) -> None:
    with pytest.raises(InputError):
        simulate_cycle(build_of("quarry-road"), **{"speed": "1500 rpm", "manifold_pressure": "60 kPa", "spark": SPARK} | given)


# Cams and loads at the edge of the ordinary.


def tabled(kind: str, opens: float, closes: float, lift: float, flat: float) -> Lobe:
    """A lobe by its lift table [deg, m]: sine-square flanks and so many degrees of flat top."""
    angles = np.arange(opens, closes + 0.25, 0.5)
    flank = (closes - opens - flat) / 2.0
    share = np.clip(np.minimum(angles - opens, closes - angles) / flank, 0.0, 1.0)
    nose = (opens + closes) / 2.0
    table = tuple(map(float, angles)), tuple(map(float, lift * np.sin(0.5 * np.pi * share) ** 2))
    return Lobe(kind=kind, valve_lift=lift, rocker_ratio=1.0, lash=0.0, centreline=abs(nose), max_lift_at=nose, checks=(), table=table)


def tabled_cam(overlap: float, flat: float = 0.0) -> CamCard:
    half = 0.5 * overlap
    intake, exhaust = tabled("intake", -half, 230.0, 11e-3, flat), tabled("exhaust", -230.0, half, 11e-3, flat)
    return CamCard(name="tabled", tappet="hydraulic", intake=intake, exhaust=exhaust)


@pytest.mark.parametrize("kpa", [40, 90])
@pytest.mark.parametrize("overlap", [0.0, -10.0])
def test_valves_that_are_never_open_together_blow_nothing_back_during_overlap(build_of: Make, overlap: float, kpa: int) -> None:
    build = build_of("quarry-road").replace(cam=tabled_cam(overlap))
    found = simulate_cycle(build, speed="1500 rpm", manifold_pressure=f"{kpa} kPa", spark=SPARK)
    assert found.outcome is Ending.SETTLED
    assert found.si.overlap_blow_back == pytest.approx(0.0, abs=1e-3 * found.si.trapped_mass)
    assert found.si.short_circuit == pytest.approx(0.0, abs=1e-3 * found.si.trapped_mass)
    with_overlap = simulate_cycle(build.replace(cam=tabled_cam(40.0)), speed="1500 rpm", manifold_pressure=f"{kpa} kPa", spark=SPARK)
    assert with_overlap.si.overlap_blow_back > 2e-3 * with_overlap.si.trapped_mass


def test_a_lobe_with_a_flat_top_fills_better_than_a_pointed_one(build_of: Make) -> None:
    builds = [build_of("quarry-road").replace(cam=tabled_cam(20.0, flat)) for flat in (0.0, 40.0)]
    pointed, flat = (simulate_cycle(b, speed="5500 rpm", manifold_pressure="90 kPa", spark=SPARK) for b in builds)
    assert pointed.outcome is flat.outcome is Ending.SETTLED
    assert flat.si.fresh_air > pointed.si.fresh_air


@pytest.mark.parametrize("cam", ["mild", "long"])
def test_equal_pressures_on_both_sides_work(build_of: Make, cam: str) -> None:
    build = build_of("quarry-road", old=cam == "mild")
    build = build.replace(engine=build.engine.replace(exhaust_back_pressure="0 kPa"))
    ambient = ResolvedEngine(build).ambient
    found = simulate_cycle(build, speed="1500 rpm", manifold_pressure=f"{ambient} Pa", spark=SPARK)
    assert found.outcome is Ending.SETTLED
    assert found.si.exhaust_pressure == pytest.approx(ambient, rel=1e-12)
    assert found.si.manifold_pressure == pytest.approx(ambient, rel=1e-9)
    assert found.energy_error < 1e-5
    almost = simulate_cycle(build, speed="1500 rpm", manifold_pressure=f"{ambient - 20.0} Pa", spark=SPARK)
    assert found.si.trapped_mass == pytest.approx(almost.si.trapped_mass, rel=1e-3)
    assert found.si.burned_fraction == pytest.approx(almost.si.burned_fraction, abs=1e-3)


# Maps.

MAP_SPEEDS, MAP_PRESSURES = (600, 1000, 2000, 3500), (35, 55, 75, 95)
FIGURES = {"burned_fraction": "burned_fraction", "fresh_air": "fresh_air", "net_imep": "net_imep", "pumping_mep": "pumping_mep"}


def test_a_map_holds_what_single_points_give(build_of: Make) -> None:
    build, told = build_of("quarry-road"), []
    speeds, pressures = [f"{n} rpm" for n in MAP_SPEEDS], [f"{p} kPa" for p in MAP_PRESSURES]
    found = simulate_map(build, speeds=speeds, manifold_pressures=pressures, spark=SPARK, progress=told.append)
    assert told == [0.25, 0.5, 0.75, 1.0]
    outcomes = set()
    for i, pressure in enumerate(pressures):
        for k, speed in enumerate(speeds):
            single = simulate_cycle(build, speed=speed, manifold_pressure=pressure, spark=SPARK)
            outcomes.add(found.outcomes[i][k])
            assert single.outcome is found.outcomes[i][k]
            for name, own in FIGURES.items():
                value = getattr(found.si, name)[i, k]
                if found.outcomes[i][k] is Ending.NO_FRESH_CHARGE:
                    assert np.isnan(value)
                else:
                    assert value == pytest.approx(getattr(single.si, own), rel=2e-3)
    assert outcomes == {Ending.SETTLED, Ending.NO_FRESH_CHARGE}


def test_a_map_without_a_spark_takes_the_best_of_each_point(build_of: Make) -> None:
    build = build_of("quarry-road", old=True)
    found = simulate_map(build, speeds=["1500 rpm", "3000 rpm"], manifold_pressures=["50 kPa", "80 kPa"])
    single = simulate_cycle(build, speed="3000 rpm", manifold_pressure="50 kPa")
    assert found.si.spark[0, 1] == pytest.approx(single.si.spark, abs=0.5)
    assert found.si.net_imep[0, 1] == pytest.approx(single.si.net_imep, rel=2e-3)


@pytest.mark.parametrize("axes", [{"speeds": [], "manifold_pressures": ["60 kPa"]}, {"speeds": ["2000 rpm"], "manifold_pressures": []}])
def test_a_map_without_points_is_refused(build_of: Make, axes: dict[str, list[str]]) -> None:
    with pytest.raises(InputError, match="empty axis"):
        simulate_map(build_of("quarry-road"), spark=SPARK, **axes)
