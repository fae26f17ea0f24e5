"""The resolved cycle beside an independent reactor model: limiting intake models, adiabatic walls, all fuel burned at once.

Stored rows are made by ``python -m tests.cycle.make_reference_cases``; two cases are run afresh.
"""

from __future__ import annotations

import csv
import functools

import pytest

from camcalc.cycle.operating import Ending
from camcalc.cycle.resolved import ResolvedEngine
from camcalc.cycle.simulate import CycleResult, describe_cycle
from tests.cycle.make_reference_cases import TABLE, TIGHT, area_sums, case_of, limiting_engine
from tests.oracles.reactor_network import run

with TABLE.open(encoding="utf-8", newline="") as file:
    ROWS = list(csv.DictReader(file, strict=True))
SETTLED = [row for row in ROWS if row["outcome"] == "settled"]
OTHERS = [row for row in ROWS if row["outcome"] != "settled"]
each = functools.partial(pytest.mark.parametrize, "row")
# Acceptance of the model as it is used: trapped mass, burned fraction (absolute), blow-back, net IMEP.
ACCEPTED = (3e-3, 3e-3, 1e-2, 5e-3)
# Both models solve the same equations; at tight tolerances they differ by integration error and the straight part of the nozzle alone.
EQUAL = (1e-5, 1e-5, 2e-5, 1e-5)


@functools.cache
def engine(cam: str, intake_model: str, *, tight: bool) -> ResolvedEngine:
    return limiting_engine(cam, intake_model, **(TIGHT if tight else {}))


def simulated(row: dict[str, str], *, tight: bool) -> CycleResult:
    model = engine(row["cam"], row["intake_model"], tight=tight)
    return describe_cycle(model, model.settled(float(row["speed_rpm"]) / 60.0, float(row["pressure_kpa"]) * 1e3, 0.0), 0.0)


def check(found: CycleResult, trapped: float, burned: float, blow_back: float, net_imep: float, limits: tuple[float, float, float, float]) -> None:
    """Compare with the independent model's figures, SI."""
    assert found.outcome is Ending.SETTLED
    assert found.si.trapped_mass == pytest.approx(trapped, rel=limits[0])
    assert found.si.burned_fraction == pytest.approx(burned, abs=limits[1])
    assert found.si.overlap_blow_back == pytest.approx(blow_back, rel=limits[2])
    assert found.si.net_imep == pytest.approx(net_imep, rel=limits[3])


def figures(row: dict[str, str]) -> tuple[float, float, float, float]:
    return float(row["trapped_mg"]) * 1e-6, float(row["burned_fraction"]), float(row["blow_back_mg"]) * 1e-6, float(row["net_imep_kpa"]) * 1e3


def test_the_table_holds_every_case_and_most_of_them_settle() -> None:
    assert len({row["id"] for row in ROWS}) == len(ROWS) == 24
    assert len(OTHERS) <= 1


@pytest.mark.parametrize("cam", ["long", "mild"])
def test_the_rows_were_made_with_the_areas_of_today(cam: str) -> None:
    stored = {(float(row["intake_area_mm2_deg"]), float(row["exhaust_area_mm2_deg"])) for row in ROWS if row["cam"] == cam}
    assert len(stored) == 1
    assert stored.pop() == pytest.approx(area_sums(engine(cam, "lost", tight=False)), rel=1e-7)


@each(SETTLED, ids=[row["id"] for row in SETTLED])
def test_as_used_it_agrees_with_the_independent_model(row: dict[str, str]) -> None:
    check(simulated(row, tight=False), *figures(row), ACCEPTED)


@each(SETTLED, ids=[row["id"] for row in SETTLED])
def test_at_tight_tolerances_it_equals_the_independent_model(row: dict[str, str]) -> None:
    check(simulated(row, tight=True), *figures(row), EQUAL)


@each(OTHERS, ids=[row["id"] for row in OTHERS])
@pytest.mark.parametrize("tight", [False, True], ids=["as used", "tight"])
def test_where_the_independent_model_ends_on_burned_gas_alone_the_cycle_is_dying(row: dict[str, str], tight: bool) -> None:
    assert float(row["burned_fraction"]) > 0.999
    assert simulated(row, tight=tight).outcome is Ending.NO_FRESH_CHARGE
    state = engine(row["cam"], row["intake_model"], tight=tight).state(float(row["speed_rpm"]) / 60.0, float(row["pressure_kpa"]) * 1e3, 0.0)
    assert (state.air, state.fuel, state.gross) == (0.0, 0.0, 0.0)


@pytest.mark.slow
@pytest.mark.parametrize(("cam", "intake_model", "rpm", "kpa"), [("long", "held", 1500.0, 75.0), ("mild", "lost", 3000.0, 45.0)])
def test_it_equals_the_independent_model_run_afresh(cam: str, intake_model: str, rpm: float, kpa: float) -> None:
    model = engine(cam, intake_model, tight=True)
    other = run(case_of(model, rpm / 60.0, kpa * 1e3))
    found = describe_cycle(model, model.settled(rpm / 60.0, kpa * 1e3, 0.0), 0.0)
    check(found, other.trapped_mass, other.burned_fraction, other.overlap_blow_back, other.net_imep, EQUAL)
    # The valves shut up to a quarter of a degree apart: at the lobe's own end here, at the next node of the table of areas there.
    assert found.si.push_back == pytest.approx(other.push_back, rel=1e-4)
    assert found.si.pumping_mep == pytest.approx(-other.pumping_imep, rel=1e-4)
