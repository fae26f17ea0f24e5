"""Slider-crank geometry against its derivation, and effective compression."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sympy as sp
from hypothesis import given
from hypothesis import strategies as st

from camcalc.engine.geometry import Geometry, effective_compression, geometry_of, piston_drop, swept_fraction
from camcalc.errors import InputError
from camcalc.sheet import load_build

theta, crank, rod = sp.symbols("theta r l", positive=True)


def drop_by_sympy() -> sp.Expr:
    """Drop of the wrist pin from the top, from the triangle of crank, rod and cylinder axis alone."""
    height = sp.symbols("height", real=True)
    pin_x, pin_y = crank * sp.sin(theta), crank * sp.cos(theta)
    above = sp.solve(sp.Eq((height - pin_y) ** 2 + pin_x**2, rod**2), height)
    (upper,) = (h for h in above if h.subs({theta: 1, crank: 1, rod: 3}) > 0)
    return crank + rod - upper


DROP = drop_by_sympy()
drop_of = sp.lambdify((theta, crank, rod), DROP)

angles = st.floats(-720.0, 1440.0)
ratios = st.floats(1.7, 8.0)


def test_the_derivation_gives_the_textbook_formula() -> None:
    assert sp.simplify(DROP - (crank + rod - crank * sp.cos(theta) - sp.sqrt(rod**2 - crank**2 * sp.sin(theta) ** 2))) == 0


@given(angles, st.floats(0.03, 0.25), ratios)
def test_piston_drop_agrees_with_the_triangle(angle: float, stroke: float, ratio: float) -> None:
    length = ratio * stroke / 2.0
    found = piston_drop.kernel(angle, stroke, length)
    assert found == pytest.approx(drop_of(math.radians(angle), stroke / 2.0, length), rel=1e-12, abs=1e-12 * stroke)


@given(angles, ratios)
def test_swept_fraction_is_drop_over_stroke(angle: float, ratio: float) -> None:
    assert swept_fraction.kernel(angle, ratio) == pytest.approx(drop_of(math.radians(angle), 1.0, ratio) / 2.0, rel=1e-12, abs=1e-12)


@given(st.floats(0.0, 360.0), ratios)
def test_the_piston_goes_up_as_it_went_down(angle: float, ratio: float) -> None:
    assert swept_fraction.kernel(720.0 - angle, ratio) == pytest.approx(swept_fraction.kernel(angle, ratio), abs=1e-12)
    assert swept_fraction.kernel(angle + 360.0, ratio) == pytest.approx(swept_fraction.kernel(angle, ratio), abs=1e-12)


def test_the_ends_of_the_stroke_are_exact() -> None:
    assert swept_fraction("0 crank_deg", rod_over_crank=3.5).magnitude == pytest.approx(0.0, abs=1e-15)
    assert swept_fraction("180 crank_deg", rod_over_crank=3.5).magnitude == pytest.approx(1.0, abs=1e-15)
    assert swept_fraction("90 cam_deg", rod_over_crank=3.5).magnitude == pytest.approx(1.0, abs=1e-15)


def test_a_rod_without_end_gives_a_sine() -> None:
    quarter = sp.limit(DROP.subs(theta, sp.pi / 3), rod, sp.oo)
    assert sp.simplify(quarter - crank * (1 - sp.cos(sp.pi / 3))) == 0
    assert swept_fraction.kernel(60.0, 20.0) == pytest.approx(0.25, abs=0.01)


@pytest.mark.parametrize("rod_length", ["60 mm", "99 mm"])
def test_a_rod_shorter_than_the_crank_radius_is_refused(rod_length: str) -> None:
    with pytest.raises(InputError):
        piston_drop("90 crank_deg", stroke="200 mm", rod_length=rod_length)


EIGHT = Geometry(bore=0.1015, stroke=0.0900, rod=0.1530, compression_ratio=10.3, cylinders=8)


def test_volumes_follow_from_bore_stroke_and_ratio() -> None:
    assert EIGHT.swept == pytest.approx(math.pi / 4 * 0.1015**2 * 0.0900, rel=1e-12)
    assert EIGHT.displacement == pytest.approx(8 * EIGHT.swept, rel=1e-12)
    assert (EIGHT.swept + EIGHT.clearance) / EIGHT.clearance == pytest.approx(10.3, rel=1e-12)
    assert EIGHT.rod_over_crank == pytest.approx(0.1530 / 0.0450, rel=1e-12)
    assert EIGHT.piston_speed(50.0) == pytest.approx(2 * 0.0900 * 50.0, rel=1e-12)


def test_volume_closes_over_720_degrees() -> None:
    angle = np.linspace(0.0, 720.0, 1441)
    volume = EIGHT.volume(angle)
    assert volume[0] == pytest.approx(volume[-1], rel=1e-12)
    assert volume[:721] == pytest.approx(volume[720:], rel=1e-12)
    assert volume.min() == pytest.approx(EIGHT.clearance, rel=1e-12)
    assert volume.max() == pytest.approx(EIGHT.clearance + EIGHT.swept, rel=1e-12)
    assert (np.diff(volume[:361]) > 0.0).all()


def test_clearance_height_is_volume_over_piston_area() -> None:
    assert EIGHT.clearance_height(0.0) == pytest.approx(0.0900 / 9.3, rel=1e-12)
    assert EIGHT.clearance_height(180.0) == pytest.approx(0.0900 * (1 + 1 / 9.3), rel=1e-12)


def test_the_geometry_of_a_build_is_that_of_its_sheet(example_path: Path) -> None:
    engine = load_build(example_path).engine
    found = geometry_of(engine)
    assert found == Geometry(engine.si.bore, engine.si.stroke, engine.si.rod_length, engine.compression_ratio, engine.cylinders)
    assert found.volume(180.0) / found.volume(0.0) == pytest.approx(engine.compression_ratio, rel=1e-12)


# Effective compression.


@pytest.mark.reference("swept_fraction.csv")
def test_the_share_swept_when_the_intake_closes(row: Any) -> None:
    row.check(swept_fraction.kernel(180.0 + row.intake_closes, row.rod_over_crank))


@pytest.mark.reference("effective_compression.csv")
def test_effective_compression(row: Any) -> None:
    row.check(effective_compression(row.compression_ratio, intake_closes=f"{row.intake_closes} crank_deg", rod_over_crank=row.rod_over_crank).magnitude)


@given(st.floats(8.0, 13.0), st.floats(0.0, 100.0), ratios)
def test_effective_compression_is_volume_at_closing_over_clearance(ratio: float, closes: float, rod_over_crank: float) -> None:
    at_closing = 1.0 + (ratio - 1.0) * drop_of(math.radians(180.0 + closes), 1.0, rod_over_crank) / 2.0
    assert effective_compression.kernel(ratio, closes, rod_over_crank) == pytest.approx(at_closing, rel=1e-12)


@given(st.floats(0.0, 99.0), st.floats(0.1, 1.0), ratios)
def test_effective_compression_falls_the_later_the_intake_closes(closes: float, later: float, rod_over_crank: float) -> None:
    assert effective_compression.kernel(10.0, closes + later, rod_over_crank) < effective_compression.kernel(10.0, closes, rod_over_crank)


def test_an_intake_that_closes_at_bottom_keeps_the_whole_ratio() -> None:
    assert effective_compression(10.0, intake_closes="0 crank_deg", rod_over_crank=3.5).magnitude == pytest.approx(10.0, rel=1e-12)
