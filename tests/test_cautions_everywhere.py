"""Every command, page, file and notebook: its cautions come before the figures that tempt, a blank says what it is, and nothing calls itself safe."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import html5lib
import pytest
from rich.console import Console

from camcalc import compare_builds
from camcalc.advice.base_table import compare_with_base
from camcalc.cautions import (
    AT_BRAKES,
    AT_CHOICE,
    AT_COMPARISON,
    AT_CURES,
    AT_IDLE_SPARK,
    AT_SURGE,
    AT_TRADE_OFF,
    BESIDE_SPARK_TABLE,
    CAUTIONS,
    ON_THE_ROAD,
    OVER_SPARK_TABLE,
    OVER_STARTING_TABLE,
    Caution,
)
from camcalc.cli.main import COMMANDS, main
from camcalc.cycle.models import MODELS
from camcalc.explain import explain_topic
from camcalc.explain.as_page import explanation_html, explanation_markdown
from camcalc.marks import Mark
from camcalc.report.brief_page import brief_html
from camcalc.report.compare_page import compare_html
from camcalc.report.tables import SPARK_GRIDS, TABLE_NAMES, brief_tables
from camcalc.report.terminal import print_brief
from camcalc.tables.proposed import level_table
from tests.measured.make_cars import stored_design

Make = Callable[..., Any]
Said = pytest.CaptureFixture[str]
ROOT = Path(__file__).resolve().parents[1]
SHEET = str(ROOT / "examples" / "quarry-road" / "build.toml")
TRUCK = str(ROOT / "examples" / "long-meadow" / "build.toml")
WANTED = ROOT / "tests" / "data" / "wanted.toml"
STEEP = ROOT / "examples" / "steep-table"
OWN_CAR = str(ROOT / "tests" / "measured" / "own_car.toml")


class Walk(NamedTuple):
    """A command: its words, the cautions it owes, and the first words of what tempts."""

    words: list[str]
    owes: tuple[str, ...]
    tempts: str


WALKS = {
    "trade-off": Walk([SHEET, "--speed", "1400 rpm", "--torque", "60 N m"], AT_TRADE_OFF, "Spark at equal torque"),
    "cures": Walk([SHEET, "--against", "cruise"], AT_CURES, "What else would cure it"),
    "road-test": Walk([SHEET], ON_THE_ROAD, "1. "),
    "surge": Walk([SHEET, "--gear", "4"], AT_SURGE, "Gear 4 on the level road"),
    "drive": Walk([SHEET, "--gear", "3", "--speed", "1500 rpm", "--duration", "4 s"], AT_SURGE, "acceleration, r.m.s."),
    "hear": Walk([SHEET, "--positions", "1", "--no-shaped"], (*AT_IDLE_SPARK, *AT_SURGE), "New cam:"),
    "compare": Walk([SHEET, "--no-bands"], AT_COMPARISON, "has the better street manners"),
    "choose": Walk([SHEET, "--wanted", str(WANTED), "--advance", "4 crank_deg"], AT_CHOICE, "Largest cam"),
    "sweep": Walk([SHEET, "--vary", "idle.speed=850 rpm"], AT_IDLE_SPARK, "850 rpm"),
    "explain": Walk(["ceiling", SHEET], OVER_SPARK_TABLE, "How much final spark"),
    "cycle": Walk([SHEET, "--speed", "1500 rpm", "--manifold-pressure", "60 kPa"], OVER_SPARK_TABLE, "trapped mass"),
    "brief": Walk([TRUCK, "--no-bands", "--no-cures", "--section", "spark"], OVER_STARTING_TABLE, "Starting table: final spark"),
    "shape": Walk([SHEET], (Caution.KNOCK,), "1400 rpm"),
    "readings": Walk([OWN_CAR], (*AT_IDLE_SPARK, *ON_THE_ROAD), "Headline figures before and after"),
    "review": Walk([str(STEEP / "before.csv"), SHEET, "--table", str(STEEP / "steep.csv"), "--no-ceilings"], (Caution.KNOCK,), "lower 1400 rpm"),
}
# These show no spark of an engine, no brakes and no road: sheets, valve events, exercises on drawn figures, the shell's own script.
WITHOUT = {"new", "events", "practise", "completion"}


def flat(text: str) -> str:
    return " ".join(text.split())


def test_every_command_is_walked_or_shows_nothing_that_tempts() -> None:
    assert set(WALKS) | WITHOUT == set(COMMANDS)
    assert not set(WALKS) & WITHOUT


@pytest.fixture(autouse=True)
def stored_cars(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cars that the sheet allows take minutes; those of a table stand in for them."""
    monkeypatch.setattr("camcalc.measured.learning.design_of", lambda *args, **options: stored_design())


@pytest.mark.parametrize("command", WALKS)
def test_a_command_says_its_cautions_before_what_tempts(command: str, capsys: Said, coarse: None) -> None:
    walk = WALKS[command]
    assert main([command, *walk.words]) == 0
    said = flat(capsys.readouterr().out)
    assert walk.tempts in said
    before = said[: said.index(walk.tempts)]
    assert [caution for caution in walk.owes if caution not in before] == []


@pytest.mark.parametrize("command", ["trade-off", "cures", "road-test", "surge", "drive", "hear", "compare", "choose", "sweep", "explain", "shape", "readings"])
def test_a_command_says_its_cautions_in_json_too(command: str, capsys: Said, coarse: None) -> None:
    walk = WALKS[command]
    assert main([command, *walk.words, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert set(walk.owes) <= set(data["cautions"])


# --- the brief


@pytest.fixture(scope="module")
def passed_brief(brief_of: Make) -> Any:
    """A brief whose own table passes ceilings; the example's does not by the tests' engine."""
    brief = brief_of("quarry-road")
    return brief.replace(base_table=compare_with_base(MODELS["coarse"](brief.build), brief.spark_ceilings, level_table(45.0)))


@pytest.fixture(scope="module")
def screen(passed_brief: Any) -> str:
    console = Console(width=100, file=io.StringIO())
    print_brief(passed_brief, console)
    return flat(console.file.getvalue())  # type: ignore[attr-defined]


@pytest.fixture(scope="module")
def page(brief_of: Make) -> Any:
    return html5lib.parse(brief_html(brief_of("quarry-road")), namespaceHTMLElements=False)


HAZARDS = [
    ("Idle with the new cam, warm", (*AT_IDLE_SPARK, *AT_BRAKES)),
    ("Idle spark around the idle speed", AT_IDLE_SPARK),
    ("Idle over spark", AT_IDLE_SPARK),
    ("Starting table: final spark", OVER_STARTING_TABLE),
    ("Spark ceiling, final spark", OVER_SPARK_TABLE),
    ("Ceilings at the road load", OVER_SPARK_TABLE),
    ("From your table's spark", (Caution.LATE_SPARK,)),
    ("Least of all limits", OVER_SPARK_TABLE),
    ("Lowest usable speed by gear, on the", AT_SURGE),
    ("Spark at equal torque", AT_TRADE_OFF),
    ("What else would cure it, best first", AT_CURES),
]


@pytest.mark.parametrize(("head", "owes"), HAZARDS, ids=[head for head, _ in HAZARDS])
def test_the_screen_of_the_brief_warns_right_before_each_table(screen: str, head: str, owes: tuple[str, ...]) -> None:
    """Right before: between the table and the one before it, not somewhere above."""
    heads = [h for h, _ in HAZARDS if h != head and h in screen[: screen.index(head)]]
    since = max((screen.rindex(h, 0, screen.index(head)) for h in heads), default=0)
    near = screen[since : screen.index(head)]
    if head == "Idle over spark":  # one caution serves idle spark and what it does
        near = screen[: screen.index(head)]
    assert [caution for caution in owes if caution not in near] == []


def test_a_spark_table_ends_with_the_law(screen: str) -> None:
    for head in ("Starting table: final spark", "Spark at equal torque", "2. Starting spark"):
        assert Caution.LAW in screen[screen.index(head) : screen.index(head) + 3000]


SECTIONS = {
    "answers": (*AT_IDLE_SPARK, *OVER_SPARK_TABLE, Caution.BRAKES, Caution.COURSE, Caution.PISTON_TO_VALVE, Caution.EXHAUST_GAS),
    "idle": (*AT_BRAKES, *AT_IDLE_SPARK),
    "surge": AT_SURGE,
    "spark": (*OVER_SPARK_TABLE, *OVER_STARTING_TABLE, Caution.LAW),
    "trade-off": (*AT_TRADE_OFF, Caution.LAW),
    "cures": AT_CURES,
    "cautions": CAUTIONS,
}
FIRST_FIGURE = {"idle": "rpm", "surge": "not below, rpm", "spark": "kPa", "trade-off": "MAP, kPa", "cures": "removes, %"}


@pytest.mark.parametrize("key", SECTIONS)
def test_a_section_of_the_page_warns_before_its_figures(page: Any, key: str) -> None:
    (section,) = [e for e in page.iter() if e.attrib.get("id") == key]
    text = flat("".join(section.itertext()))
    assert [caution for caution in SECTIONS[key] if caution not in text] == []
    if key in FIRST_FIGURE:
        assert text.index(SECTIONS[key][0]) < text.index(FIRST_FIGURE[key])


def test_a_table_of_the_page_with_a_blank_cell_says_what_a_blank_is(page: Any) -> None:
    """A blank cell is never left to be read as permission; a blank head of a row is none."""
    found = 0
    for section in page.iter("section"):
        blanks = [cell for cell in section.iter("td") if "data-field" in cell.attrib and not flat("".join(cell.itertext()))]
        if blanks:
            found += 1
            assert Mark.BLANK in flat("".join(section.itertext())), section.attrib["aria-labelledby"]
    assert found >= 2


def test_a_mark_on_the_page_is_explained_in_its_section(page: Any) -> None:
    signs = {Mark.UNCURED: r"\(\d+\)", Mark.CAP: r"\(cap\)", Mark.OR_MORE: r"or more", Mark.KNOCKS: r"knocks", Mark.NONE_FOUND: "none"}
    for section in page.iter("section"):
        text = flat("".join(section.itertext()))
        shown = " | ".join(flat("".join(cell.itertext())) for tag in ("td", "th") for cell in section.iter(tag) if "data-field" in cell.attrib)
        assert [mark.name for mark, sign in signs.items() if re.search(rf"\d ?{sign}|\| {sign}", shown) and mark not in text] == []


def test_the_page_of_a_review_warns_before_its_figures_and_ends_its_cells_with_the_law(tmp_path: Path, capsys: Said) -> None:
    out = tmp_path / "review.html"
    assert main(["review", *WALKS["review"].words, "--html", str(out)]) == 0
    capsys.readouterr()
    text = flat("".join(html5lib.parse(out.read_text(), namespaceHTMLElements=False).itertext()))
    cells = text.index("Cells of the table, deg BTDC")
    assert [caution for caution in OVER_SPARK_TABLE if caution not in text[: text.index("The table as driven")]] == []
    assert Caution.LAW in text[cells:]


# --- its files


@pytest.fixture(scope="module")
def files(brief_of: Make) -> dict[str, str]:
    return brief_tables(brief_of("quarry-road"))


def rows_of(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text)))


def test_every_file_is_announced_and_every_table_has_a_text_beside_it(files: dict[str, str]) -> None:
    assert set(files) <= set(TABLE_NAMES)
    for name in files:
        if name.endswith(".csv") and not name.endswith("_marks.csv"):
            assert Mark.BLANK in files[name.replace(".csv", ".txt")], name


COMPUTED = [name for name in SPARK_GRIDS if name not in ("ceiling_low", "ceiling_high")]  # those need bands


@pytest.mark.parametrize("name", [*COMPUTED, "starting_table"])
def test_beside_a_spark_table_are_its_cautions(files: dict[str, str], name: str) -> None:
    lines = files[f"{name}.txt"].splitlines()
    assert lines[1 : 1 + len(BESIDE_SPARK_TABLE)] == list(BESIDE_SPARK_TABLE)
    assert Caution.CRANKING in lines


@pytest.mark.parametrize("name", COMPUTED)
def test_no_grid_of_sparks_holds_an_end_of_the_search_or_an_uncured_cell_as_a_plain_number(files: dict[str, str], brief_of: Make, name: str) -> None:
    ceilings = brief_of("quarry-road").spark_ceilings
    plain, marks = rows_of(files[f"{name}.csv"]), files.get(f"{name}_marks.csv")
    shown = [float(cell) for row in plain[1:] for cell in row[1:] if cell]
    assert [value for value in shown if value in (60.0, -10.0)] == []
    marked = {(k, j): ceilings.mark(name, k, j) for k in range(len(plain) - 1) for j in range(len(plain[0]) - 1) if ceilings.mark(name, k, j)}
    assert bool(marked) == (marks is not None)
    for (k, j), mark in marked.items():
        assert plain[k + 1][j + 1] == ""
        second = rows_of(marks or "")[k + 1][j + 1]
        assert re.sub(r"\d+", "", second).strip()  # words, never a bare number
        with pytest.raises(ValueError, match="could not convert"):
            float(second.strip("()"))
        assert mark in files[f"{name}.txt"]


def test_the_brackets_of_the_ceilings_are_in_their_second_file(files: dict[str, str]) -> None:
    assert re.search(r"\(\d+\) not cured by spark", files["ceiling_marks.csv"])


def test_a_row_of_the_trade_off_file_says_that_its_spark_knocks(files: dict[str, str], brief_of: Make) -> None:
    trade = brief_of("quarry-road").trade_off
    head, *rows = rows_of(files["trade_off.csv"])
    assert head[:2] == ["spark [crank_deg]", "spark_mark"]
    codes = [trade.to_dict()["spark"]["mark"][k] or "" for k in range(len(rows))]
    assert [row[1] for row in rows] == codes
    assert "knocks" in codes
    assert [caution for caution in (*AT_TRADE_OFF, Mark.KNOCKS, Caution.LAW) if caution not in files["trade_off.txt"]] == []


def test_the_idle_file_says_where_its_spark_is_a_cap(brief_of: Make) -> None:
    brief = brief_of("quarry-road")
    states = tuple(state.replace(marks={**state.marks, "spark": Mark.CAP}) for state in brief.idle.new)
    files = brief_tables(brief.replace(idle=brief.idle.replace(new=states)))
    head, first, *_ = rows_of(files["idle.csv"])
    assert head[head.index("spark [crank_deg]") + 1] == "spark_mark"
    assert first[head.index("spark_mark")] == "cap"
    assert Mark.CAP in files["idle.txt"]


# --- other pages


@pytest.mark.parametrize(("topic", "owes"), [("ceiling", OVER_SPARK_TABLE), ("idle-vacuum", AT_BRAKES), ("reversion", AT_SURGE)])
def test_an_explanation_warns_before_its_steps(topic: str, owes: tuple[str, ...], build_of: Make, engine_of: Make) -> None:
    told = explain_topic(build_of("quarry-road"), topic, engine=engine_of("quarry-road"))
    page = flat("".join(html5lib.parse(explanation_html(told), namespaceHTMLElements=False).itertext()))
    number, step = told.numbered(full=False)[0]
    for text, steps in ((page, step.words), (explanation_markdown(told), f"## Step {number}")):
        before = text[: text.index(steps)].replace("\\", "")
        assert [caution for caution in owes if caution not in before] == []


def test_a_comparison_warns_before_its_verdict(build_of: Make) -> None:
    both = compare_builds(build_of("dockside"), model="coarse", bands=False)
    text = flat("".join(html5lib.parse(compare_html(both), namespaceHTMLElements=False).itertext()))
    before = text[: text.index("has the better street manners.")]
    assert [caution for caution in AT_COMPARISON if caution not in before] == []


# --- notebooks and words


@pytest.mark.parametrize("path", sorted((ROOT / "notebooks").glob("*.ipynb")), ids=lambda path: path.stem)
def test_a_notebook_says_all_cautions_before_its_first_code(path: Path) -> None:
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    kinds = [cell["cell_type"] for cell in cells]
    before = "".join("".join(cell["source"]) + "\n" for cell in cells[: kinds.index("code")])
    assert [caution for caution in (*CAUTIONS, Mark.BLANK) if f"- {caution}\n" not in before] == []


# A template's filter and a browser's policy are called so by others.
NOT_OURS = re.compile(r"\|safe\b|unsafe-inline|markupsafe")
SHOWN = [*(ROOT / "camcalc").rglob("*"), *(ROOT / "notebooks").rglob("*"), *(ROOT / "examples").rglob("*"), ROOT / "README.md", ROOT / "DEVELOPERS.md"]


@pytest.mark.parametrize("path", [p for p in SHOWN if p.suffix in {".py", ".html", ".md", ".ipynb", ".toml", ".txt"}], ids=lambda p: str(p.relative_to(ROOT)))
def test_nothing_calls_itself_safe(path: Path) -> None:
    text = NOT_OURS.sub("", path.read_text(encoding="utf-8"))
    assert re.findall(r"\b\w*[Ss]afe(?:r|st|ly|ty)?\b", text) == []


def test_no_output_calls_itself_safe(screen: str, page: Any, files: dict[str, str]) -> None:
    text = " ".join((screen, "".join(page.itertext()), *files.values()))
    assert re.findall(r"\b[Ss]afe(?:r|st|ly|ty)?\b", NOT_OURS.sub("", text)) == []
