"""Cars whose truth comes from other physics than what they are learned with: what bands hold then, and whether what is far off is said.

``held_out.csv`` is made by ``python -m tests.measured.make_cars``.
"""

from __future__ import annotations

import collections
import functools
import math
from typing import NamedTuple

import numpy as np
import pytest

import camcalc as cc
from camcalc.advice.bands import HEADLINES
from camcalc.cycle.simulate import describe_cycle
from camcalc.measured.design import HEADLINE_NAMES, Design
from camcalc.measured.emulator import fit_emulator
from camcalc.measured.learning import _Draws, _figures
from camcalc.measured.likelihood import agreement_of, likelihood_of, posterior_of_readings
from camcalc.measured.observed import CLOSENESS
from camcalc.measured.posterior import prior_draws
from camcalc.units import quantity
from tests.cycle.make_reference_cases import CONDITIONS, IDEAL, TIGHT, case_of
from tests.measured.make_cars import BUILD, HELD_OUT, held_out_row, read_table, readings, title
from tests.measured.test_learning import SETS
from tests.oracles.other_exchange_engine import OtherExchangeEngine, reverse_share
from tests.oracles.reactor_network import run

OTHER, QUICK = "other exchange", "quick"


class Held(NamedTuple):
    """Over the cars of another truth: how many contradict the sheet; by headline, how often bands hold the truth before readings and after."""

    contradicts: float
    before: dict[str, float]
    after: dict[str, float]


def rows_of(truth: str) -> list[dict[str, str]]:
    return [row for row in read_table("held_out.csv") if row["truth"] == truth]


@functools.cache
def held(truth: str, which: str) -> Held:
    """Learn every car of another truth with the engine model's own cars; readings have their own errors alone, the other physics is the model's."""
    from tests.measured.make_cars import stored_design

    design, every, rng = stored_design(), readings(SETS[which]), np.random.default_rng(3)
    heads = {name: one for name, values in design.headlines.items() if (one := fit_emulator(design.inputs, values)) is not None}
    contradicts, before, after = [], collections.defaultdict(list), collections.defaultdict(list)
    for row in rows_of(truth):
        own = []
        for one in every:
            value = float(row[title(one)])
            closeness = math.hypot(CLOSENESS[one.name][0], CLOSENESS[one.name][1] * abs(value))
            own.append(one._replace(value=value + closeness * rng.normal(), closeness=closeness))
        likelihood, _ = likelihood_of(design, own)
        contradicts.append(agreement_of(likelihood).contradicts)
        posterior = posterior_of_readings(likelihood)
        plain = _Draws(prior_draws(likelihood.size), np.full(2**13, 2.0**-13))
        for figure in _figures(heads, likelihood, plain, _Draws(posterior.draws, posterior.weights)):
            value = float(row[f"h:{figure.name}"])
            if math.isfinite(value):
                unit, show, _ = HEADLINES[figure.name]
                shown = float(quantity(value, unit, show).magnitude)
                before[figure.name].append(figure.before_low <= shown <= figure.before_high)
                after[figure.name].append(figure.after_low <= shown <= figure.after_high)
    return Held(float(np.mean(contradicts)), *({name: float(np.mean(one)) for name, one in found.items()} for found in (before, after)))


def over_all(shares: dict[str, float]) -> float:
    return float(np.mean(list(shares.values())))


def test_the_table_holds_every_car() -> None:
    for truth in (OTHER, QUICK):
        assert len(rows_of(truth)) == HELD_OUT
    assert all(math.isfinite(float(row[f"h:{name}"])) for row in rows_of(OTHER) for name in HEADLINE_NAMES)


def test_flow_backwards_is_the_independent_models_too() -> None:
    lifts = np.array([0.0, 2e-3, 10e-3])
    assert reverse_share(lifts, 40e-3) == pytest.approx([0.80, 0.80 + 0.2 * 0.05 / 0.15, 1.0])
    build = cc.load_build(BUILD)
    # Limiting forms have neither heat nor a burn in time, so the reservoirs' conditions are those of the independent model.
    engine = OtherExchangeEngine(build.replace(engine=build.engine.replace(**IDEAL)), intake_model="held", **CONDITIONS, **TIGHT)
    plain = cc.ResolvedEngine(engine.build, intake_model="held", **CONDITIONS, **TIGHT)
    assert (engine.setup.areas[1] < plain.setup.areas[1])[plain.setup.areas[1] > 0.0].mean() > 0.3
    speed, pressure = 1500.0 / 60.0, 75e3
    other, found = run(case_of(engine, speed, pressure)), describe_cycle(engine, engine.settled(speed, pressure, 0.0), 0.0)
    assert found.si.trapped_mass == pytest.approx(other.trapped_mass, rel=1e-5)
    assert found.si.burned_fraction == pytest.approx(other.burned_fraction, abs=1e-5)
    as_modelled = describe_cycle(plain, plain.settled(speed, pressure, 0.0), 0.0)
    assert abs(as_modelled.si.burned_fraction - other.burned_fraction) > 2e-3


@pytest.mark.parametrize("which", SETS)
def test_bands_hold_cars_of_another_gas_exchange(which: str) -> None:
    found = held(OTHER, which)
    assert over_all(found.after) >= 0.75, found
    assert over_all(found.after) > over_all(found.before)
    assert found.contradicts <= 0.10


def test_no_headline_of_another_gas_exchange_is_held_worse_than_before_its_readings(allowed: Design) -> None:
    found = held(OTHER, "all")
    # 32 cars: one standard deviation of a share of 0.7 is 0.08.
    assert all(found.after[name] >= found.before[name] - 0.16 for name in found.before), found


def test_cars_of_closed_forms_are_said_to_contradict_the_sheet() -> None:
    # Their idle pressure is 9 kPa off, four times the model's own error: nothing is learned of them, and the readings say why.
    assert held(QUICK, "idles_and_compression").contradicts == 1.0
    assert held(QUICK, "all").contradicts == 1.0


@pytest.mark.xfail(strict=True, reason="closed forms are further off than the model's own error: bands hold 6 % of their headlines, 75 % asked")
def test_bands_hold_cars_of_closed_forms() -> None:
    assert over_all(held(QUICK, "all").after) >= 0.75


@pytest.mark.slow
def test_a_car_of_another_gas_exchange_is_still_what_is_stored() -> None:
    # Pinned: our own earlier output, only to notice drift.
    names = OtherExchangeEngine.uncertain
    drawn = np.random.default_rng(17).uniform(-1.0, 1.0, (HELD_OUT, len(names)))[4].tolist()
    kind = functools.partial(OtherExchangeEngine, rtol=3e-5, tolerance=5e-4)
    stored = [float(value) for key, value in rows_of(OTHER)[4].items() if key != "truth"]
    assert held_out_row(kind, drawn, names) == pytest.approx(stored, rel=0.01)
