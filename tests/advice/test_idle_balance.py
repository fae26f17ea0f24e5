"""The balance of an idle: one spark by its rule, a pressure at which all cycles together carry the load."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from camcalc import NoSolutionError, QuickEngine
from camcalc.advice import idle_balance as balance
from camcalc.advice.idle import IdleVerdict, idle_state
from camcalc.advice.idle_balance import IdleSparkRule, idle_sparks, load_terms, standing_balance
from camcalc.advice.late_burn import latest_useful_spark, past_limit
from camcalc.cycle.best_torque import LATEST
from camcalc.cycle.work_variation import MOST_MISSED, Spread, misfire_spark, work_spread
from camcalc.marks import Mark

Make = Callable[..., Any]
BOTH = [("quarry-road", False), ("quarry-road", True)]


class Missing:
    """Misses that begin at a spark and grow by so much a degree, put in the place of the engine's own; no missed cycle makes work."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, limit: float, growth: float = 0.02) -> None:
        self.limit, self.growth = limit, growth
        monkeypatch.setattr(balance, "work_spread", self.spread)
        monkeypatch.setattr(balance, "misfire_spark", lambda engine, speed, pressure: limit)
        monkeypatch.setattr(balance, "best_counted", lambda engine, speed, pressure: engine.best_spark(speed, pressure))

    def spread(self, engine: Any, speed: float, pressure: float, spark: float) -> Spread:
        mean = engine.state(speed, pressure, spark)
        missed = min(MOST_MISSED + self.growth * (spark - self.limit), 0.9) if spark > self.limit else 0.0
        return Spread(mean, (1.0 - missed) * mean.gross, 0.05 * mean.gross, missed, 0.0, 1.0 - missed, 0.05)


@pytest.fixture
def mild(engine_of: Make) -> QuickEngine:
    return engine_of("quarry-road", old=True)  # type: ignore[no-any-return]


def capped(model: QuickEngine, cap: str) -> QuickEngine:
    return model.asking(model.build.replace(idle=model.build.idle.replace(earliest_spark=cap)))


def test_where_nothing_misses_the_idle_spark_is_best_torque_less_the_reserve(monkeypatch: pytest.MonkeyPatch, mild: QuickEngine) -> None:
    Missing(monkeypatch, math.inf)
    found = idle_sparks(mild, 11.0, 35e3)
    assert found.rule is IdleSparkRule.RESERVE
    assert found.spark == found.reserve == mild.best_spark(11.0, 35e3) - mild.build.idle.si.spark_reserve


def test_where_the_reserve_spark_misses_the_misfire_limit_is_the_idle_spark(monkeypatch: pytest.MonkeyPatch, mild: QuickEngine) -> None:
    limit = mild.best_spark(11.0, 35e3) - mild.build.idle.si.spark_reserve - 3.0
    assert not past_limit(mild, mild.state(11.0, 35e3, limit))
    Missing(monkeypatch, limit)
    found = idle_sparks(mild, 11.0, 35e3)
    assert found.rule is IdleSparkRule.MISFIRE
    assert found.spark == limit < found.reserve


def test_a_late_misfire_limit_is_kept(monkeypatch: pytest.MonkeyPatch, mild: QuickEngine) -> None:
    # A late burn heats the exhaust and wastes fuel; a spark that loses kernels does worse.
    Missing(monkeypatch, -8.0)
    found = idle_sparks(mild, 11.0, 35e3)
    assert (found.rule, found.spark) == (IdleSparkRule.MISFIRE, -8.0)


@pytest.mark.parametrize("limit", [-math.inf])
def test_where_every_spark_misses_the_latest_useful_spark_stands_in(monkeypatch: pytest.MonkeyPatch, mild: QuickEngine, limit: float) -> None:
    Missing(monkeypatch, limit)
    found = idle_sparks(mild, 11.0, 35e3)
    best = mild.best_spark(11.0, 35e3)
    assert found.rule is IdleSparkRule.LATEST_USEFUL
    assert found.spark == min(latest_useful_spark(mild, mild.state(11.0, 35e3, best), best), found.reserve) > limit
    assert mild.state(11.0, 35e3, found.spark).half_burned <= mild.build.limits.si.latest_half_burned + 0.6


def test_an_idle_that_misses_on_its_latest_useful_spark_says_so_and_counts(monkeypatch: pytest.MonkeyPatch, mild: QuickEngine) -> None:
    Missing(monkeypatch, -100.0, 0.001)
    found = idle_state(mild)
    assert found.verdict is IdleVerdict.MISSES
    assert found.rule is IdleSparkRule.LATEST_USEFUL
    assert found.si.missed == pytest.approx(MOST_MISSED + 0.001 * (found.si.spark + 100.0), rel=1e-12)
    per_minute = found.si.missed * found.speed.magnitude / 2.0 * mild.geometry.cylinders
    assert found.missed_per_minute.magnitude == pytest.approx(per_minute, rel=1e-12)


def test_a_cap_counts_where_the_sheet_states_one_below_the_computed_spark_and_there_is_none_without(mild: QuickEngine) -> None:
    assert math.isnan(mild.build.idle.si.earliest_spark)
    free = idle_state(mild)
    assert free.rule is not IdleSparkRule.STATED
    below, above = (idle_state(capped(mild, f"{free.si.spark + by:.2f} crank_deg")) for by in (-4.0, 4.0))
    assert (below.rule, below.mark("spark")) == (IdleSparkRule.STATED, Mark.CAP)
    assert below.si.spark == pytest.approx(free.si.spark - 4.0, abs=0.01)
    assert above.rule is free.rule
    assert above.si.spark == free.si.spark


@pytest.mark.parametrize(("name", "old"), BOTH)
def test_all_cycles_together_carry_the_load_on_the_spark_that_is_reported(resolved_of: Make, name: str, old: bool) -> None:
    model = resolved_of(name, old=old)
    idle = idle_state(model).si
    spread = work_spread(model, idle.speed, idle.manifold_pressure, idle.spark)
    load = load_terms(model, idle.speed, drive=False, accessories=False).total
    assert spread.net == pytest.approx(load, rel=2e-3)
    assert (spread.variation, spread.missed) == (idle.imep_variation, idle.missed)
    # The spark of the rule at that very pressure, to a step of its search and what a step of load moves it.
    assert idle_sparks(model, idle.speed, idle.manifold_pressure).spark == pytest.approx(idle.spark, abs=0.5)
    assert idle.spark <= max(idle.misfire_limit, 0.0) + 0.5
    assert idle.reserve_spark == pytest.approx(idle.best_spark - model.build.idle.si.spark_reserve, rel=1e-12)


def test_missed_cycles_are_made_up_by_the_others(monkeypatch: pytest.MonkeyPatch, mild: QuickEngine) -> None:
    speed = mild.build.idle.si.speed
    Missing(monkeypatch, math.inf)
    none = standing_balance(mild, speed, 15.0)
    Missing(monkeypatch, 10.0)
    some = standing_balance(mild, speed, 15.0)
    assert some.missed > 0.1
    assert some.mean.manifold_pressure > none.mean.manifold_pressure
    assert some.mean.net > some.net == pytest.approx(none.net, rel=1e-3)


def test_misses_grow_with_earlier_spark_and_residual_falls_with_later_spark(resolved_of: Make) -> None:
    model = resolved_of("quarry-road")
    speed = model.build.idle.si.speed
    early, late = (standing_balance(model, speed, spark) for spark in (40.0, 15.0))
    assert early.missed > late.missed
    assert early.variation > late.variation
    assert late.mean.burned_fraction < early.mean.burned_fraction


def test_the_cautious_misfire_limit_is_never_earlier(resolved_of: Make) -> None:
    model = resolved_of("quarry-road")
    idle = idle_state(model).si
    assert idle.cautious_misfire_limit <= idle.misfire_limit
    assert misfire_spark(model, idle.speed, idle.manifold_pressure) == idle.misfire_limit


def test_a_load_beyond_reach_has_no_balance(build_of: Make) -> None:
    build = build_of("dockside")
    heavy = QuickEngine(build.replace(engine=build.engine.replace(accessory_power="20 kW", friction_factor=2.5)))
    with pytest.raises(NoSolutionError, match="beyond reach"):
        balance.idle_balance(heavy, 8.0, accessories=True)


def test_an_idle_at_a_pressure_where_nothing_runs_has_sparks_and_makes_nothing(resolved_of: Make) -> None:
    found = idle_sparks(resolved_of("quarry-road"), 11.0, 30e3)
    assert math.isfinite(found.spark)
    assert work_spread(resolved_of("quarry-road"), 11.0, 30e3, found.spark).net < 0.0


@pytest.mark.parametrize(("least", "expected"), [(20.0, (20.0, 23.0)), (-20.0, (14.5, 15.5))])
def test_the_latest_useful_spark_is_one_on_which_the_engine_runs(least: float, expected: tuple[float, float]) -> None:
    """Half is burned at 50 less the spark, and may be by 35: 15 would do, where the engine lives so long."""

    def state(spark: float) -> Any:
        return SimpleNamespace(runs=spark >= least, half_burned=50.0 - spark, exhaust_temperature=700.0, speed=20.0, manifold_pressure=5e4)

    limits = SimpleNamespace(si=SimpleNamespace(latest_half_burned=35.0, hottest_exhaust=1200.0))
    engine: Any = SimpleNamespace(build=SimpleNamespace(limits=limits), state=lambda speed, pressure, spark: state(spark))
    found = latest_useful_spark(engine, state(40.0), 40.0)
    assert state(found).runs
    assert expected[0] <= found <= expected[1]


def test_where_even_the_latest_spark_searched_serves_it_is_that_one() -> None:
    state: Any = SimpleNamespace(runs=True, half_burned=-40.0, exhaust_temperature=600.0, speed=20.0, manifold_pressure=5e4)
    limits = SimpleNamespace(si=SimpleNamespace(latest_half_burned=35.0, hottest_exhaust=1200.0))
    engine: Any = SimpleNamespace(build=SimpleNamespace(limits=limits), state=lambda speed, pressure, spark: state)
    assert latest_useful_spark(engine, state, 40.0) == LATEST
