"""Published idle loops: the plants against their published figures, and the modes camcalc finds against both."""

from __future__ import annotations

import cmath
import math
from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from camcalc.vehicle.modes import Mode, oscillating_modes
from tests.oracles import crossley_cook
from tests.oracles.delayed_modes import delayed_modes
from tests.oracles.published_plants import EightAtIdle, FourAtIdle, FourCylinders, SixAtIdle, root_of

EVENT_AT_650 = 60.0 / 650.0 / 4.0  # firing interval of an eight [s]


@pytest.mark.reference("drive_four_cylinder_engine.csv")
def test_the_published_four_cylinder_engine_comes_out(row: Any) -> None:
    four = FourCylinders
    figures = {
        "opening": lambda: four.opening(row.a),
        "pressure_factor": lambda: four.pressure_factor(row.a),
        "pumped": lambda: four.pumped(row.a, row.b),
        "charge": lambda: four.charge(row.a, row.b),
        "torque": lambda: crossley_cook.torque(row.a, row.d, row.c, row.b),
        "slope": lambda: crossley_cook.torque_slope(row.a, row.c, row.b),
        "best_spark": lambda: crossley_cook.best_spark(row.a, row.b),
        "best_air_fuel": lambda: brentq(
            lambda x: crossley_cook.torque(0.3, 200.0, 30.0, x + 1e-4) - crossley_cook.torque(0.3, 200.0, 30.0, x - 1e-4), 11.0, 15.0
        ),
        "settled_speed": lambda: four.settled(row.a, row.b)[0],
        "settled_pressure": lambda: four.settled(row.a, row.b)[1],
        "settled_charge": lambda: four.charge(*four.settled(row.a, row.b)),
    }
    row.check(figures[row.figure]())


def test_no_more_flows_through_a_throttle_with_the_barometer_behind_it() -> None:
    assert FourCylinders.pressure_factor(1.0) == 0.0
    assert FourCylinders.pressure_factor(0.5) == pytest.approx(2.0 * math.sqrt(0.25), rel=1e-12)


@pytest.mark.reference("drive_idle_loops.csv")
def test_the_plants_give_their_published_figures(row: Any) -> None:
    if row.plant == "eight":
        eight = EightAtIdle()
        pole = max(eight.poles(), key=lambda z: z.imag)
        mode = Mode(cmath.log(pole) / EVENT_AT_650)
        row.check({"real": pole.real, "imaginary": pole.imag, "damping": mode.damping, "gain": eight.gain()}[row.figure])
        return
    plant = SixAtIdle(row.at, row.slope) if row.plant == "six" else FourAtIdle(row.at, row.slope)
    if row.figure.endswith("gain"):
        row.check(SixAtIdle().gains()[row.figure])
    elif row.figure == "inertia":
        row.check(SixAtIdle().inertia())
    elif row.figure == "slope_limit":
        row.check(brentq(lambda slope: root_of(SixAtIdle(row.at, slope).characteristic, -1.0 + 7.0j).real, 0.0, 0.01, xtol=1e-12))
    else:
        root = root_of(plant.characteristic, -2.0 + 7.0j if row.plant == "six" else -0.6 + 2.6j)
        row.check({"real": root.real, "imaginary": root.imag, "damping": Mode(root).damping}[row.figure])


@pytest.mark.reference("drive_idle_loops.csv")
def test_camcalc_finds_the_published_modes(row: Any) -> None:
    if row.figure == "slope_limit":
        row.check(brentq(lambda slope: -idle_mode(SixAtIdle(row.at, slope)).damping, 0.0, 0.01, xtol=1e-12))
    elif row.plant != "eight" and row.figure in ("real", "imaginary", "damping"):
        mode = idle_mode(SixAtIdle(row.at, row.slope) if row.plant == "six" else FourAtIdle(row.at, row.slope))
        row.check({"real": mode.root.real, "imaginary": mode.root.imag, "damping": mode.damping}[row.figure])


def idle_mode(plant: SixAtIdle | FourAtIdle) -> Mode:
    """The idle's swing by camcalc, from the plant's matrices."""
    state, late = plant.matrices()
    if plant.delay == 0.0:
        return oscillating_modes(state + late)[0]
    found = delayed_modes(state, [(late, plant.delay)], fastest=3.0).least_damped(0.1, 3.0)
    assert found is not None
    return found


def test_an_idle_sampled_per_firing_swings_as_one_with_a_delay_of_two_events() -> None:
    # The eight's published loop goes from event to event; in continuous time it is two lags and two events' delay. Frequency and damping
    # part by what sampling does to the lags beyond a pure delay: of order (w T)^2 / 12, w T = 0.18.
    eight = EightAtIdle()
    state, late, delay = eight.matrices(EVENT_AT_650)
    found = delayed_modes(state, [(late, delay)], fastest=5.0).least_damped(0.5, 2.0)
    sampled = Mode(cmath.log(max(eight.poles(), key=lambda z: z.imag)) / EVENT_AT_650)
    assert found is not None
    assert found.frequency == pytest.approx(sampled.frequency, rel=5e-3)
    assert found.damping == pytest.approx(sampled.damping, rel=5e-3)
    undelayed = oscillating_modes(state + late)[0]
    assert abs(undelayed.damping - sampled.damping) > 0.1


def test_matrices_and_characteristic_function_of_a_plant_are_one_plant() -> None:
    s = -1.3 + 6.1j
    for plant in (SixAtIdle(0.033, 0.002), FourAtIdle(20.0, 10.0)):
        state, late = plant.matrices()
        determinant = np.linalg.det(s * np.eye(2) - state - late * cmath.exp(-s * plant.delay))
        assert determinant == pytest.approx(plant.characteristic(s), rel=1e-12)
