"""Practice: each answer by another route, slips recognised for what they are, no input that breaks it, and the sheets to print."""

from __future__ import annotations

import io
import json
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import sympy
from hypothesis import given, settings
from hypothesis import strategies as st

from camcalc import InputError, load_build
from camcalc.cli.main import main
from camcalc.explain.practised import worked_steps
from camcalc.practice import Form, Question, Slip, Topic, mark_answer, practice_questions
from camcalc.practice.questions import FORMS
from camcalc.words.practice import SLIPS, answer_text, marked_words, question_text
from tests.plain_words import banned_in, long_sentences

Said = pytest.CaptureFixture[str]
ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = ("quarry-road", "long-meadow", "dockside")
SHEET = str(ROOT / "examples" / "quarry-road" / "build.toml")
BUILDS = {name: load_build(ROOT / "examples" / name / "build.toml") for name in EXAMPLES}
# A thousand and more: three builds, eight topics, this many each.
EACH = 42
ALL = [q for build in BUILDS.values() for topic in Topic for q in practice_questions(build, topic, count=EACH, seed=11)]
# By definition; NIST SP 811, appendix B.9 for the inch of mercury at 0 degrees Celsius.
PA_PER_INHG, MPH, KMH = 3386.389, 0.44704, 1.0 / 3.6


def edge(q: Question) -> float:
    """An edge of an opening, by the events' own picture: an interval on a line with overlap top dead centre at 0, intake centreline after it."""
    left, right = sympy.symbols("left right")
    valve, side = ("intake", 1.0) if "intake_duration" in q.given else ("exhaust", -1.0)
    duration, middle = q.figure(f"{valve}_duration"), side * q.figure(f"{valve}_centreline")
    found = sympy.solve([right - left - duration, (left + right) / 2 - middle], [left, right])
    at = {
        Form.INTAKE_CLOSES: found[right] - 180, Form.INTAKE_OPENS: -found[left], Form.EXHAUST_CLOSES: found[right], Form.EXHAUST_OPENS: -180 - found[left],
    }  # fmt: skip
    return float(at[q.form])


def separation(q: Question) -> float:
    """The separation at which exhaust closing less intake opening is the overlap, solved for."""
    s = sympy.symbols("s")
    opens, shuts = 2 * s / 2 - sympy.Rational(q.figure("intake_duration")) / 2, -2 * s / 2 + sympy.Rational(q.figure("exhaust_duration")) / 2
    (found,) = sympy.solve(shuts - opens - sympy.Rational(q.figure("overlap")), s)
    return float(found)


def advance_seen(q: Question) -> float:
    """How far the middle between both centrelines lies before top dead centre."""
    return -(q.figure("intake_centreline") - q.figure("exhaust_centreline")) / 2.0


def chamber(q: Question) -> float:
    """The volume at the top that makes the ratio, solved for [cm3]."""
    v = sympy.symbols("v", positive=True)
    swept = math.pi * (q.figure("bore") / 20.0) ** 2 * q.figure("stroke") / 10.0
    (found,) = sympy.solve((v + swept) / v - q.figure("compression_ratio"), v)
    return float(found)


def engine_speed(q: Question) -> float:
    """Turns of the wheel in a minute of that road speed, times both ratios."""
    metres = {"mph": MPH, "km/h": KMH}[q.given["road_speed"][1]] * q.figure("road_speed") * 60.0
    return metres / (math.tau * q.figure("tyre_radius") / 1e3) * q.figure("gear_ratio") * q.figure("final_drive")


def swinging_row(q: Question) -> float:
    """The row with as much of the log above it as below, as near as rows come."""
    logged, rows = ([value for value, _ in q.listed(name).values()] for name in ("logged_", "row_"))
    return min(rows, key=lambda row: abs((max(logged) - row) - (row - min(logged))))


def overlap(q: Question) -> float:
    """Exhaust closing less intake opening, with the centrelines anywhere as long as they are the separation apart."""
    advance = 7.0
    intake = q.figure("lobe_separation") - advance
    exhaust = -(q.figure("lobe_separation") + advance)
    return (exhaust + q.figure("exhaust_duration") / 2.0) - (intake - q.figure("intake_duration") / 2.0)


def compression(q: Question) -> float:
    """Volume at closing over clearance volume, by the triangle of crank and rod."""
    radius, rod = q.figure("stroke") / 2.0, q.figure("rod_length")
    angle = math.radians(180.0 + q.figure("closes"))
    height = radius * math.cos(angle) + math.sqrt(rod**2 - (radius * math.sin(angle)) ** 2)  # pin over the crank's axis
    clearance = q.figure("stroke") / (q.figure("compression_ratio") - 1.0)
    return (radius + rod - height + clearance) / clearance


def gear(q: Question) -> float:
    """The gear whose own road speed comes nearest."""
    unit = {"mph": MPH, "km/h": KMH}[q.given["road_speed"][1]]
    ratios = [value for name, (value, _) in q.given.items() if name.startswith("ratio_")]
    turns = q.figure("speed") / 60.0
    speeds = [math.tau * q.figure("tyre_radius") / 1e3 * turns / (ratio * q.figure("final_drive")) / unit for ratio in ratios]
    return 1.0 + min(range(len(speeds)), key=lambda k: abs(math.log(speeds[k] / q.figure("road_speed"))))


def between_cells(q: Question) -> float:
    """The plane through four corners with a twist, solved for its four coefficients."""
    a, b, c, d = sympy.symbols("a b c d")
    corners = [(n, p, q.figure(f"{row}_{column}")) for row, n in (("slow", q.figure("slower")), ("fast", q.figure("faster")))
               for column, p in (("light", q.figure("lighter")), ("full", q.figure("fuller")))]  # fmt: skip
    found = sympy.solve([a + b * n + c * p + d * n * p - z for n, p, z in corners], [a, b, c, d])
    n, p = q.figure("speed"), q.figure("load")
    return float(found[a] + found[b] * n + found[c] * p + found[d] * n * p)


def in_kpa(q: Question, name: str) -> float:
    value, unit = q.given[name]
    return value * (1.0 if unit == "kPa" else PA_PER_INHG / 1e3)


OTHER_ROUTES: dict[Form, Callable[[Question], float]] = {
    **dict.fromkeys((Form.INTAKE_CLOSES, Form.INTAKE_OPENS, Form.EXHAUST_CLOSES, Form.EXHAUST_OPENS), edge),
    Form.OVERLAP: overlap,
    Form.SEPARATION: separation,
    Form.ADVANCED: lambda q: q.figure("closes") - q.figure("advance"),
    # Both centrelines lie the separation apart at the crank, and their middle the advance before top dead centre.
    Form.CENTRELINE: lambda q: (2.0 * q.figure("lobe_separation") - 2.0 * q.figure("advance")) / 2.0,
    Form.ADVANCE_SEEN: advance_seen,
    Form.RATIO_LEFT: compression,
    Form.CHAMBER: chamber,
    Form.VACUUM: lambda q: (in_kpa(q, "barometer") - q.figure("manifold_pressure")) * (1.0 if q.unit == "kPa" else 1e3 / PA_PER_INHG),
    Form.PRESSURE: lambda q: in_kpa(q, "barometer") - in_kpa(q, "manifold_vacuum"),
    Form.BEGINS: lambda q: q.figure("ends") + 6.0 * q.figure("speed") * q.figure("pulse") / 1e3,
    Form.LONGEST: lambda q: (q.figure("begins") - q.figure("ends")) / (6.0 * q.figure("speed")) * 1e3,
    Form.GEAR: gear,
    Form.ENGINE_SPEED: engine_speed,
    Form.FOUR_CELLS: between_cells,
    Form.STEEPNESS: lambda q: (q.figure("fast_light") - q.figure("slow_light")) * (1e3 / (q.figure("faster") - q.figure("slower"))),
    Form.SWINGING_ROW: swinging_row,
}


def test_there_are_a_thousand_questions_of_every_form() -> None:
    assert len(ALL) >= 1000
    assert {q.topic for q in ALL} == set(Topic)
    assert {q.form for q in ALL} == set(Form) == set(OTHER_ROUTES)
    assert [form for forms in FORMS.values() for form in forms] == list(Form)


@pytest.mark.parametrize("form", Form, ids=lambda form: form.code)
def test_an_answer_is_found_by_another_route_too(form: Form) -> None:
    asked = [q for q in ALL if q.form is form]
    # Solving equations by algebra takes a while: some of those.
    for q in asked[:: 5 if form in (Form.FOUR_CELLS, Form.SEPARATION, Form.CHAMBER) else 1]:
        assert OTHER_ROUTES[form](q) == pytest.approx(q.answer, rel=1e-5, abs=1e-6)
        last = worked_steps(q)[-1].result.quantity
        assert float(last.to(q.unit or "dimensionless").magnitude) == pytest.approx(q.answer, rel=1e-9, abs=1e-9)


def test_the_forms_of_a_topic_come_by_turns_and_the_own_figures_first() -> None:
    asked = practice_questions(BUILDS["quarry-road"], Topic.EVENTS, count=9)
    assert asked[0].own
    assert asked[0].form is Form.INTAKE_CLOSES
    assert {q.form for q in asked[1:5]} == {q.form for q in asked[5:]} == set(FORMS[Topic.EVENTS])


def test_only_the_answer_is_right() -> None:
    for q in ALL:
        typed = f"{q.answer!r} {q.unit}"
        assert mark_answer(q, typed).right
        assert mark_answer(q, answer_text(q)).right  # as it is printed, rounded
        for off in (-2.1, 2.1) if q.form is not Form.GEAR else (-1.0 / q.tolerance, 1.0 / q.tolerance):
            assert not mark_answer(q, f"{q.answer + off * q.tolerance!r} {q.unit}").right


def test_every_slip_of_a_question_is_recognised_as_that() -> None:
    seen: set[Slip] = set()
    for q in ALL:
        for slip, value in q.slips.items():
            marked = mark_answer(q, f"{value!r} {q.unit}")
            assert not marked.right
            assert marked.slip is slip
            seen.add(slip)
    typed = {Slip.NOT_A_NUMBER, Slip.NO_UNIT, Slip.OTHER_KIND, Slip.WHICH_ANGLE}
    assert seen | typed == set(Slip) == set(SLIPS)


@pytest.mark.parametrize(
    ("typed", "slip"),
    [
        ("9", Slip.NO_UNIT),
        ("9 mm", Slip.OTHER_KIND),
        ("9 deg", Slip.WHICH_ANGLE),
        ("0.157 rad", Slip.WHICH_ANGLE),
        ("9 cam_deg", Slip.CRANK_FOR_CAM),
        ("121 crank_deg", Slip.CAM_FOR_CRANK),
        ("-9 crank_deg", Slip.SIGN),
        ("242 crank_deg", Slip.NOT_HALVED),
        ("nine", Slip.NOT_A_NUMBER),
        ("", Slip.NOT_A_NUMBER),
        ("9 crank_deg" * 40, Slip.NOT_A_NUMBER),
    ],
)
def test_slips_of_the_examples_own_overlap(typed: str, slip: Slip) -> None:
    # 229 and 237 crank degrees at 1.27 mm, 112 cam degrees apart: 233 - 224 = 9.
    q, *_ = practice_questions(BUILDS["quarry-road"], Topic.OVERLAP, count=1)
    assert q.own
    assert q.answer == 9.0
    assert mark_answer(q, typed) == (False, slip, pytest.approx(mark_answer(q, typed).number, nan_ok=True))


@pytest.mark.parametrize(
    "typed",
    [
        *("9 crank_deg", "9 crank_deg BTDC", "9.0 crank deg", "9,0 crank_deg", "4.5 cam_deg", "  9.4 crank_deg "),
        *("9 \u00b0 crank", "9 deg CA", "9\u00b0KW", "9 CA deg", "4.5 cam degrees"),
    ],
)
def test_an_answer_may_be_written_as_people_write(typed: str) -> None:
    q, *_ = practice_questions(BUILDS["quarry-road"], Topic.OVERLAP, count=1)
    assert mark_answer(q, typed).right


def test_figures_may_be_parted_and_units_written_as_people_write() -> None:
    def one(form: Form) -> Question:
        return next(q for q in ALL if q.form is form and q.answer >= 1000.0) if form is Form.ENGINE_SPEED else next(q for q in ALL if q.form is form)

    speed, chamber, pressure = one(Form.ENGINE_SPEED), one(Form.CHAMBER), one(Form.PRESSURE)
    whole = f"{speed.answer:.0f}"
    for typed in (f"{whole[:-3]},{whole[-3:]} rpm", f"{whole} U/min", f"{whole} RPM"):
        assert mark_answer(speed, typed).right
    assert all(mark_answer(chamber, f"{chamber.answer:.1f} {unit}").right for unit in ("cm\u00b3", "cc", "ccm", "CC", "cm^3"))
    assert mark_answer(pressure, f"{pressure.answer:.1f} kpa").right
    events = next(q for q in ALL if q.form is Form.INTAKE_CLOSES)
    assert mark_answer(events, f"{events.answer} crank_deg after BDC").right
    assert mark_answer(events, f"{events.answer} CRANK_DEG").right
    gear_asked = next(q for q in ALL if q.form is Form.GEAR)
    assert mark_answer(gear_asked, ("first", "second", "third", "fourth", "fifth", "sixth")[round(gear_asked.answer) - 1]).right


def test_tables_and_logs_of_practice_are_like_real_ones() -> None:
    for q in ALL:
        if q.form is Form.FOUR_CELLS:
            assert q.figure("slow_full") <= q.figure("slow_light")
            assert q.figure("fast_full") <= q.figure("fast_light")
        if q.form is Form.SWINGING_ROW:
            logged = [value for value, _ in q.listed("logged_").values()]
            assert 900.0 <= q.answer <= 1800.0
            assert max(logged) - min(logged) <= 400.0


@pytest.mark.parametrize("form", ['{}"Hg', "{} in Hg", "{} in. Hg", "{} inches of Hg", "{} inHg", "{} inches of mercury", "{} inches Hg", "{}\u2033Hg"])
def test_inches_of_mercury_may_be_written_as_people_write(form: str) -> None:
    asked = practice_questions(BUILDS["quarry-road"], Topic.VACUUM, count=6)
    inches = [q for q in asked if q.unit == "inHg"]
    assert inches
    assert all(mark_answer(q, form.format(f"{q.answer:.2f}")).right for q in inches)


@pytest.mark.parametrize("form", ["{}", "gear {}", "{}nd", "{}. "])
def test_a_gear_may_be_written_as_people_write(form: str) -> None:
    asked = practice_questions(BUILDS["quarry-road"], Topic.GEAR, count=12)
    for q in (q for q in asked if q.form is Form.GEAR):
        assert mark_answer(q, form.format(f"{q.answer:.0f}")).right


def test_a_number_between_gears_is_no_gear_and_a_ratio_is_called_that() -> None:
    q = next(q for q in practice_questions(BUILDS["quarry-road"], Topic.GEAR, count=40) if q.answer == 5.0)
    assert [mark_answer(q, text).right for text in ("5", "4.7", "5.3")] == [True, False, False]
    assert mark_answer(q, "0.92").slip is Slip.THE_RATIO


def test_a_ratio_may_end_in_to_one() -> None:
    q, *_ = practice_questions(BUILDS["quarry-road"], Topic.COMPRESSION, count=1)
    assert all(mark_answer(q, f"{q.answer:.2f}{end}").right for end in ("", ":1", " : 1", " to 1"))


@given(text=st.one_of(st.text(max_size=80), st.from_regex(r"[-+0-9.eE,]{0,12} ?[a-zA-Z_/*^%]{0,12}")), k=st.integers(0, len(ALL) - 1))
@settings(max_examples=300, deadline=None, derandomize=True)
def test_whatever_is_typed_is_marked(text: str, k: int) -> None:
    marked = mark_answer(ALL[k], text)
    assert marked_words(ALL[k], marked)
    assert marked.right <= (marked.slip is None)


def test_the_same_seed_asks_the_same_and_another_seed_others() -> None:
    one, same, other = (practice_questions(BUILDS["dockside"], Topic.EVENTS, count=8, seed=seed) for seed in (5, 5, 6))
    assert one == same
    assert [q.answer for q in one[1:]] != [q.answer for q in other[1:]]


@pytest.mark.parametrize(("topic", "count"), [("valves", 5), ("overlap", 0), ("overlap", 201)])
def test_what_cannot_be_asked_is_refused(topic: str, count: int) -> None:
    with pytest.raises(InputError):
        practice_questions(BUILDS["quarry-road"], topic, count=count)


def test_questions_and_slips_are_plain() -> None:
    texts = [question_text(next(q for q in ALL if q.form is form)) for form in Form] + [text.format(unit="crank_deg") for text in SLIPS.values()]
    assert [found for text in texts for found in (*banned_in(text), *long_sentences(text))] == []


# --- the command


def test_a_learner_is_asked_corrected_and_shown_the_steps(capsys: Said, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("121 crank_deg\n9 crank_deg\n?\nq\n"))
    assert main(["practise", "overlap", SHEET, "--seed", "3"]) == 0
    out = capsys.readouterr().out
    assert "cam degrees as crank degrees" in out
    assert out.index("Not right") < out.index("Right.") < out.index("= 9 crank deg")
    assert "1 of 2 right. The same questions again: --seed 3" in out


def test_an_empty_line_costs_no_try_and_a_wrong_one_counts(capsys: Said, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("\n\n\n8 crank_deg\n\nq\n"))
    assert main(["practise", "overlap", SHEET, "--seed", "3"]) == 0
    assert "0 of 1 right" in capsys.readouterr().out


def test_without_standard_input_a_learner_is_told_so(capsys: Said, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", None)
    assert main(["practise", "overlap", SHEET]) == 1
    assert "--html FILE" in capsys.readouterr().err


def test_input_that_ends_ends_the_practice(capsys: Said, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    assert main(["practise", "gear", SHEET]) == 0
    assert "0 of 0 right" in capsys.readouterr().out


def test_sheets_to_print_hold_answers_for_the_instructor_alone(tmp_path: Path, capsys: Said) -> None:
    asked, solved = tmp_path / "asked.html", tmp_path / "solved.html"
    words = ["practise", "compression", SHEET, "--seed", "4", "--questions", "3", "--html", str(asked), "--answers", str(solved)]
    assert main(words) == 0
    answers = [answer_text(q) for q in practice_questions(BUILDS["quarry-road"], "compression", count=3, seed=4)]
    assert len(set(answers)) == 3
    assert all(f"Answer: {answer}" in solved.read_text(encoding="utf-8") for answer in answers)
    assert not any(answer in asked.read_text(encoding="utf-8") for answer in answers)
    assert "seed 4" in solved.read_text(encoding="utf-8")
    assert "seed" not in asked.read_text(encoding="utf-8")
    (name,) = {re.search(r"Quarry Road, sheet [0-9A-F]{4}", page.read_text(encoding="utf-8"))[0] for page in (asked, solved)}  # type: ignore[index]
    assert name
    capsys.readouterr()
    assert main(words) == 1  # never over what is there
    assert "--force" in capsys.readouterr().err


def test_questions_come_as_data(capsys: Said) -> None:
    assert main(["practise", "vacuum", SHEET, "--seed", "2", "--questions", "2", "--json"]) == 0
    data: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert data["seed"] == 2
    assert [set(q) for q in data["questions"]] == [{"topic", "form", "own", "text", "answer", "tolerance", "slips"}] * 2
