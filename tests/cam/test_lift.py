"""Lift curves: every figure of the card reproduced, smooth and one-nosed; lash; measured tables; impossible cards."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
import sympy as sp
from hypothesis import given, settings
from hypothesis import strategies as st

from camcalc.cam.card import CamCard
from camcalc.cam.lift import LASH_BLEND, LiftCurve, curve_from_table, lash_taken_up
from camcalc.cam.smoothest import MOST_FALLING_ACCELERATION, MOST_RISING_ACCELERATION, LobePoints, smoothest_lobe
from camcalc.errors import InputError, InputErrors
from camcalc.sheet import load_build
from camcalc.sheet.card_reading import read_cam_card

INCH = 0.0254
KINDS = ("intake", "exhaust")


class Figures(NamedTuple):
    """An invented lobe; the ranges searched are common practice for street cams, no source."""

    duration: float
    seat: float
    flank: float | None
    lift: float
    early: float

    def lobe(self, lash: float) -> dict[str, Any]:
        durations = {"0.050 inch": self.duration, "0.006 inch": self.duration + self.seat}
        if self.flank is not None:
            durations["0.200 inch"] = self.duration - self.flank
        lobe: dict[str, Any] = {"lobe_lift": f"{self.lift} mm", "duration": {h: f"{d} crank_deg" for h, d in durations.items()}}
        return lobe | {"lash": f"{lash} mm"} if lash else lobe

    def events(self, lash: float) -> dict[str, Any]:
        """The same lobe by events that are not symmetric: it opens faster or slower than it closes."""
        edges = {"0.050 inch": self.duration, "0.006 inch": self.duration + self.seat}
        shift = {"0.050 inch": 0.0, "0.006 inch": self.early}
        lobe: dict[str, Any] = {"lobe_lift": f"{self.lift} mm", "lash": f"{lash} mm"} if lash else {"lobe_lift": f"{self.lift} mm"}
        lobe["opens"] = {h: f"{d / 2 - 108 + shift[h]!r} crank_deg before TDC" for h, d in edges.items()}
        lobe["closes"] = {h: f"{d / 2 - 72 - shift[h]!r} crank_deg after BDC" for h, d in edges.items()}
        return lobe


def tenths(low: float, high: float) -> st.SearchStrategy[float]:
    return st.integers(round(low * 10), round(high * 10)).map(lambda n: n / 10)


figures = st.builds(Figures, tenths(190, 265), tenths(44, 60), st.none() | tenths(78, 88), tenths(6.0, 9.5), tenths(-6, 6))
lashes = st.sampled_from([0.0, 0.1, 0.25, 0.45])


def card_of(lobe: Figures, lash: float, ratio: float) -> CamCard:
    data = {"tappet": "solid" if lash else "hydraulic", "rocker_ratio": ratio, "lobe_separation": "111 cam_deg", "intake_centreline": "108 crank_deg"}
    return read_cam_card(data | {"intake": lobe.lobe(lash), "exhaust": lobe.lobe(lash)})


def check_curve(card: CamCard, kind: str) -> None:
    """What must hold of every lift curve."""
    curve, lobe = card.lift_curve(kind), card.lobe(kind)
    for check in lobe.checks:
        opens, closes = curve.edges(check.si.height, side=check.side) or (np.nan, np.nan)
        assert opens == pytest.approx(check.si.opens, abs=0.025)
        assert closes == pytest.approx(check.si.closes, abs=0.025)
        # The same read off the curve itself, without its own search.
        reading = curve.tappet if check.side == "tappet" else curve.valve
        assert reading([check.si.opens, check.si.closes]).lift == pytest.approx(check.si.height, abs=1e-8)
    angle = np.linspace(curve.start, curve.start + 720.0, 28_801)
    lift = curve.lift(angle)
    nose = int(np.argmax(lift))
    assert lift[nose] == pytest.approx(lobe.si.valve_lift - lobe.si.lash, abs=0.01e-3)
    assert lift.min() >= 0.0
    # Rise and fall are held at the nodes, so that a tenth of a micrometre may hide between them. A lobe with little lift for
    # its duration has a flat top: the nose is one of its highest points.
    assert curve.lift(lobe.si.max_lift_at)[0] == pytest.approx(lift[nose], abs=0.1e-6)
    assert np.diff(lift[: nose + 1]).min() >= -0.1e-6
    assert np.diff(lift[nose:]).max() <= 0.1e-6


def check_smooth(curve: LiftCurve) -> None:
    """Lift, velocity and acceleration are continuous at every node, and each is the slope of the one before."""
    beside = 1e-7
    for quantity in ("lift", "velocity", "acceleration"):
        low, high = (getattr(curve.valve(curve.spline.nodes + by), quantity) for by in (-beside, beside))
        scale = np.abs(getattr(curve.valve(np.linspace(curve.start, curve.end, 2001)), quantity)).max()
        assert np.abs(high - low).max() <= 1e-5 * scale, quantity
    angle = np.linspace(curve.start + 1.0, curve.end - 1.0, 1501)
    step = 1e-4
    for quantity, slope in (("lift", "velocity"), ("velocity", "acceleration")):
        before, after = (getattr(curve.valve(angle + by), quantity) for by in (-step, step))
        exact = getattr(curve.valve(angle), slope)
        assert (after - before) / (2.0 * step) == pytest.approx(exact, abs=2e-4 * np.abs(exact).max())


def test_the_curves_of_an_example_reproduce_its_card(example_path: Path) -> None:
    build = load_build(example_path)
    for card in (build.cam, build.replaced_cam):
        assert card is not None
        for kind in KINDS:
            check_curve(card, kind)
            check_smooth(card.lift_curve(kind))


@settings(max_examples=20)
@given(figures, lashes, st.sampled_from([1.0, 1.5, 1.7]))
def test_the_curve_of_any_street_card_reproduces_the_card(lobe: Figures, lash: float, ratio: float) -> None:
    card = card_of(lobe, lash, ratio)
    check_curve(card, "intake")
    check_smooth(card.lift_curve("intake"))


@settings(max_examples=20)
@given(figures, lashes, st.sampled_from(["tappet", "valve"]))
def test_the_curve_of_any_asymmetric_card_reproduces_the_card(lobe: Figures, lash: float, side: str) -> None:
    data = {"tappet": "solid" if lash else "hydraulic", "measured_at": side, "rocker_ratio": 1.3, "lobe_separation": "111 cam_deg"}
    card = read_cam_card(data | {"intake": lobe.events(lash), "exhaust": lobe.lobe(lash)})
    assert card.intake.checks[0].middle - card.intake.checks[1].middle == pytest.approx(-lobe.early, abs=1e-9)
    check_curve(card, "intake")


def test_opening_and_closing_flank_may_differ() -> None:
    lobe = Figures(228.0, 52.0, None, 8.0, 6.0)
    curve = read_cam_card({"lobe_separation": "111 cam_deg", "rocker_ratio": 1.5, "intake": lobe.events(0.0), "exhaust": lobe.lobe(0.0)}).lift_curve("intake")
    turned_over = curve.lift(2.0 * curve.nose - np.linspace(0.0, 100.0, 101))
    assert np.abs(turned_over - curve.lift(np.linspace(0.0, 100.0, 101))).max() > 0.05e-3


def test_a_symmetric_card_gives_a_symmetric_lobe() -> None:
    curve = card_of(Figures(228.0, 52.0, 82.0, 8.0, 0.0), 0.0, 1.5).lift_curve("intake")
    away = np.linspace(0.0, 150.0, 301)
    assert curve.lift(curve.nose + away) == pytest.approx(curve.lift(curve.nose - away), abs=1e-9)


def test_the_curve_repeats_every_720_degrees() -> None:
    curve = card_of(Figures(228.0, 52.0, None, 8.0, 0.0), 0.2, 1.5).lift_curve("exhaust")
    angle = np.linspace(-360.0, 360.0, 1441)
    for turns in (-720.0, 720.0, 1440.0):
        assert curve.lift(angle + turns) == pytest.approx(curve.lift(angle), abs=1e-12)


def test_a_shifted_curve_is_the_same_lobe_later() -> None:
    curve = card_of(Figures(228.0, 52.0, None, 8.0, 0.0), 0.2, 1.5).lift_curve("intake")
    angle = np.linspace(-100.0, 300.0, 801)
    assert curve.shifted(7.0).lift(angle + 7.0) == pytest.approx(curve.lift(angle), abs=1e-12)
    assert curve.shifted(7.0).area() == pytest.approx(curve.area(), rel=1e-9)


def test_the_tappet_is_held_within_what_a_street_lobe_can_do() -> None:
    # A short and high lobe whose smoothest shape would fall faster than the stated limit [mm per cam degree squared].
    points = LobePoints(
        -124.0, 124.0, 0.0, 10.2e-3, np.array([-116.0, -90.0, -48.0, 48.0, 90.0, 116.0]), np.array([0.15e-3, 1.27e-3, 5.08e-3, 5.08e-3, 1.27e-3, 0.15e-3])
    )
    held, free = smoothest_lobe(points), smoothest_lobe(points, bounded=False)
    assert held is not None
    assert free is not None
    per_cam_degree = 4e3
    assert free.acceleration.min() * per_cam_degree < -1.1 * MOST_FALLING_ACCELERATION
    assert held.acceleration.min() * per_cam_degree == pytest.approx(-MOST_FALLING_ACCELERATION, rel=1e-6)
    assert held.acceleration.max() * per_cam_degree <= MOST_RISING_ACCELERATION * (1.0 + 1e-6)


def test_the_smoothest_lobe_has_less_jerk_than_any_lobe_through_the_same_points() -> None:
    points = LobePoints(-150.0, 150.0, 0.0, 8e-3, np.array([-112.0, 112.0]), np.array([1.27e-3, 1.27e-3]))
    loose = smoothest_lobe(points)
    tight = smoothest_lobe(points._replace(angles=np.array([-112.0, -76.0, 76.0, 112.0]), lifts=np.array([1.27e-3, 4.6e-3, 4.6e-3, 1.27e-3])))
    assert loose is not None
    assert tight is not None
    jerk = [float(np.sum(np.diff(s.acceleration) ** 2 / np.diff(s.nodes))) for s in (loose, tight)]
    assert jerk[0] < jerk[1]


@settings(max_examples=15)
@given(figures)
def test_area_is_the_sum_of_its_parts_and_of_plain_lifts(lobe: Figures) -> None:
    curve = card_of(lobe, 0.25, 1.5).lift_curve("intake")
    angle = np.linspace(curve.start, curve.end, 200_001)
    plain = float(curve.lift(angle).sum() * (angle[1] - angle[0]))
    assert curve.area() == pytest.approx(plain, rel=1e-5)
    assert curve.area(curve.start, 90.0) + curve.area(90.0, curve.end) == pytest.approx(curve.area(), rel=1e-5)
    assert curve.area(90.0, 80.0) == 0.0


# Lash.


def lash_by_sympy() -> tuple[Any, Any, Any]:
    """Take-up of lash by integration: zero value and slope at -1, acceleration 15/16 (1 - u^2)^2 per blend."""
    u, v = sp.symbols("u v", real=True)
    second = sp.Rational(15, 16) * (1 - u**2) ** 2
    first = sp.integrate(second.subs(u, v), (v, -1, u))
    lift = sp.integrate(first.subs(u, v), (v, -1, u))
    assert (first.subs(u, 1), lift.subs(u, 1)) == (1, 1)
    assert [sp.diff(second, u).subs(u, edge) for edge in (-1, 1)] == [0, 0]
    return tuple(sp.lambdify(u, expression) for expression in (lift, first, second))


def test_taking_up_lash_is_the_integral_of_a_smooth_blend() -> None:
    lift, first, second = lash_by_sympy()
    blend = 20e-6
    u = np.linspace(-1.0, 1.0, 201)
    found = lash_taken_up(u * blend, blend)
    assert found[0] == pytest.approx(blend * lift(u), abs=1e-12 * blend)
    assert found[1] == pytest.approx(first(u), abs=1e-12)
    assert found[2] * blend == pytest.approx(second(u), abs=1e-12)


def test_beyond_the_blend_the_valve_is_shut_or_follows_the_tappet() -> None:
    lift, first, second = lash_taken_up(np.array([-1e-3, -20e-6, 20e-6, 1e-3]), 20e-6)
    assert lift == pytest.approx([0.0, 0.0, 20e-6, 1e-3], abs=1e-18)
    assert first == pytest.approx([0.0, 0.0, 1.0, 1.0], abs=1e-12)
    assert second == pytest.approx([0.0] * 4, abs=1e-9)


def test_lift_is_never_negative_while_lash_is_taken_up() -> None:
    for blend in (5e-6, 20e-6):
        assert lash_taken_up(np.linspace(-blend, 0.0, 200_001), blend)[0].min() >= 0.0


def test_without_a_blend_the_valve_clicks() -> None:
    lift, first, second = lash_taken_up(np.array([-1e-3, 1e-3]), 0.0)
    assert (lift.tolist(), first.tolist(), second.tolist()) == ([0.0, 1e-3], [0.0, 1.0], [0.0, 0.0])


@pytest.mark.parametrize("lash", [0.1, 0.25, 0.45])
def test_lash_shortens_the_opening_and_takes_its_share_of_lift(lash: float) -> None:
    lobe = Figures(228.0, 52.0, None, 8.0, 0.0)
    loose, tight = card_of(lobe, lash, 1.5).lift_curve("intake"), card_of(lobe, 0.0, 1.5).lift_curve("intake")
    assert loose.max_lift == pytest.approx(tight.max_lift - lash * 1e-3, abs=1e-12)
    assert loose.seat_edges()[0] > loose.start + 1.0
    assert loose.seat_edges()[1] < loose.end - 1.0
    for angle in loose.seat_edges():
        assert 1.5 * loose.tappet(angle).lift[0] == pytest.approx(lash * 1e-3 - LASH_BLEND, abs=1e-9)
        assert loose.lift(angle)[0] == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("height", [1e-6, 5e-6, 19e-6, 20e-6, 21e-6, 0.15e-3, 1e-3])
def test_a_height_at_the_valve_is_passed_where_the_valve_has_that_lift(height: float) -> None:
    curve = card_of(Figures(228.0, 52.0, None, 8.0, 0.0), 0.25, 1.5).lift_curve("intake")
    edges = curve.edges(height, side="valve")
    assert edges is not None
    assert curve.lift(edges) == pytest.approx(height, abs=1e-9)


@pytest.mark.parametrize(("height", "side"), [(8.01e-3, "tappet"), (11.8e-3, "valve"), (0.0, "tappet"), (-1e-3, "tappet")])
def test_a_height_that_is_never_passed_has_no_edges(height: float, side: str) -> None:
    assert card_of(Figures(228.0, 52.0, None, 8.0, 0.0), 0.25, 1.5).lift_curve("intake").edges(height, side=side) is None


# Measured tables.

HALF = 150.0


def polydyne(angle: Any) -> Any:
    """The nose-centred polydyne with exponents 4, 6 and 8, which is (1 - x^2)^4, of 8 mm over 150 crank degrees either side."""
    return 8e-3 * (1.0 - (np.asarray(angle) / HALF) ** 2) ** 4


def measured(spacing: float, **more: float) -> LiftCurve:
    angle = np.arange(-HALF, HALF + spacing / 2, spacing)
    return curve_from_table(angle, polydyne(angle), **{"rocker_ratio": 1.0, "lash": 0.0} | more)


def test_the_coefficients_of_the_polydyne_are_those_of_its_power() -> None:
    x = sp.symbols("x")
    p, q, r = 4, 6, 8
    general = (
        1
        - sp.Rational(p * q * r, (p - 2) * (q - 2) * (r - 2)) * x**2
        + sp.Rational(2 * q * r, (p - 2) * (q - p) * (r - p)) * x**p
        - sp.Rational(2 * p * r, (q - 2) * (q - p) * (r - q)) * x**q
        + sp.Rational(2 * p * q, (r - 2) * (r - p) * (r - q)) * x**r
    )
    assert sp.expand(general - (1 - x**2) ** 4) == 0
    assert sp.integrate(general, (x, 0, 1)) == sp.Rational(128, 315)


def test_a_measured_table_reproduces_its_points() -> None:
    curve = measured(5.0)
    angle = np.arange(-HALF, HALF, 5.0)
    assert curve.tappet(angle).lift == pytest.approx(polydyne(angle), abs=1e-15)
    assert curve.max_lift == pytest.approx(8e-3, rel=1e-12)
    assert curve.nose == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("spacing", "tolerance"), [(5.0, 1e-5), (2.0, 3e-7), (1.0, 2e-8)])
def test_a_measured_polydyne_has_its_exact_area(spacing: float, tolerance: float) -> None:
    # Integral of (1 - x^2)^4 over -1 to 1 is 2 * 128/315; a cubic spline errs with the fourth power of the spacing.
    assert measured(spacing).area() == pytest.approx(8e-3 * HALF * 2.0 * 128.0 / 315.0, rel=tolerance)


def test_a_measured_polydyne_has_its_exact_motion_between_the_points() -> None:
    angle = np.linspace(-140.0, 140.0, 997)
    x = sp.symbols("x")
    shape = (1 - x**2) ** 4
    found = measured(1.0).tappet(angle)
    for order, values in enumerate(found):
        exact = sp.lambdify(x, sp.diff(shape, x, order))(angle / HALF) * 8e-3 / HALF**order
        assert values == pytest.approx(exact, abs=2e-4 * np.abs(exact).max())


def test_a_measured_lobe_leaves_and_meets_the_base_circle_without_velocity() -> None:
    angle = np.linspace(-HALF, HALF, 61)
    curve = curve_from_table(angle, 8e-3 * (1.0 - (angle / HALF) ** 2) ** 2, rocker_ratio=1.0, lash=0.0)
    steepest = curve.tappet(np.linspace(-HALF, HALF, 601)).velocity.max()
    assert curve.tappet([-HALF, HALF - 1e-9]).velocity == pytest.approx([0.0, 0.0], abs=1e-6 * steepest)


def test_the_nose_of_a_measured_table_is_found_between_its_points() -> None:
    angle = np.arange(-HALF, HALF + 1.0, 5.0)
    off = 1.7
    lifts = np.where(np.abs(angle - off) < HALF, polydyne(np.clip(angle - off, -HALF, HALF)), 0.0)
    lifts[[0, -1]] = 0.0
    curve = curve_from_table(angle, lifts, rocker_ratio=1.0, lash=0.0)
    assert curve.nose == pytest.approx(off, abs=0.05)
    assert curve.max_lift == pytest.approx(8e-3, rel=1e-4)


def test_rocker_ratio_and_lash_act_on_a_measured_table() -> None:
    curve = measured(2.0, rocker_ratio=1.6, lash=0.3e-3)
    assert curve.max_lift == pytest.approx(1.6 * 8e-3 - 0.3e-3, rel=1e-12)
    assert curve.lift(50.0)[0] == pytest.approx(1.6 * float(polydyne(50.0)) - 0.3e-3, rel=1e-6)


# Cards no lobe can satisfy.


CENTRES = {"lobe_separation": "110 cam_deg", "intake_centreline": "106 crank_deg", "rocker_ratio": 1.6}
POSSIBLE = {"0.006 inch": "279 crank_deg", "0.050 inch": "226 crank_deg", "0.200 inch": "143 crank_deg"}
GOOD = {"valve_lift": "12.7 mm", "duration": POSSIBLE}


@pytest.mark.parametrize(("height", "duration", "told"), [
    ("0.200 inch", "222 crank_deg", "the duration at 5.08 mm tappet lift (222.0 crank_deg)"),
    ("0.006 inch", "228 crank_deg", "the duration at 0.152 mm tappet lift (228.0 crank_deg)"),
    ("0.050 inch", "277 crank_deg", "the duration at 1.27 mm tappet lift (277.0 crank_deg)"),
])  # fmt: skip
def test_an_impossible_card_names_the_figure_to_check_first(height: str, duration: str, told: str) -> None:
    read_cam_card(CENTRES | {"intake": GOOD, "exhaust": GOOD})
    with pytest.raises(InputError) as caught:
        read_cam_card(CENTRES | {"intake": GOOD | {"duration": POSSIBLE | {height: duration}}, "exhaust": GOOD})
    error = caught.value
    assert error.key == "[cam.intake]"
    assert told in error.fix
    assert "one smooth lobe" in error.expected
    assert len(str(error).splitlines()) < 25


def test_an_impossible_lift_names_the_lift_and_the_rocker_ratio() -> None:
    lobe = {"valve_lift": "20 mm", "duration": {"0.006 inch": "150 crank_deg"}}
    with pytest.raises(InputError, match="the lift"):
        read_cam_card(CENTRES | {"intake": lobe, "exhaust": GOOD})


def test_an_impossible_exhaust_lobe_is_told_once_and_under_its_own_name() -> None:
    with pytest.raises(InputError) as caught:
        read_cam_card(CENTRES | {"intake": GOOD, "exhaust": GOOD | {"duration": POSSIBLE | {"0.200 inch": "222 crank_deg"}}})
    assert caught.value.key == "[cam.exhaust]"


def test_two_impossible_lobes_are_both_told() -> None:
    bad = GOOD | {"duration": POSSIBLE | {"0.200 inch": "222 crank_deg"}}
    with pytest.raises(InputErrors) as caught:
        read_cam_card(CENTRES | {"intake": bad, "exhaust": bad})
    assert [problem.key for problem in caught.value.problems] == ["[cam.intake]", "[cam.exhaust]"]


def test_points_no_lobe_can_pass_have_no_lobe() -> None:
    # Higher at 100 degrees before the nose than at the nose itself.
    points = LobePoints(-150.0, 150.0, 0.0, 8e-3, np.array([-100.0, 100.0]), np.array([9e-3, 9e-3]))
    assert smoothest_lobe(points) is None
