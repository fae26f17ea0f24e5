"""How much the work of cycles varies, and how many of them miss."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc import Build, QuickEngine, ResolvedEngine
from camcalc.advice.idle import idle_state
from camcalc.burn.ignition import ANCHORED, CAUTIOUS
from camcalc.cycle.models import MODELS
from camcalc.cycle.operating import Tolerances
from camcalc.cycle.work_variation import BASE_VARIATION, MOST_MISSED, best_counted, ignition_law, imep_variation, misfire_spark, work_spread
from tests.oracles.ordinary_engine import diluted, dilution_at_variation

Make = Callable[..., Any]
# A coil-ignited engine at 1500 rpm and 5.6 bar of indicated pressure at its limit: 22.7 % of recirculated gas and some 6 % of its own
# (J. Eng. Gas Turbines Power 138, 112807, 2016, abstract read). That load is 70 kPa here.
LIMIT, LIMIT_LOAD = 0.27, 70e3
LONG_IDLE = 850.0 / 60.0, 55e3
# Cycles that nothing puts out: what is left is scatter through the torque curve.
UNFAILING = ANCHORED._replace(kernel_turbulence=0.0, energy=1.0, most_stretch=1e9)


@pytest.fixture(scope="module")
def mild(resolved_of: Make) -> ResolvedEngine:
    found: ResolvedEngine = resolved_of("quarry-road", old=True)
    return found


@pytest.fixture(scope="module")
def long(resolved_of: Make) -> ResolvedEngine:
    found: ResolvedEngine = resolved_of("quarry-road")
    return found


def test_a_spread_is_what_its_parts_say(long: ResolvedEngine) -> None:
    spread = work_spread(long, *LONG_IDLE, 20.0)
    assert spread.mean == long.state(*LONG_IDLE, 20.0)
    assert spread.variation == spread.deviation / spread.gross == imep_variation(long, *LONG_IDLE, 20.0)
    assert spread.net == pytest.approx(spread.mean.net - spread.mean.gross + spread.gross, rel=1e-12)
    assert 0.0 <= spread.missed <= 1.0
    assert spread.missed + spread.partial <= 1.0


def test_a_clean_charge_keeps_two_per_cent(mild: ResolvedEngine) -> None:
    # 2 to 5 % is normal running (Heywood 1988, from memory).
    spread = work_spread(mild, 2000.0 / 60.0, 90e3, mild.best_spark(2000.0 / 60.0, 90e3))
    assert BASE_VARIATION * 0.99 < spread.variation < 0.025
    assert spread.missed == 0.0


def test_where_the_engine_does_not_run_nothing_is_steady(long: ResolvedEngine) -> None:
    spread = work_spread(long, 500.0 / 60.0, 22e3, 30.0)
    assert not spread.mean.runs
    assert (spread.variation, spread.missed) == (math.inf, 1.0)
    assert math.isnan(misfire_spark(long, 500.0 / 60.0, 22e3))


def test_a_tolerance_multiplies_its_own_constant(build_of: Make) -> None:
    engine = QuickEngine(build_of("quarry-road"), Tolerances(kernel_turbulence=1.2, spark_energy=0.5, plug_scatter=1.1, turbulence_scatter=0.9))
    law = ignition_law(engine)
    assert law.kernel_turbulence == pytest.approx(1.2 * ANCHORED.kernel_turbulence)
    assert law.energy == pytest.approx(0.5 * ANCHORED.energy)
    assert law.plug_scatter == pytest.approx(1.1 * ANCHORED.plug_scatter)
    assert law.turbulence_scatter == pytest.approx(0.9 * ANCHORED.turbulence_scatter)
    assert ignition_law(engine, cautious=True).kernel_turbulence == pytest.approx(1.2 * CAUTIOUS.kernel_turbulence)


# --- the ordinary engine, to which one constant is anchored ---


def test_ordinary_engines_reach_ten_per_cent_where_the_published_one_had_its_limit(resolved_of: Make) -> None:
    reached = [dilution_at_variation(resolved_of(name, old=True), LIMIT_LOAD) for name in ("quarry-road", "dockside", "long-meadow")]
    assert float(np.mean(reached)) == pytest.approx(LIMIT, abs=0.01)
    # Textbooks: 0.25 to 0.30 (from memory); engines differ.
    assert all(0.24 < x < 0.31 for x in reached)


def test_an_ordinary_engine_burns_longer_and_asks_for_more_spark_with_more_burned_gas(mild: ResolvedEngine) -> None:
    sweep = [diluted(mild, 45e3, x) for x in (0.05, 0.10, 0.15, 0.20, 0.25)]
    for name in ("development", "rapid_burn"):
        values = [getattr(point.mean, name) for point in sweep]
        assert values == sorted(values)
    sparks = [point.spark for point in sweep]
    assert sparks == sorted(sparks)
    # Best torque with a quarter of burned gas: 45 to 50 degrees (textbook, from memory); half a degree is the search's own.
    assert 40.0 < sparks[-1] < 50.5


def test_variation_steepens_with_the_length_of_the_burn(mild: ResolvedEngine) -> None:
    # Ayala, Gerty & Heywood 2006 (from memory), for its sign: they found the knee at 30 to 35 degrees of rapid burn.
    sweep = [diluted(mild, LIMIT_LOAD, x) for x in (0.05, 0.15, 0.24, 0.28)]
    slopes = [(b.variation - a.variation) / (b.mean.rapid_burn - a.mean.rapid_burn) for a, b in itertools.pairwise(sweep)]
    assert slopes == sorted(slopes)
    assert slopes[-1] > 5.0 * slopes[0]


def test_early_sparks_into_diluted_charge_lose_kernels_and_the_window_closes(mild: ResolvedEngine) -> None:
    # Quader 1976 (from memory), for its sign: the earliest usable spark comes later, the latest useful one earlier, as dilution grows.
    latest_half = mild.build.limits.si.latest_half_burned
    windows = []
    for burned in (0.24, 0.28, 0.32):
        sparks = np.arange(0.0, 61.0, 4.0)
        points = [diluted(mild, 45e3, burned, spark=float(s)) for s in sparks]
        missed = np.array([p.outcomes.missed for p in points])
        assert np.all(np.diff(missed)[missed[:-1] > MOST_MISSED] > 0.0)
        usable = [s for s, p in zip(sparks, points, strict=True) if p.outcomes.missed <= MOST_MISSED and p.mean.half_burned <= latest_half]
        windows.append(max(usable) - min(usable) if usable else -1.0)
    assert windows[0] > windows[1] > windows[2]


def test_burning_cycles_vary_more_with_retard(mild: ResolvedEngine) -> None:
    # Russ, Lavoie & Dai 1999 (abstract read): below the misfire edge variation rises with retard, through phasing.
    for burned in (0.15, 0.25):
        best = diluted(mild, 45e3, burned, law=UNFAILING)
        later = [diluted(mild, 45e3, burned, spark=best.spark - d, law=UNFAILING).variation for d in (10.0, 20.0, 30.0)]
        assert best.variation < later[0] < later[1] < later[2]


# --- along the line of equal torque, and over spark ---


def test_at_equal_torque_a_later_spark_leaves_less_residual(long: ResolvedEngine) -> None:
    from camcalc.cycle.operating import pressure_for_net_imep

    net = 1.2e5
    residuals = [long.state(20.0, pressure_for_net_imep(long, 20.0, net, s), s).burned_fraction for s in (36.0, 24.0, 12.0)]
    assert residuals[0] > residuals[1] > residuals[2]


def test_below_the_edge_a_long_cam_s_idle_is_flat_in_spark(long: ResolvedEngine) -> None:
    # The charge grows cleaner and the burn later: the two nearly cancel; far from the fall that a spread of residual alone gave.
    edge = misfire_spark(long, *LONG_IDLE)
    varied = [work_spread(long, *LONG_IDLE, edge - d).variation for d in (3.0, 8.0, 13.0)]
    assert max(varied) < 1.15 * min(varied)


def test_above_the_edge_misses_multiply(long: ResolvedEngine) -> None:
    edge = misfire_spark(long, *LONG_IDLE)
    assert work_spread(long, *LONG_IDLE, edge - 0.5).missed <= MOST_MISSED * 1.1
    missed = [work_spread(long, *LONG_IDLE, edge + d).missed for d in (0.5, 5.0, 10.0, 20.0)]
    assert MOST_MISSED * 0.9 < missed[0] < missed[1] < missed[2] < missed[3]
    assert missed[3] > 0.2


def test_the_pessimistic_edge_is_no_earlier_and_a_hotter_spark_helps(long: ResolvedEngine, build_of: Make) -> None:
    edge = misfire_spark(long, *LONG_IDLE)
    assert misfire_spark(long, *LONG_IDLE, cautious=True) < edge
    assert misfire_spark(ResolvedEngine(build_of("quarry-road"), Tolerances(spark_energy=3.0)), *LONG_IDLE) > edge


def test_no_spark_searched_misses_on_a_full_mild_charge(mild: ResolvedEngine) -> None:
    assert misfire_spark(mild, 2000.0 / 60.0, 80e3) == math.inf


def test_best_torque_with_missed_cycles_counted_is_later_and_better_in_the_mean(long: ResolvedEngine) -> None:
    speed, pressure = 1000.0 / 60.0, 50e3
    best, counted = long.best_spark(speed, pressure), best_counted(long, speed, pressure)
    assert counted < best - 5.0
    net = {s: work_spread(long, speed, pressure, s).net for s in (counted - 4.0, counted, counted + 4.0, best)}
    # Counted from some 9000 cycles: the top is found to within a thousandth.
    assert net[counted] >= max(net.values()) * (1.0 - 1e-3)


def test_without_missed_cycles_best_torque_stays(mild: ResolvedEngine) -> None:
    assert best_counted(mild, 2000.0 / 60.0, 70e3) == mild.best_spark(2000.0 / 60.0, 70e3)


# --- engines and cams ---


@pytest.mark.parametrize("pressure", [45e3, 60e3])
@pytest.mark.parametrize("kind", MODELS)
def test_a_longer_cam_runs_less_steadily(build_of: Make, example: str, pressure: float, kind: str) -> None:
    # "Idle cycle-to-cycle stability is proportional to the degree of valve overlap" (textbook on engine testing, read), taken for its sign.
    new, old = (MODELS[kind](build_of(example, old=old)) for old in (False, True))
    speed = 1000.0 / 60.0
    assert imep_variation(new, speed, pressure, 24.0) > imep_variation(old, speed, pressure, 24.0)


def test_a_long_cam_idles_roughly_yet_runs_and_a_mild_one_does_not_miss(build_of: Make, example: str) -> None:
    # The limit of drivability is 10 % (Heywood 1988, section 9.4, from memory).
    new, old = (idle_state(MODELS["resolved"](with_cam(build_of, example, old=old))) for old in (False, True))
    assert new.si.imep_variation > 0.10 > old.si.imep_variation
    assert old.si.missed < 1e-3
    assert new.si.manifold_vacuum > 10e3


def with_cam(build_of: Make, example: str, *, old: bool) -> Build:
    found: Build = build_of(example, old=old)
    return found
