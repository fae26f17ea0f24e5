"""What people see of an explanation: symbols with values and units, three kinds of page, refusals."""

from __future__ import annotations

import io
import json
import re
import shutil
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import html5lib
import pytest
import sympy

from camcalc import InputError, explain_topic
from camcalc.cli.main import main
from camcalc.explain import TOPICS
from camcalc.explain.as_page import explanation_html, explanation_markdown
from camcalc.explain.printing import NAMESPACE, mathml_of_formula
from camcalc.explain.worksheet import Worksheet
from camcalc.report.explanation_terminal import print_explanation
from camcalc.sources import SOURCES
from camcalc.units import quantity
from tests.plain_words import banned_in, long_sentences

if TYPE_CHECKING:
    from camcalc import Explanation

Told = Callable[[str, str], "Explanation"]
Said = pytest.CaptureFixture[str]
each_topic = pytest.mark.parametrize("topic", list(TOPICS))
SHEET = "examples/quarry-road/build.toml"


@each_topic
def test_every_symbol_of_a_formula_has_a_value_a_meaning_and_an_origin(topic: str, told: Told) -> None:
    e = told("quarry-road", topic)
    for step in e.steps:
        assert {v.symbol for v in step.values} == step.formula.free_symbols
        assert all(v.meaning and v.origin for v in (*step.values, step.result))
        assert step.equation.lhs == step.result.symbol
    assert {v.symbol for v in e.answers} <= {step.result.symbol for step in e.steps}
    assert set(e.source_keys) <= set(SOURCES)
    assert e.limits
    assert e.try_it


@each_topic
def test_numbers_put_in_give_the_result_by_sympy_alone(topic: str, told: Told) -> None:
    for step in told("quarry-road", topic).steps:
        bare = {v.symbol: sympy.Float(float(v.quantity.to_base_units().magnitude)) for v in step.values}
        found = float(step.formula.subs(bare).evalf(17))
        # A temperature, the only unit with an offset, is absolute everywhere; a result that cancels is close in terms of what it is made of.
        size = max((abs(float(x)) for x in bare.values()), default=1.0)
        assert found == pytest.approx(float(step.result.quantity.to_base_units().magnitude), rel=1e-9, abs=1e-12 * size)


@each_topic
def test_the_line_with_numbers_shows_every_value_with_its_unit(topic: str, told: Told) -> None:
    for step in told("quarry-road", topic).steps:
        _, with_numbers, result = step.lines()
        assert all(v.text in with_numbers for v in step.values)
        assert result == step.result.text
        left = re.sub(r"pi|sqrt|sin|cos|Min|Max|Abs", "", re.sub(r"\([-\d.]+ [^()]*\)", "", with_numbers))
        assert not re.search(r"[A-Za-z]_?", left), left


@each_topic
def test_formulas_are_well_formed_mathml(topic: str, told: Told) -> None:
    for step in told("quarry-road", topic).steps:
        for text in (mathml_of_formula(step.result.symbol, step.formula), mathml_of_formula(step.result.symbol, step.formula, step.figures)):
            tree = ElementTree.fromstring(text)
            assert tree.tag == f"{{{NAMESPACE}}}math"
            assert {str(el.tag).rpartition("}")[2] for el in tree.iter()} <= {"math", "mrow", "mi", "mn", "mo", "mtext", "mfrac", "msub", "msup", "msqrt"}
        numbers = [el.text for el in tree.iter(f"{{{NAMESPACE}}}mn")]
        assert all(number.replace("-", "−") in numbers for number, _ in step.figures.values())


@each_topic
def test_the_page_parses_stands_on_its_own_and_tells_the_answer(topic: str, told: Told) -> None:
    e = told("quarry-road", topic)
    page = explanation_html(e, full=True)
    html5lib.HTMLParser(strict=True).parse(page)
    tree = html5lib.parse(page, namespaceHTMLElements=False)
    text = " ".join("".join(tree.itertext()).split())
    assert all(" ".join(part.split()) in text for part in (e.question, e.reading, e.try_it, *e.limits, *(v.text for v in e.answers)))
    assert all(source["text"] in text for source in e.sources.values())
    tags = {str(element.tag).rpartition("}")[2] for element in tree.iter()}
    assert not tags & {"script", "link", "iframe", "img"}
    assert not re.search(r"\b(src|href)=", page)
    assert page.count("<math") >= 3 * len(e.steps)
    assert "prefers-color-scheme: dark" in page
    assert "width=device-width" in page


@each_topic
def test_json_carries_the_numbers_of_the_explanation(topic: str, told: Told) -> None:
    e = told("quarry-road", topic)
    data = json.loads(json.dumps(e.to_dict(), allow_nan=False))
    for step, told_step in zip(e.steps, data["steps"], strict=True):
        assert told_step["result"]["value"] == float(step.result.quantity.magnitude)
        assert [v["value"] for v in told_step["values"]] == [float(v.quantity.magnitude) for v in step.values]
    assert [v["meaning"] for v in data["answers"]] == [v.meaning for v in e.answers]


@each_topic
def test_markdown_and_terminal_show_each_step(topic: str, told: Told) -> None:
    from rich.console import Console

    e = told("quarry-road", topic)
    console = Console(record=True, width=400, file=open("/dev/null", "w", encoding="utf-8"))  # noqa: SIM115
    try:
        print_explanation(e, console, full=True)
    finally:
        console.file.close()
    shown, markdown = console.export_text(), explanation_markdown(e, full=True)
    for step in e.steps:
        formula, with_numbers, result = step.lines()
        for text in (shown, markdown):
            assert f"{step.result.symbol.name} = {formula}" in text
            assert f"= {with_numbers}" in text
            assert f"= {result}" in text


@each_topic
def test_the_short_form_has_the_steps_that_carry_the_point_and_one_limit(topic: str, told: Told) -> None:
    from rich.console import Console

    e = told("quarry-road", topic)
    carrying = e.numbered(full=False)
    assert 1 <= len(carrying) <= 2
    assert len(e.numbered(full=True)) == len(e.steps)
    assert e.left_out(full=False) == len(e.steps) - len(carrying) + len(e.limits) - 1
    console = Console(record=True, width=2000, file=io.StringIO())
    print_explanation(e, console)
    pages = [explanation_html(e), e._repr_html_()]
    read = [" ".join("".join(html5lib.parse(page, namespaceHTMLElements=False).itertext()).split()) for page in pages]
    forms = [console.export_text(), explanation_markdown(e), *read]
    for k, step in enumerate(e.steps, 1):
        for text in forms:
            assert (" ".join(step.words.split()) in text.replace("\\", "")) == ((k, step) in carrying)
    for text in (text.replace("\\", "") for text in forms):
        assert all(part in text for part in (e.question, e.reading, e.limits[0], e.try_it))
        assert not any(limit in text for limit in e.limits[1:])
    assert "--full shows them" in forms[0]
    assert [step["carries"] for step in e.to_dict()["steps"]] == [(k, step) in carrying for k, step in enumerate(e.steps, 1)]


@each_topic
def test_an_explanation_is_plain_english(topic: str, told: Told) -> None:
    for name in ("quarry-road", "dockside"):
        e = told(name, topic)
        for text in (e.question, e.reading, e.try_it, *e.limits, *(step.words for step in e.steps)):
            assert long_sentences(text) == []
            assert banned_in(text) == []
            assert text[0].isupper(), text
            assert text.rstrip(")")[-1] in ".?", text


def test_the_command_shows_all_steps_in_full_only(at_root: Path, tmp_path: Path, capsys: Said) -> None:
    shown = []
    for options in ([], ["--full", "--force"]):
        assert main(["explain", "events", SHEET, *options, "--markdown", str(tmp_path / "e.md")]) == 0
        out = capsys.readouterr().out
        shown.append((out.count("\n  = "), (tmp_path / "e.md").read_text(encoding="utf-8").count("## Step"), "Sources" in out))
    assert shown == [(4, 2, False), (12, 6, True)]


def test_a_name_from_the_sheet_is_no_markup(build_of: Callable[..., Any]) -> None:
    build = build_of("quarry-road")
    sly = build.replace(name="<script>alert(1)</script> **[x](y)** [red]", cam=build.cam.replace(name="<img src=x> | `a`"))
    e = explain_topic(sly, "overlap")
    page, markdown = explanation_html(e), explanation_markdown(e)
    assert "<script" not in page
    assert "<img" not in page
    assert "\\<script\\>" in markdown
    assert not re.search(r"(?<!\\)[<`*]", re.sub(r"(?s)```.*?```|\*\*", "", markdown))
    assert "<script" not in e._repr_html_()


def test_a_formula_with_a_unit_mistaken_raises() -> None:
    sheet = Worksheet()
    p, v = sheet.given("p", "pressure", quantity(1.0, "Pa"), ""), sheet.given("V", "volume", quantity(1.0, "m**3"), "")
    with pytest.raises(Exception, match="Cannot convert"):
        sheet.step("", "x", "", p + v, "Pa")
    with pytest.raises(Exception, match="Cannot convert"):
        sheet.step("", "y", "", p * v, "Pa")
    with pytest.raises(ValueError, match="is taken"):
        sheet.given("p", "another", 1.0, "")


# --- refusals


@pytest.mark.parametrize(("word", "near"), [("residul", '"residual"'), ("effective_compresion", '"effective compression"'), ("frobnicate", "known here: ")])
def test_an_unknown_topic_is_refused_with_the_nearest_known(word: str, near: str, build_of: Callable[..., Any]) -> None:
    with pytest.raises(InputError) as raised:
        explain_topic(build_of("dockside"), word)
    assert near in raised.value.fix


def test_topics_are_found_with_hyphens(build_of: Callable[..., Any]) -> None:
    assert explain_topic(build_of("dockside"), "Effective-Compression").topic == "effective compression"


@pytest.mark.parametrize(
    ("topic", "options", "words"),
    [
        ("overlap", {"sped": "900 rpm"}, "an option of this topic"),
        ("overlap", {"gear": 3}, "an option of this topic"),
        ("residual", {"speed": "900 rpm"}, "both, or neither"),
        ("reversion", {"gear": 9}, "1 to 5"),
        ("surge", {"gear": 0}, "1 to 5"),
        ("ceiling", {"manifold_pressure": "118 kPa"}, "less than the barometer"),
        ("ceiling", {"speed": "1400"}, "crank speed"),
    ],
)
def test_options_that_cannot_be_are_refused(topic: str, options: dict[str, Any], words: str, build_of: Callable[..., Any]) -> None:
    with pytest.raises(InputError, match=words):
        explain_topic(build_of("dockside"), topic, **options)


def test_injection_is_refused_where_it_does_not_apply(build_of: Callable[..., Any]) -> None:
    build = build_of("dockside")
    other = build.replace(fuel=build.fuel.replace(system="carburettor"), injector=None)
    with pytest.raises(InputError, match="metered by air flow"):
        explain_topic(other, "injection")


# --- the command


def test_the_command_prints_and_writes_pages(at_root: Path, tmp_path: Path, capsys: Said) -> None:
    page, notes = tmp_path / "overlap.html", tmp_path / "overlap.md"
    assert main(["explain", "overlap", SHEET, "--at", "0.050 inch", "--html", str(page), "--markdown", str(notes)]) == 0
    out = capsys.readouterr().out
    assert "= 9 crank deg" in out
    assert "= 9 crank deg" in notes.read_text(encoding="utf-8")
    assert "9 crank deg" in page.read_text(encoding="utf-8")


def test_the_command_tells_json(at_root: Path, capsys: Said) -> None:
    assert main(["explain", "effective-compression", SHEET, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["answers"][0]["value"] == data["steps"][-1]["result"]["value"]


@pytest.mark.parametrize("option", ["--html", "--markdown"])
@pytest.mark.parametrize("which", ["build.toml", "spark.csv"])
def test_an_input_is_not_written_over(option: str, which: str, root: Path, tmp_path: Path, capsys: Said) -> None:
    for name in ("build.toml", "spark.csv"):
        shutil.copy(root / "examples" / "quarry-road" / name, tmp_path / name)
    before = (tmp_path / which).read_bytes()
    assert main(["explain", "overlap", str(tmp_path / "build.toml"), option, str(tmp_path / which)]) == 1
    assert "no input of this command" in capsys.readouterr().err
    assert (tmp_path / which).read_bytes() == before


def test_one_file_for_two_pages_is_refused(at_root: Path, tmp_path: Path, capsys: Said) -> None:
    path = str(tmp_path / "x")
    assert main(["explain", "overlap", SHEET, "--html", path, "--markdown", path]) == 1
    assert "two files" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_topic_ends_the_command_with_one(at_root: Path, capsys: Said) -> None:
    assert main(["explain", "sruge", SHEET]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert 'did you mean "surge"?' in said.err
