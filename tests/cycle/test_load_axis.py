"""Load by three names, one turned into another through the cycle."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from camcalc.cycle.load_axis import LOAD_KINDS, air_charge_of, load_of, pressure_of_load
from camcalc.errors import InputError, NoSolutionError

Make = Callable[..., Any]
SPEED, SPARK = 1600.0 / 60.0, 25.0


@pytest.mark.parametrize("kind", LOAD_KINDS)
@pytest.mark.parametrize("old", [False, True], ids=["long", "mild"])
@pytest.mark.parametrize("pressure", [45e3, 60e3, 90e3])
def test_a_pressure_comes_back_from_its_load(resolved_of: Make, kind: str, old: bool, pressure: float) -> None:
    model = resolved_of("dockside", old=old)
    load = load_of(model, SPEED, pressure, SPARK, kind)
    assert pressure_of_load(model, SPEED, load, SPARK, kind) == pytest.approx(pressure, rel=1e-3)


def test_relative_charge_is_air_charge_over_that_of_the_swept_volume(resolved_of: Make, example: str) -> None:
    model = resolved_of(example, old=True)
    air, share = (load_of(model, SPEED, 70e3, SPARK, kind) for kind in ("air charge", "relative charge"))
    assert air == pytest.approx(air_charge_of(model.build, share), rel=1e-12)
    # 101.325 kPa and 20 degC by default: 1.2041 kg/m3 of dry air.
    assert air_charge_of(model.build, 1.0) == pytest.approx(1.2041 * model.geometry.swept, rel=1e-4)
    assert 0.3 < share < 0.8


def test_the_reference_of_relative_charge_is_the_sheet_s(build_of: Make) -> None:
    build = build_of("dockside")
    denser = build.replace(limits=build.limits.replace(reference_pressure="105 kPa", reference_temperature="0 degC"))
    ratio = air_charge_of(denser, 0.5) / air_charge_of(build, 0.5)
    assert ratio == pytest.approx(105.0 / 101.325 * 293.15 / 273.15, rel=1e-9)


@pytest.mark.parametrize("call", [load_of, pressure_of_load])
@pytest.mark.parametrize(("kind", "meant"), [("manifold presure", "manifold pressure"), ("air", "air charge"), ("fillin", "relative charge")])
def test_a_load_of_no_known_kind_is_refused_with_the_nearest(resolved_of: Make, call: Any, kind: str, meant: str) -> None:
    with pytest.raises(InputError, match=meant):
        call(resolved_of("dockside", old=True), SPEED, 50e3, SPARK, kind)


@pytest.mark.parametrize(("kind", "load", "unit"), [("relative charge", 1.4, "% relative charge"), ("air charge", 900e-6, "mg")])
def test_a_load_beyond_reach_is_refused_with_the_most_there_is(resolved_of: Make, kind: str, load: float, unit: str) -> None:
    model = resolved_of("dockside", old=True)
    with pytest.raises(NoSolutionError, match="beyond reach at 1600 rpm") as told:
        pressure_of_load(model, SPEED, load, SPARK, kind)
    assert unit in str(told.value)
    assert 0.5 * load < told.value.reachable < load
    # What it names can be had.
    assert pressure_of_load(model, SPEED, 0.99 * told.value.reachable, SPARK, kind) > 80e3


@pytest.mark.parametrize(("kind", "load"), [("relative charge", 0.002), ("air charge", 1e-6)])
def test_a_load_too_light_is_refused(resolved_of: Make, kind: str, load: float) -> None:
    with pytest.raises(NoSolutionError, match="too light at 1600 rpm"):
        pressure_of_load(resolved_of("dockside", old=True), SPEED, load, SPARK, kind)
