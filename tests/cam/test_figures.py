"""Centrelines from any sufficient set of figures, and what the other figures say about them."""

from __future__ import annotations

import itertools
from fractions import Fraction

import pytest
import sympy as sp
from hypothesis import given
from hypothesis import strategies as st

from camcalc.cam.figures import Disagreement, Figure, solve_centrelines

INTAKE, EXHAUST = 106.0, 114.0
# What each figure of a card says about the intake centreline (after TDC) and the exhaust centreline (before TDC).
MEANING = {"intake_centreline": (1.0, 0.0), "exhaust_centreline": (0.0, 1.0), "lobe_separation": (1.0, 1.0), "advance": (-0.5, 0.5)}
ALL = [Figure(name, a, b, a * INTAKE + b * EXHAUST, 0.5) for name, (a, b) in MEANING.items()]


@pytest.mark.parametrize("pair", list(itertools.permutations(ALL, 2)), ids=lambda pair: "-".join(f.name for f in pair))
def test_any_two_independent_figures_settle_both_centrelines(pair: tuple[Figure, Figure]) -> None:
    solved = solve_centrelines(pair)
    assert solved is not None
    assert (solved.intake, solved.exhaust) == pytest.approx((INTAKE, EXHAUST), rel=1e-12)
    assert solved.used == (pair[0].name, pair[1].name)
    assert solved.disagreements == ()


@pytest.mark.parametrize("figures", [[], ALL[:1], [ALL[0], ALL[0]._replace(name="again")]], ids=["none", "one", "the same twice"])
def test_figures_that_do_not_settle_both_centrelines_give_none(figures: list[Figure]) -> None:
    assert solve_centrelines(figures) is None


def test_a_figure_that_says_the_same_again_is_passed_over_and_checked() -> None:
    again = ALL[0]._replace(name="intake events", value=INTAKE + 2.0)
    solved = solve_centrelines([ALL[0], again, ALL[2]])
    assert solved is not None
    assert solved.used == ("intake_centreline", "lobe_separation")
    assert [(d.name, d.printed, d.implied, d.rounding) for d in solved.disagreements] == [("intake events", INTAKE + 2.0, INTAKE, 1.0)]


def test_the_solution_is_that_of_the_definitions() -> None:
    icl, ecl, lsa, adv = sp.symbols("icl ecl lsa adv")
    # lobe separation: half the crank angle between the lobes, in cam degrees; advance: half the difference of the centrelines.
    derived = sp.solve([sp.Eq(lsa, (icl + ecl) / 2), sp.Eq(adv, (ecl - icl) / 2)], [icl, ecl])
    assert derived == {icl: lsa - adv, ecl: lsa + adv}
    solved = solve_centrelines([Figure("lobe_separation", 1, 1, 2 * 110.25, 0.5), Figure("advance", -0.5, 0.5, 3.5, 0.5)])
    assert solved is not None
    assert (solved.intake, solved.exhaust) == (110.25 - 3.5, 110.25 + 3.5)


# The rule of design: rounding is half of each last digit, propagated; a note above one, an error above three or 3 crank degrees.


def gap_of(tenths: int, rounding: float) -> Disagreement | None:
    """What an exhaust centreline off by so many tenths of a degree gives, between figures printed to ``rounding``."""
    off = ALL[1]._replace(value=EXHAUST + tenths / 10.0, rounding=rounding)
    solved = solve_centrelines([ALL[0]._replace(rounding=rounding), ALL[2]._replace(rounding=2.0 * rounding), off])
    assert solved is not None
    return solved.disagreements[0] if solved.disagreements else None


@pytest.mark.parametrize(("rounding", "tenths", "verdict"), [
    (0.05, 0, "agrees"), (0.05, 2, "agrees"), (0.05, 3, "note"), (0.05, 6, "note"), (0.05, 7, "error"), (0.05, -7, "error"),
    (0.5, 20, "agrees"), (0.5, 21, "note"), (0.5, 30, "note"), (0.5, 31, "error"), (0.5, -31, "error"),
])  # fmt: skip
def test_a_disagreement_is_noted_above_one_rounding_and_an_error_above_three_or_three_crank_degrees(rounding: float, tenths: int, verdict: str) -> None:
    gap = gap_of(tenths, rounding)
    assert verdict == ("agrees" if gap is None else "error" if gap.is_error else "note")


def test_rounding_is_propagated_through_the_figures_that_were_used() -> None:
    # exhaust = separation - intake, so its check carries its own rounding and both of theirs.
    gap = gap_of(100, 0.25)
    assert gap is not None
    assert gap.rounding == pytest.approx(0.25 + 0.25 + 0.5, rel=1e-12)


figures = st.sampled_from(list(MEANING)).flatmap(lambda name: st.tuples(st.just(name), st.sampled_from([0.05, 0.25, 0.5])))


@given(st.lists(figures, min_size=2, max_size=4, unique_by=lambda f: f[0]), st.integers(700, 1500), st.integers(700, 1500))
def test_figures_of_one_cam_never_disagree_in_whatever_order_they_come(chosen: list[tuple[str, float]], intake: int, exhaust: int) -> None:
    icl, ecl = Fraction(intake, 10), Fraction(exhaust, 10)
    card = [Figure(n, *MEANING[n], float(Fraction(MEANING[n][0]) * icl + Fraction(MEANING[n][1]) * ecl), r) for n, r in chosen]
    solved = solve_centrelines(card)
    assert solved is not None
    assert (solved.intake, solved.exhaust) == pytest.approx((float(icl), float(ecl)), rel=1e-12)
    assert solved.disagreements == ()


@given(st.lists(figures, min_size=3, max_size=4, unique_by=lambda f: f[0]), st.data())
def test_rounding_alone_never_makes_a_card_disagree_with_itself(chosen: list[tuple[str, float]], data: st.DataObject) -> None:
    card = []
    for name, rounding in chosen:
        a, b = MEANING[name]
        card.append(Figure(name, a, b, a * INTAKE + b * EXHAUST + data.draw(st.floats(-rounding, rounding)), rounding))
    solved = solve_centrelines(card)
    assert solved is not None
    assert solved.disagreements == ()
