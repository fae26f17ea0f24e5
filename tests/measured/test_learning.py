"""Synthetic cars learned back: bands hold the truth as often as they say, shrink as promised, and faults are named."""

from __future__ import annotations

import collections
import math
from typing import Any

import numpy as np
import pytest

import camcalc as cc
from camcalc.advice.bands import HEADLINES
from camcalc.measured.design import HEADLINE_NAMES, Design, key_of
from camcalc.measured.emulator import fit_emulator
from camcalc.measured.learning import POINTS, _Draws, _figures, _learned
from camcalc.measured.likelihood import agreement_of, fault_posteriors, likelihood_of, likely_faults, posterior_of_readings
from camcalc.measured.observed import CLOSENESS, DISCREPANCIES, Observed, Quantity
from camcalc.measured.posterior import prior_draws
from camcalc.measured.prior import Fault
from camcalc.measured.records import Learning, LearningOutcome
from camcalc.units import quantity
from camcalc.words.readings import rests_words
from tests.measured.make_cars import BEFORE, BUILD, NEW, TRUE_FAULTS, car_reads, read_table, readings, stored_design, title

FOLDS, NOISES = 4, 3
# Idle at one speed; idles at two speeds and compression; all that a car can give with its new cam.
SETS = {"idle": (2,), "idles_and_compression": (1, 2, 3), "all": (1, 2, 3, 4, 5, 6, 7)}


def noisy(one: Observed, value: float, common: float, own: float, read: float) -> Observed:
    """A reading of a true car: off by the model's own error in common and alone, and by the reading's; each a standard normal number."""
    off = DISCREPANCIES[one.quantity]
    size = abs(value) if off.share else 1.0
    absolute, share = CLOSENESS[one.name]
    closeness = math.hypot(absolute, share * abs(value))
    return one._replace(value=value + off.common * size * common + off.own * size * own + closeness * read, closeness=closeness)


def learned_back(design: Design, rows: tuple[int, ...]) -> dict[str, list[tuple[bool, float, float]]]:
    """Each car learned back from cars that it is not among: by headline, whether its band holds the truth, how far it narrowed, what was promised."""
    rng, every, found = np.random.default_rng(3), readings(rows), collections.defaultdict(list)
    for fold in range(FOLDS):
        out = np.arange(len(design.inputs)) % FOLDS == fold

        def kept(table: Any, out: Any = out) -> dict[str, Any]:
            return {key: values[~out] for key, values in table.items()}

        others = design._replace(inputs=design.inputs[~out], readings=kept(design.readings), headlines=kept(design.headlines), faulty={})
        heads = {name: fit_emulator(others.inputs, values) for name, values in others.headlines.items()}
        for car in np.flatnonzero(out):
            for _ in range(NOISES):
                common = {kind: float(rng.normal()) for kind in Quantity}
                own = [noisy(one, design.readings[key_of(one)][car], common[one.quantity], *rng.normal(size=2)) for one in every]
                likelihood, _unused = likelihood_of(others, own)
                posterior = posterior_of_readings(likelihood)
                before = _Draws(prior_draws(likelihood.size), np.full(2**13, 2.0**-13))
                for figure in _figures({k: v for k, v in heads.items() if v}, likelihood, before, _Draws(posterior.draws, posterior.weights)):
                    truth = design.headlines[figure.name][car]
                    off = DISCREPANCIES[Quantity.IDLE_PRESSURE]
                    if figure.name == "vacuum" and Quantity.IDLE_PRESSURE in likelihood.kinds:
                        truth -= off.common * common[Quantity.IDLE_PRESSURE]
                    truth += POINTS.get(figure.name, 0.0) * off.own * rng.normal()
                    unit, show, _ = HEADLINES[figure.name]
                    if math.isfinite(truth):
                        shown = float(quantity(truth, unit, show).magnitude)
                        found[figure.name].append((figure.after_low <= shown <= figure.after_high, figure.narrowed, figure.promised))
    return found


@pytest.mark.slow
@pytest.mark.parametrize("which", SETS)
def test_bands_hold_the_truth_as_often_as_they_say_and_shrink_as_promised(allowed: Design, which: str) -> None:
    found = learned_back(allowed, SETS[which])
    held = {name: float(np.mean([one[0] for one in rows])) for name, rows in found.items()}
    every = float(np.mean([one[0] for rows in found.values() for one in rows]))
    assert 0.75 <= every <= 0.85, held
    # 64 cars: a band that holds 80 % of all cars holds 65 to 95 % of so many, three deviations.
    assert all(0.65 <= share <= 0.95 for share in held.values()), held
    for name, rows in found.items():
        narrowed, promised = (float(np.mean([one[k] for one in rows])) for k in (1, 2))
        assert narrowed / promised == pytest.approx(1.0, abs=0.30), name


def test_readings_that_the_sheet_allows_seldom_contradict_it(allowed: Design) -> None:
    rng, every = np.random.default_rng(11), readings((1, 2, 3, 6))
    chances = []
    for car in range(len(allowed.inputs)):
        common = {kind: float(rng.normal()) for kind in Quantity}
        own = [noisy(one, allowed.readings[key_of(one)][car], common[one.quantity], *rng.normal(size=2)) for one in every]
        chances.append(agreement_of(likelihood_of(allowed, own)[0]).by_chance)
    assert np.mean(np.array(chances) < 0.01) <= 0.05
    assert 0.35 <= np.mean(chances) <= 0.65


def learn_from(design: Design, changed: dict[str, float], rows: tuple[int, ...] = NEW) -> Learning:
    """What the first of the stored cars says with some readings changed, by column."""
    own = [one._replace(value=changed.get(title(one), float(np.mean(design.readings[key_of(one)])))) for one in readings(rows)]
    own = [one._replace(closeness=math.hypot(CLOSENESS[one.name][0], CLOSENESS[one.name][1] * abs(one.value))) for one in own]
    return _learned(cc.load_build(BUILD), "resolved", design, own, [])


def test_readings_that_contradict_are_named_and_nothing_is_learned(allowed: Design) -> None:
    plain = learn_from(allowed, {})
    assert plain.outcome is LearningOutcome.AGREES
    assert plain.learned is not None
    # A second idle whose pressure does not belong to the first: 12 kPa high.
    high = learn_from(allowed, {"3:manifold_pressure": float(np.mean(allowed.readings[key_of(readings((3,))[0])])) + 12e3})
    assert high.contradicts
    assert high.learned is None
    worst = max(high.readings, key=lambda one: abs(one.off))
    assert worst.name == "manifold_pressure"
    assert high.faults
    text = cc.describe(high)
    assert "contradict" in text
    # A brief says so before its first figure.
    assert rests_words(plain) == "Figures rest on 5 readings of this car, which agree with the sheet."
    assert rests_words(high).startswith("! 5 readings of this car contradict the sheet")
    assert "Nothing below rests on them" in rests_words(high)


def test_closer_readings_leave_less_and_readings_without_weight_leave_all(allowed: Design) -> None:
    every = readings((2,))

    def narrowed(closeness: float) -> float:
        own = [one._replace(value=float(np.mean(allowed.readings[key_of(one)])), closeness=closeness * abs(one.value)) for one in every]
        return _learned(cc.load_build(BUILD), "resolved", allowed, own, []).figure("vacuum").narrowed

    close, usual, blunt, nothing = (narrowed(share) for share in (0.001, 0.02, 0.2, 50.0))
    assert close < usual < blunt < nothing
    assert nothing == pytest.approx(1.0, abs=0.02)
    # The model's own error at each reading is left, however closely it was read.
    assert close > 0.05


def test_many_readings_of_one_kind_do_not_squeeze_the_models_own_error_out(allowed: Design) -> None:
    one = readings((2,))[0]
    exact = one._replace(value=float(np.mean(allowed.readings[key_of(one)])), closeness=1.0)
    once = _learned(cc.load_build(BUILD), "resolved", allowed, [exact], []).figure("burned_fraction")
    often = _learned(cc.load_build(BUILD), "resolved", allowed, [exact] * 20, []).figure("burned_fraction")
    assert often.narrowed > 0.9 * once.narrowed


@pytest.fixture(scope="module")
def ranked() -> dict[str, dict[Fault, list[int]]]:
    """Where the true fault of each car stands, without and with readings of the cam before."""
    design, rng = stored_design(), np.random.default_rng(21)
    every, found = readings((*NEW, *BEFORE)), {"new": collections.defaultdict(list), "with_before": collections.defaultdict(list)}
    sizes = dict(TRUE_FAULTS)
    for row in read_table("faulty_cars.csv"):
        fault = Fault.of(row["fault"])
        common = {kind: float(rng.normal()) for kind in Quantity}
        own = []
        for one in every:
            value = float(row[title(one)])
            gauge = 1.0 + (sizes[fault] if fault is Fault.GAUGE and one.name == "manifold_pressure" else 0.0)
            leak = sizes[fault] if fault is Fault.UNMETERED_AIR and one.name == "air_flow" and not one.before else 0.0
            own.append(noisy(one, value * gauge - leak, common[one.quantity], *rng.normal(size=2)))
        for name, rows in (("new", NEW), ("with_before", (*NEW, *BEFORE))):
            likelihood, _ = likelihood_of(design, [one for one in own if one.row in rows])
            order = [one for one, _ in likely_faults(likelihood, posterior_of_readings(likelihood), fault_posteriors(likelihood, design))]
            found[name][fault].append(order.index(fault))
    return found


def first_two(places: dict[Fault, list[int]]) -> dict[str, float]:
    return {fault.code: float(np.mean(np.array(own) < 2)) for fault, own in places.items()}


@pytest.mark.slow
def test_faults_are_named_where_the_cam_before_was_measured_too(ranked: dict[str, dict[Fault, list[int]]]) -> None:
    shares = first_two(ranked["with_before"])
    # Of five candidates two are named by chance in 40 % of cars.
    assert np.mean(list(shares.values())) >= 0.70, shares
    assert all(share >= 0.55 for share in shares.values()), shares


@pytest.mark.slow
@pytest.mark.xfail(strict=True, reason="first or second of five from the new cam alone: late cam 56, rockers 60, gauge 40, leak 88 %; 80 % asked")
def test_faults_are_named_from_the_new_cam_alone(ranked: dict[str, dict[Fault, list[int]]]) -> None:
    shares = first_two(ranked["new"])
    assert all(share >= 0.80 for share in shares.values()), shares


@pytest.mark.slow
def test_cars_are_still_those_of_the_engine(allowed: Design) -> None:
    # Pinned: our own earlier output, only to notice drift.
    for car in (0, 37):
        found = car_reads(None, 0.0, allowed.inputs[car].tolist())
        stored = [allowed.readings[key_of(one)][car] for one in readings()]
        assert found == pytest.approx(stored, rel=0.01)


def test_every_headline_has_cars(allowed: Design) -> None:
    assert set(allowed.headlines) == set(HEADLINE_NAMES)
    assert all(np.isfinite(values).mean() > 0.9 for values in allowed.headlines.values())
