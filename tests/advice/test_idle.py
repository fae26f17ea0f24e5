"""Warm idle: the balance, what it rests on, and what moves it."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, NamedTuple

import pytest
from scipy.optimize import brentq

from camcalc import NoSolutionError, QuickEngine
from camcalc.advice.idle import BEYOND_DATA, IdleState, IdleVerdict, idle_state, load_terms
from camcalc.advice.idle_balance import IdleSparkRule
from camcalc.advice.idle_speeds import lowest_idle, lowest_idles
from camcalc.cycle.work_variation import work_spread
from camcalc.engine.friction import rubbing_friction
from camcalc.engine.gas import fuel_data

Make = Callable[..., Any]
INHG = 3386.389
SEA_LEVEL = 101325.0
# Standard pressure at 5000 ft, printed in tables of the US Standard Atmosphere (read).
FIVE_THOUSAND_FEET = 84323.0
# The search for a lowest speed stops within 10 rpm.
SEARCH_STEP = 11.0 / 60.0


class Textbook(NamedTuple):
    """One idle of the textbook engine: manifold pressure Pa, flows kg/s."""

    pressure: float
    air: float
    fuel: float


def textbook_idle(rpm: float, p_exhaust: float = 108e3) -> Textbook:
    """Balance the textbook engine without load (Guzzella & Onder, appendix B, read): six cylinders, 2.77 litres, 340 K in the manifold, best spark.

    Volumetric efficiency counts the mixture; friction is camcalc's, which must be that engine's.
    """
    swept, clearance, w = 2.77e-3, 0.277e-3, rpm * math.pi / 30.0
    efficiency = 0.37313 + 3.25e-4 * w - 5.625e-7 * w**2
    friction = rubbing_friction.kernel(rpm / 60.0) * swept / (4.0 * math.pi)

    def fuel(pressure: float) -> float:
        filling = (0.45 + 3.42e-3 * w - 7.7e-6 * w**2) * ((clearance + swept) / swept - clearance / swept * (p_exhaust / pressure) ** (1.0 / 1.35))
        return filling * pressure * swept / (287.0 * 340.0) * w / (4.0 * math.pi) / 15.7

    def short(pressure: float) -> float:
        return efficiency * 44e6 * fuel(pressure) / w - friction - (p_exhaust - pressure) * swept / (4.0 * math.pi)

    pressure = float(brentq(short, 1e4, 9e4))
    return Textbook(pressure, 14.7 * fuel(pressure), fuel(pressure))


def neutral(model: QuickEngine) -> IdleState:
    return idle_state(model)


@pytest.mark.reference("idle_textbook.csv")
def test_the_textbook_engine_idles_as_published(row: Any) -> None:
    idle = textbook_idle(800.0)
    figures = {
        "pressure": idle.pressure / 1e3,
        "fuel": idle.fuel * 1e3,
        "air": idle.air * 1e3,
        "air per cylinder and cycle": idle.air / 6.0 * 120.0 / 800.0 * 1e6,
        "fuel per litre": idle.fuel / fuel_data("gasoline").density * 3.6e6 / 2.77,
    }
    row.check(figures[row.figure])


def test_friction_at_idle_is_the_textbook_engine_s_torque() -> None:
    # 15.6 + 0.175e-3 w^2 N m of an engine of 2.77 litres (read).
    w = 800.0 * math.pi / 30.0
    assert rubbing_friction.kernel(800.0 / 60.0) * 2.77e-3 / (4.0 * math.pi) == pytest.approx(15.6 + 0.175e-3 * w**2, rel=1e-12)


def test_the_quick_engine_given_the_textbook_engine_s_figures_idles_on_its_fuel(build_of: Make) -> None:
    # Same displacement, cylinders, compression, exhaust pressure, manifold temperature and best spark, hardly any overlap. 5 %: that engine's
    # volumetric efficiency carries no burned gas beyond the clearance, and its heating value is rounded.
    build = build_of("long-meadow", old=True)
    bore = (2.77e-3 / 6.0 / (math.pi / 4.0)) ** (1.0 / 3.0)
    heads = {"intake_valve_diameter": 0.5 * bore, "exhaust_valve_diameter": 0.4 * bore}
    engine = build.engine.replace(cylinders=6, bore=bore, stroke=bore, rod_length=0.15, compression_ratio=11.0, exhaust_back_pressure=0.0, **heads)
    site = build.site.replace(barometer="108 kPa", air_temperature="20 degC")
    idle = build.idle.replace(speed="800 rpm", spark_reserve="0 crank_deg")
    cam = build.cam.with_exhaust_turned("-20 crank_deg")
    found = neutral(QuickEngine(build.replace(cam=cam, engine=engine, site=site, idle=idle, fuel=build.fuel.replace(kind="gasoline"))))
    textbook = textbook_idle(800.0)
    assert found.si.fuel_flow * fuel_data("gasoline").density == pytest.approx(textbook.fuel, rel=0.05)
    assert found.si.air_flow == pytest.approx(textbook.air, rel=0.05)


@pytest.mark.reference("idle_fuel.csv")
def test_a_mild_cam_idles_on_about_the_fuel_that_was_measured(engine_of: Make, example: str, row: Any) -> None:
    model = engine_of(example, old=True, altitude="0 m")
    row.check(neutral(model).fuel_flow.to("L/h").magnitude / (model.geometry.displacement * 1e3))


@pytest.mark.reference("idle_vacuum.csv")
def test_a_mild_cam_idles_with_normal_vacuum(engine_of: Make, example: str, row: Any) -> None:
    """Sea level, neutral, accessories off, spark 12 deg short of best torque: 5.9 L at 650 rpm, 2.0 L at 800 rpm, 4.8 L at 600 rpm."""
    row.check(neutral(engine_of(example, old=True, altitude="0 m")).manifold_vacuum.magnitude)


@pytest.mark.parametrize("drive", [False, True])
@pytest.mark.parametrize("accessories", [False, True])
def test_at_idle_gross_work_carries_pumping_friction_accessories_and_converter_once_each(engine_of: Make, drive: bool, accessories: bool) -> None:
    model = engine_of("long-meadow")
    idle = idle_state(model, drive=drive, accessories=accessories)
    speed, vehicle, displacement = idle.si.speed, model.build.vehicle, model.geometry.displacement
    w = 2.0 * math.pi * speed
    friction = 4.0 * math.pi * (15.6 + 0.175e-3 * w**2) / 2.77e-3 * model.build.engine.friction_factor
    accessory = 2.0 * model.build.engine.si.accessory_power / (speed * displacement) if accessories else 0.0
    torque = vehicle.si.converter_stall_torque * (speed / vehicle.si.converter_stall_speed) ** 2 if drive else 0.0
    converter = 4.0 * math.pi * torque / displacement
    spread = work_spread(model, speed, idle.si.manifold_pressure, idle.si.spark)
    pumping = spread.mean.exhaust_pressure - spread.mean.manifold_pressure
    # The solver stops within 10 Pa of manifold pressure, which is worth some tens of Pa of work.
    assert spread.gross == pytest.approx(pumping + friction + accessory + converter, abs=150.0)
    assert load_terms(model, speed, drive=drive, accessories=accessories).total == pytest.approx(friction + accessory + converter, rel=1e-12)


def test_an_open_clutch_adds_no_converter(engine_of: Make) -> None:
    assert load_terms(engine_of("quarry-road"), 14.0, drive=True, accessories=False).converter == 0.0


def test_an_idle_state_hangs_together(engine_of: Make, example: str) -> None:
    model = engine_of(example)
    found = neutral(model)
    idle = found.si
    assert idle.speed == model.build.idle.si.speed
    assert idle.manifold_vacuum == pytest.approx(model.ambient - idle.manifold_pressure, rel=1e-12)
    # To a step of the search; where even the latest useful spark misses, that one is above the misfire limit.
    limit = math.inf if found.rule is IdleSparkRule.LATEST_USEFUL else idle.misfire_limit
    assert idle.spark <= min(idle.reserve_spark, limit) + 0.5
    assert idle.missed_per_minute == pytest.approx(idle.missed * idle.speed / 2.0 * model.geometry.cylinders, rel=1e-12)
    state = model.state(idle.speed, idle.manifold_pressure, idle.spark)
    assert idle.air_flow == pytest.approx(state.air * model.geometry.cylinders * idle.speed / 2.0, rel=1e-12)
    assert idle.fuel_flow == pytest.approx(idle.air_flow / model.fuel.stoichiometric / model.fuel.density, rel=1e-12)
    assert 0.0 < idle.blow_back <= idle.burned_fraction * (1.0 + 1e-12) < 0.6


def test_the_throttle_opening_passes_the_air_of_the_idle(engine_of: Make) -> None:
    # Choked, so mass flow is 0.6847 p/sqrt(RT) of the area (exact for gamma 1.4), times a discharge coefficient of 0.7 (Guzzella & Onder, read).
    model = engine_of("quarry-road", old=True, altitude="0 m")
    idle = neutral(model).si
    assert idle.manifold_pressure < 0.528 * SEA_LEVEL
    flux = 0.7 * 0.684731 * SEA_LEVEL / math.sqrt(287.05 * model.build.site.si.air_temperature)
    assert idle.throttle_area * flux == pytest.approx(idle.air_flow, rel=1e-5)


def test_vacuum_falls_as_overlap_grows(build_of: Make, example: str) -> None:
    build = build_of(example, old=True)
    engines = [QuickEngine(build.replace(cam=build.cam.with_exhaust_turned(f"{by} crank_deg"))) for by in (-8, -4, 0, 4, 8, 12)]
    overlaps = [engine.overlap_factor for engine in engines]
    vacuums = [neutral(engine).si.manifold_vacuum for engine in engines]
    assert overlaps == sorted(overlaps)
    assert vacuums == sorted(vacuums, reverse=True)
    assert vacuums[0] - vacuums[-1] > 0.1 * INHG


def test_the_new_cam_idles_with_less_vacuum_and_more_burned_gas(engine_of: Make, example: str) -> None:
    new, old = engine_of(example), engine_of(example, old=True)
    speed = new.build.idle.si.speed
    assert idle_state(new, speed).si.manifold_vacuum < idle_state(old, speed).si.manifold_vacuum
    assert idle_state(new, speed).si.burned_fraction > idle_state(old, speed).si.burned_fraction


def test_altitude_takes_vacuum_but_less_than_it_takes_from_the_barometer(engine_of: Make, example: str) -> None:
    # At 5000 ft the exhaust, too, is let out into thinner air, which saves pumping and burned gas.
    low, high = (neutral(engine_of(example, old=True, altitude=a)).si.manifold_vacuum for a in ("0 m", "5000 ft"))
    assert 0.0 < low - high < SEA_LEVEL - FIVE_THOUSAND_FEET


def test_altitude_takes_about_the_vacuum_that_it_takes_from_the_textbook_engine(engine_of: Make, example: str) -> None:
    # The rule of one inHg per 1000 ft (US Army Ordnance course, read) is the barometer's own fall; the textbook engine, balanced anew at 5000 ft,
    # loses 4.2 of those 5 inHg. 15 % about that: it carries no burned gas beyond the clearance.
    model = engine_of(example, old=True, altitude="0 m")
    low, high = (neutral(engine_of(example, old=True, altitude=a)).si.manifold_vacuum for a in ("0 m", "5000 ft"))
    rpm, fall = model.build.idle.si.speed * 60.0, SEA_LEVEL - FIVE_THOUSAND_FEET
    textbook = fall - (textbook_idle(rpm).pressure - textbook_idle(rpm, 108e3 - fall).pressure)
    assert fall / INHG == pytest.approx(5.0, rel=0.15)
    assert low - high == pytest.approx(textbook, rel=0.15)


@pytest.mark.parametrize("old", [False, True])
def test_in_drive_and_with_accessories_there_is_less_vacuum(engine_of: Make, old: bool) -> None:
    model = engine_of("long-meadow", old=old)
    vacuum = {(d, a): idle_state(model, drive=d, accessories=a).si.manifold_vacuum for d in (False, True) for a in (False, True)}
    for a in (False, True):
        assert vacuum[True, a] < vacuum[False, a] - INHG
        assert vacuum[a, True] < vacuum[a, False] - 0.5 * INHG


def test_friction_takes_vacuum(build_of: Make, engine_of: Make) -> None:
    build = build_of("quarry-road", old=True)
    stiff = QuickEngine(build.replace(engine=build.engine.replace(friction_factor=1.3)))
    assert neutral(stiff).si.manifold_vacuum < neutral(engine_of("quarry-road", old=True)).si.manifold_vacuum - 0.5 * INHG


def test_spark_kept_from_being_early_takes_vacuum(build_of: Make, engine_of: Make) -> None:
    build = build_of("quarry-road", old=True)
    late = neutral(QuickEngine(build.replace(idle=build.idle.replace(earliest_spark="20 crank_deg"))))
    assert late.si.spark == pytest.approx(20.0, rel=1e-12)
    assert late.si.manifold_vacuum < neutral(engine_of("quarry-road", old=True)).si.manifold_vacuum


def test_held_back_spark_takes_vacuum(build_of: Make, engine_of: Make) -> None:
    build = build_of("quarry-road", old=True)
    held = QuickEngine(build.replace(idle=build.idle.replace(spark_reserve="20 crank_deg")))
    assert neutral(held).si.manifold_vacuum < neutral(engine_of("quarry-road", old=True)).si.manifold_vacuum


@pytest.fixture(scope="module")
def overloaded(build_of: Make) -> QuickEngine:
    """A small engine with accessories that it cannot carry at its idle speed."""
    build = build_of("dockside")
    return QuickEngine(build.replace(engine=build.engine.replace(accessory_power="20 kW")))


def test_an_idle_that_cannot_balance_names_the_lowest_speed_that_can(overloaded: QuickEngine) -> None:
    with pytest.raises(NoSolutionError, match="cannot idle at 950 rpm") as refusal:
        idle_state(overloaded, accessories=True)
    lowest = refusal.value.reachable
    assert lowest is not None
    assert f"{lowest:.0f} rpm" in str(refusal.value)
    assert "raise the idle speed" in str(refusal.value)
    assert lowest > 950.0
    idle_state(overloaded, lowest / 60.0, accessories=True)
    with pytest.raises(NoSolutionError):
        idle_state(overloaded, lowest / 60.0 - SEARCH_STEP, accessories=True)


def test_without_the_load_the_same_engine_idles(overloaded: QuickEngine) -> None:
    assert neutral(overloaded).si.speed * 60.0 == pytest.approx(950.0, rel=1e-12)


def test_an_idle_beyond_every_speed_says_so(build_of: Make) -> None:
    build = build_of("dockside")
    heavy = QuickEngine(build.replace(engine=build.engine.replace(accessory_power="20 kW", friction_factor=2.5), site=build.site.replace(altitude="6000 m")))
    with pytest.raises(NoSolutionError, match="nor at any speed up to 2000 rpm") as refusal:
        idle_state(heavy, accessories=True)
    assert refusal.value.reachable is None


def test_the_lowest_steady_idle_is_steady_and_a_little_below_it_is_not(engine_of: Make) -> None:
    build = engine_of("dockside", old=True).build
    limit = 0.06
    model = QuickEngine(build.replace(limits=build.limits.replace(stability=limit)))
    lowest = lowest_idle(model)
    assert idle_state(model, lowest).si.imep_variation <= limit
    assert idle_state(model, lowest - SEARCH_STEP).si.imep_variation > limit


def test_a_steadier_idle_is_never_slower(engine_of: Make, example: str) -> None:
    model = engine_of(example, old=True)
    assert lowest_idle(model) >= lowest_idle(model, steady=False)


def test_an_idle_that_hardly_misses_is_never_slower_than_one_that_runs(engine_of: Make, example: str) -> None:
    model = engine_of(example)
    found = lowest_idles(model)
    assert found.without_misses >= found.carries
    # Each is the one that is found alone.
    assert (found.carries, found.steady) == pytest.approx((lowest_idle(model, steady=False), lowest_idle(model)), nan_ok=True)


@pytest.mark.parametrize("old", [False, True])
def test_the_verdict_is_what_the_figures_say(engine_of: Make, example: str, old: bool) -> None:
    model = engine_of(example, old=old)
    idle = neutral(model)
    if idle.verdict is not IdleVerdict.MISSES:
        assert (idle.verdict is IdleVerdict.STEADY) is (idle.si.imep_variation <= model.build.limits.stability)
    strict, loose = (model.asking(model.build.replace(limits=model.build.limits.replace(stability=limit))) for limit in (0.02, 0.3))
    assert neutral(strict).verdict is not IdleVerdict.STEADY
    if idle.verdict is not IdleVerdict.MISSES and idle.si.imep_variation <= 0.3:
        assert neutral(loose).verdict is IdleVerdict.STEADY


def test_residual_beyond_any_engine_data_is_flagged_and_less_is_not(engine_of: Make) -> None:
    found = [idle_state(engine_of("quarry-road", old=True), rpm / 60.0) for rpm in (600.0, 900.0, 1200.0, 1500.0)]
    assert [one.beyond_data for one in found] == [one.si.burned_fraction > BEYOND_DATA for one in found]
    assert {one.beyond_data for one in found} == {True, False}
