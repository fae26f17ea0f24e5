"""An answer depends on the question alone: any order of questions, any number of threads, the same bits."""

from __future__ import annotations

import functools
import random
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pytest

from camcalc.advice.idle_speeds import lowest_idle
from camcalc.advice.spark import spark_ceilings
from camcalc.cycle.engine_tables import engine_tables
from camcalc.cycle.lattice import PRESSURE_STEP, SPARK_STEP, SPEED_ORIGIN, SPEED_STEP
from camcalc.cycle.models import MODELS

Make = Callable[..., Any]

# Where the charge does not hold still, where it does, close to each other and far apart, one that dies; rev/s and Pa.
POINTS = [(rpm / 60.0, kpa * 1e3) for rpm in (1000.0, 1400.0, 1425.0, 2600.0) for kpa in (36.0, 55.0, 56.0, 90.0)]
SPARK = 27.5
QUESTIONS: dict[str, Callable[[Any, float, float], Any]] = {
    "state": lambda engine, speed, pressure: engine.state(speed, pressure, SPARK),
    "best spark": lambda engine, speed, pressure: (engine.best_spark(speed, pressure), engine.knock_spark(speed, pressure)),
    "net IMEP": lambda engine, speed, pressure: (engine.net_imep(speed, pressure, None), engine.net_imep(speed, pressure, 24.0)),
    "diluted": lambda engine, speed, pressure: engine.best_spark(speed, pressure, burned_fraction=0.3),
}
ORDERS = 6


@pytest.fixture(scope="module")
def alone(build_of: Make) -> Make:
    """Give the answer at each point of an engine that was asked nothing else."""

    @functools.cache
    def answers(question: str) -> dict[tuple[float, float], Any]:
        return {point: QUESTIONS[question](MODELS["resolved"](build_of("quarry-road")), *point) for point in POINTS}

    return answers


def test_the_points_are_of_every_kind(alone: Make) -> None:
    found = [state.air for state in alone("state").values()]
    assert min(found) == 0.0 < max(found)
    sparks = [best for best, _ in alone("best spark").values()]
    assert max(sparks) - min(sparks) > 20.0


@pytest.mark.parametrize("order", range(ORDERS))
@pytest.mark.parametrize("question", QUESTIONS)
def test_the_order_of_questions_does_not_matter(build_of: Make, alone: Make, question: str, order: int) -> None:
    engine = MODELS["resolved"](build_of("quarry-road"))
    shuffled = random.Random(order).sample(POINTS, len(POINTS))
    assert {point: QUESTIONS[question](engine, *point) for point in shuffled} == alone(question)


def test_neither_do_other_questions_before(build_of: Make, alone: Make) -> None:
    engine = MODELS["resolved"](build_of("quarry-road"))
    mixed = random.Random(7).sample([(question, point) for question in QUESTIONS for point in POINTS], len(QUESTIONS) * len(POINTS))
    assert all(QUESTIONS[question](engine, *point) == alone(question)[point] for question, point in mixed)


@pytest.mark.parametrize("threads", [1, 2, 4])
def test_threads_that_ask_at_once_are_answered_alike(build_of: Make, alone: Make, threads: int) -> None:
    engine = MODELS["resolved"](build_of("quarry-road"))
    asked = random.Random(threads).sample(2 * [(question, point) for question in QUESTIONS for point in POINTS], 2 * len(QUESTIONS) * len(POINTS))
    with ThreadPoolExecutor(threads) as pool:
        found = list(pool.map(lambda ask: QUESTIONS[ask[0]](engine, *ask[1]), asked))
    assert found == [alone(question)[point] for question, point in asked]


def test_a_breathing_plenum_is_order_free_too(build_of: Make) -> None:
    build = build_of("quarry-road", old=True)
    build = build.replace(engine=build.engine.replace(intake="individual throttles"))
    points = [(25.0, 60e3), (26.0, 61e3), (40.0, 45e3), (40.0, 80e3)]

    def answers(order: list[tuple[float, float]]) -> dict[tuple[float, float], Any]:
        engine = MODELS["resolved"](build)
        return {point: engine.state(*point, SPARK) for point in order}

    assert answers(points) == answers(points[::-1])


def test_ceilings_and_tables_do_not_depend_on_the_number_of_processors(build_of: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    def found(processors: int) -> list[Any]:
        monkeypatch.setattr("os.cpu_count", lambda: processors)
        engine = MODELS["resolved"](build_of("quarry-road"))
        ceilings = spark_ceilings(engine, np.array([1200.0, 1400.0, 1600.0]) / 60.0, np.array([45e3, 60e3, 85e3])).si
        tables = engine_tables(engine, np.array([1200.0, 1600.0]) / 60.0, np.array([40e3, 60e3]), np.array([20.0, 30.0]))
        return [ceilings.ceiling, ceilings.least_limit, ceilings.imep_variation, ceilings.torque_curve, tables.values]

    one = found(1)
    for processors in (2, 4):
        for value, same in zip(one, found(processors), strict=True):
            np.testing.assert_array_equal(value, same)


def test_the_ceilings_of_a_column_do_not_depend_on_other_columns_or_on_the_idle(build_of: Make) -> None:
    speed, loads = 1400.0 / 60.0, np.array([50e3, 70e3, 90e3])
    alone, after = (MODELS["resolved"](build_of("quarry-road")) for _ in range(2))
    lowest_idle(after, steady=False)
    whole = spark_ceilings(after, np.array([1300.0 / 60.0, speed, 1500.0 / 60.0]), loads).si
    column = spark_ceilings(alone, np.array([speed]), loads).si
    np.testing.assert_array_equal(whole.least_limit[:, 1:2], column.least_limit)
    np.testing.assert_array_equal(whole.torque_curve[:, 1:2], column.torque_curve)


# Either side of the lattice's borders: the start is another, the answer the same within what settling leaves open.


@pytest.mark.parametrize("which", ["speed", "pressure", "spark"])
def test_where_the_start_changes_the_answer_hardly_does(build_of: Make, which: str) -> None:
    engine = MODELS["resolved"](build_of("quarry-road"))
    border = [SPEED_ORIGIN * np.exp(0.5 * SPEED_STEP), engine.ambient * 4.5 * PRESSURE_STEP, 0.5 * SPARK_STEP]
    below, above = border.copy(), border.copy()
    k = ("speed", "pressure", "spark").index(which)
    below[k], above[k] = border[k] * (1.0 - 1e-9), border[k] * (1.0 + 1e-9)
    assert engine.lattice.place(*below) != engine.lattice.place(*above)
    one, other = engine.state(*map(float, below)), engine.state(*map(float, above))
    assert one.net == pytest.approx(other.net, rel=1e-3)
    # Settling stops within 5e-6 a cycle; where a cycle forgets slowly that leaves some forty times as much.
    assert one.burned_fraction == pytest.approx(other.burned_fraction, rel=2e-4)
    assert one.trapped == pytest.approx(other.trapped, rel=1e-4)
