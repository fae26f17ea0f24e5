"""The brief: what it holds, and that JSON, HTML, tables and terminal say the same."""

from __future__ import annotations

import collections
import csv
import io
import json
import math
import re
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import html5lib
import numpy as np
import pytest
from rich.console import Console

from camcalc import InputError, NoSolutionError, QuickEngine, make_brief, read_build
from camcalc.advice.idle import idle_state
from camcalc.advice.idle_advice import throttle_opening
from camcalc.advice.idle_spark import TableMeetsIdle, beside_table
from camcalc.marks import Mark
from camcalc.report.brief_page import brief_html
from camcalc.report.tables import brief_tables, write_tables
from camcalc.report.terminal import print_brief
from camcalc.tables import read_table
from camcalc.unit_system import UnitSystem

Make = Callable[..., Any]
KEYS = {"events", "lift", "idle", "reversion", "spark_ceilings", "injection", "assumed", "cautions", "sources"}


def test_a_brief_is_the_same_however_many_parts_are_computed_side_by_side(build_of: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    found = []
    for workers in (1, 4):
        monkeypatch.setattr("os.cpu_count", lambda workers=workers: workers)
        found.append(make_brief(build_of("dockside"), model="quick", bands=False, cures=False, curves=False).to_dict())
    assert found[0] == found[1]


def test_a_part_of_a_brief_that_fails_says_why_and_ends_the_brief(build_of: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*given: Any, **named: Any) -> Any:
        raise NoSolutionError("no window")

    monkeypatch.setattr("camcalc.brief_parts.injection_windows", refuse)
    with pytest.raises(NoSolutionError, match="no window"):
        make_brief(build_of("dockside"), model="quick", bands=False)


def test_progress_of_a_brief_rises_and_names_what_is_worked_on(build_of: Make) -> None:
    told: list[tuple[str, float]] = []
    make_brief(build_of("dockside"), model="quick", bands=False, cures=False, curves=False, progress=lambda what, share: told.append((what, share)))
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert 0.0 <= shares[0] < 0.1
    assert 0.8 < shares[-1] <= 1.0
    assert {"idle", "spark ceilings", "cures"} <= {what for what, _ in told}


@pytest.fixture(scope="session")
def brief(brief_of: Make, example: str) -> Any:
    return brief_of(example)


@pytest.fixture(scope="session")
def data(brief: Any) -> Any:
    """The brief as JSON, written and read back."""
    return json.loads(json.dumps(brief.to_dict(), allow_nan=False))


@pytest.fixture(scope="session")
def html(brief: Any) -> str:
    return brief_html(brief)


@pytest.fixture(scope="session")
def tables(brief: Any) -> dict[str, list[list[str]]]:
    return {name: list(csv.reader(io.StringIO(text), strict=True)) for name, text in brief_tables(brief).items()}


@pytest.fixture(scope="session")
def screen(brief: Any) -> str:
    console = Console(width=80, file=io.StringIO())
    print_brief(brief, console)
    return console.file.getvalue()  # type: ignore[attr-defined]


def quantities(data: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Every quantity in JSON data with where it stands."""
    if isinstance(data, dict):
        if "value" in data and "why" not in data and not isinstance(data.get("what"), dict):
            yield path, data
        for key, value in data.items():
            yield from quantities(value, f"{path}/{key}")
    elif isinstance(data, list):
        for k, value in enumerate(data):
            yield from quantities(value, f"{path}/{k}")


def numbers(value: Any) -> list[float]:
    if isinstance(value, list):
        return [n for v in value for n in numbers(v)]
    return [] if value is None else [value]


# --- JSON


def test_the_json_has_every_part_of_a_brief(data: Any) -> None:
    assert set(data) >= KEYS
    assert {"new", "replaced"} <= set(data["events"]) & set(data["lift"]) & set(data["reversion"])


def test_every_quantity_has_a_value_and_a_unit(data: Any) -> None:
    found = list(quantities(data))
    assert len(found) > 100
    for path, quantity in found:
        assert isinstance(quantity.get("unit"), str), path
        assert all(isinstance(n, int | float) and math.isfinite(n) for n in numbers(quantity["value"])), path


def test_without_bands_no_quantity_pretends_to_have_one(data: Any) -> None:
    assert not [path for path, quantity in quantities(data) if {"low", "high"} & set(quantity)]
    assert data["about"]["bands"] is None


def test_a_banded_quantity_lies_within_its_band(banded_brief: Any) -> None:
    data = json.loads(json.dumps(banded_brief.to_dict(), allow_nan=False))
    banded = {path: q for path, q in quantities(data) if "low" in q or "high" in q}
    assert {"/idle/vacuum", "/idle/vacuum_penalty"} <= set(banded)
    for path, q in banded.items():
        assert q["low"] < q["high"], path
        assert q["low"] <= q["value"] <= q["high"], path


def test_the_bands_say_how_many_samples_they_rest_on_and_what_matters_most(banded_brief: Any) -> None:
    bands = banded_brief.to_dict()["about"]["bands"]
    assert bands["samples"] >= 16
    assert 1 <= len(bands["matters_most"]["vacuum"]) <= 3
    assert all(0.0 <= share <= 1.0 for share in bands["no_answer_share"].values())


def test_every_band_that_was_sampled_is_told(banded_brief: Any) -> None:
    told = json.dumps(banded_brief.to_dict())
    for name, band in banded_brief.sure.bands.items():
        assert band.low < band.high
        assert f'"{name}"' in told
    lows = [q["low"] for _, q in quantities(banded_brief.to_dict()) if "low" in q]
    assert len(lows) >= len(banded_brief.sure.bands)


def test_the_events_are_those_of_the_card(data: Any, brief: Any) -> None:
    for row, events in zip(data["events"]["new"], brief.cam.events, strict=True):
        assert row["overlap"] == {"value": pytest.approx(events.overlap.magnitude, rel=1e-12), "unit": "crank_deg"}
        assert row["intake_opens"]["value"] + row["exhaust_closes"]["value"] == pytest.approx(row["overlap"]["value"], abs=1e-9)


def test_each_checking_height_is_listed_once(brief: Any) -> None:
    heights = [(round(e.si.height, 9), e.measured_at) for e in brief.cam.events]
    assert [h for h, times in collections.Counter(heights).items() if times > 1] == []


def test_the_idle_part_agrees_with_itself(data: Any) -> None:
    idle = data["idle"]
    first, before = idle["new"][0], idle["replaced"][0]
    assert (first["gearbox"], first["accessories"]) == ("neutral", "off")
    assert idle["vacuum"]["value"] == pytest.approx(first["manifold_vacuum"]["value"], rel=1e-12)
    assert idle["vacuum_penalty"]["value"] == pytest.approx(before["manifold_vacuum"]["value"] - first["manifold_vacuum"]["value"], rel=1e-9)
    at_equal_speed = idle["replaced"][-1]
    assert at_equal_speed["speed"] == first["speed"]
    penalty = at_equal_speed["manifold_vacuum"]["value"] - first["manifold_vacuum"]["value"]
    assert idle["vacuum_penalty_at_equal_speed"]["value"] == pytest.approx(penalty, rel=1e-9)


def test_an_idle_is_told_for_every_state_of_the_car(brief: Any, data: Any) -> None:
    converter = brief.build.vehicle.transmission == "converter"
    wanted = {(g, a) for g in (("neutral", "drive") if converter else ("neutral",)) for a in ("off", "on")}
    told = {(s["gearbox"], s["accessories"]) for s in data["idle"]["new"]}
    assert told | {(u["gearbox"], u["accessories"]) for u in data["idle"]["unreachable"]} == wanted


def test_every_assumption_says_what_was_taken_and_why(data: Any) -> None:
    assert len(data["assumed"]) > 10
    for assumption in data["assumed"]:
        assert re.match(r"\[\w+(\.\w+)?\] \w+", assumption["key"])
        assert assumption["value"]
        assert assumption["why"]


def test_every_source_has_a_text_and_a_mark(data: Any) -> None:
    assert {"fox1993", "estimate"} <= set(data["sources"])
    assert all(source["text"] and source["mark"] for source in data["sources"].values())


@pytest.mark.parametrize(
    ("topic", "words"),
    [
        ("knock", r"knock breaks pistons"),
        ("how to hear it", r"[Ll]isten.*knock sensor|[Ll]isten for knock"),
        ("heat of retard", r"retard at load\. Late burning overheats"),
        ("valves and pistons", r"valve-to-piston clearance with clay or a dial"),
        ("springs", r"valve springs"),
        ("brakes", r"[Bb]rakes: test at a standstill"),
        ("where to test", r"closed course"),
        ("who logs", r"second person"),
        ("cranking", r"[Nn]ot for cranking"),
        ("adding", r"only where no knock was heard or logged"),
        ("exhaust gas", r"[Ee]xhaust extraction on; carbon monoxide kills"),
        ("law", r"Local law"),
        ("who decides", r"professional"),
        ("corrections", r"Final spark = table plus every correction"),
    ],
)
def test_the_cautions_are_all_there(data: Any, topic: str, words: str) -> None:
    assert [c for c in data["cautions"] if re.search(words, c)], topic


# --- asking for a brief


def test_an_unknown_model_is_refused_with_the_nearest_known(build_of: Make) -> None:
    with pytest.raises(InputError, match="quick"):
        make_brief(build_of("dockside"), model="quik")


def test_a_cam_without_a_predecessor_gets_a_brief_without_comparison(build_of: Make) -> None:
    brief = make_brief(build_of("dockside").replace(replaced_cam=None), model="coarse", bands=False)
    data = brief.to_dict()
    assert data["events"]["replaced"] is None
    assert data["idle"]["vacuum_penalty"]["value"] is None
    assert data["reversion"]["replaced"] == []
    assert "in place of" not in brief_html(brief)


@pytest.fixture
def hard_idle(root: Path) -> dict[str, Any]:
    """A sheet of an engine so stiff, so high up and with so much spark held back that its long cam cannot idle at 350 rpm."""
    sheet = tomllib.loads((root / "examples" / "quarry-road" / "build.toml").read_text(encoding="utf-8"))
    del sheet["spark"]  # its path is relative to the sheet's folder, and a mapping has none
    sheet["engine"]["friction_factor"] = 2.3
    sheet["site"] = {"altitude": "6000 m"}
    sheet["idle"] = {"speed": "350 rpm", "replaced_cam_speed": "1000 rpm", "spark_reserve": "40 crank_deg", "mixture": 1.15}
    return sheet


def test_a_new_cam_that_cannot_idle_gets_no_brief_but_the_lowest_speed(hard_idle: dict[str, Any]) -> None:
    with pytest.raises(NoSolutionError, match="cannot idle at 350 rpm") as refusal:
        make_brief(read_build(hard_idle), model="coarse", bands=False)
    assert refusal.value.reachable is not None
    assert refusal.value.reachable > 350.0


def test_a_replaced_cam_that_cannot_idle_does_not_take_the_brief_of_the_new_one_away(hard_idle: dict[str, Any]) -> None:
    hard_idle["cam"], hard_idle["replaced_cam"] = hard_idle["replaced_cam"], hard_idle["cam"]
    build = read_build(hard_idle)
    assert idle_state(QuickEngine(build)).si.speed * 60.0 == pytest.approx(350.0, rel=1e-12)
    brief = make_brief(build, model="coarse", bands=False)
    assert math.isnan(brief.idle.si.vacuum_penalty_at_equal_speed)
    assert math.isfinite(brief.idle.si.vacuum)


def test_the_progress_told_rises(build_of: Make) -> None:
    told: list[tuple[str, float]] = []
    make_brief(build_of("dockside"), model="coarse", bands=False, progress=lambda what, share: told.append((what, share)))
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert {"idle", "reversion", "spark ceilings", "injection"} <= {what for what, _ in told}


# --- HTML


def test_the_html_parses_without_an_error(html: str) -> None:
    html5lib.HTMLParser(strict=True).parse(html)


def test_the_html_stands_on_its_own(html: str) -> None:
    tree = html5lib.parse(html, namespaceHTMLElements=False)
    loaded = [
        (element.tag, value)
        for element in tree.iter()
        for name, value in element.attrib.items()
        if re.search(r"(^|[:}])(src|href|data|poster|srcset|action)$", str(name)) and not re.match(r"#|data:", value.strip())
    ]
    assert loaded == []
    tags = {str(element.tag).rpartition("}")[2] for element in tree.iter()}
    assert not tags & {"link", "iframe", "object", "embed"}
    assert "@import" not in html
    assert not re.search(r"url\(\s*['\"]?(https?:)?//", html)


def test_every_id_in_the_html_is_given_once(html: str) -> None:
    times = collections.Counter(re.findall(r'\sid="([^"]+)"', html))
    assert [name for name, n in times.items() if n > 1] == []


def test_the_html_tells_cautions_assumptions_and_sources(html: str, data: Any) -> None:
    text = " ".join("".join(html5lib.parse(html, namespaceHTMLElements=False).itertext()).split())
    assert all(" ".join(caution.split()) in text for caution in data["cautions"])
    assert all(assumption["key"] in text for assumption in data["assumed"])
    assert all(" ".join(source["text"].split()) in text for source in data["sources"].values())


def test_the_html_names_the_example_as_invented(html: str, brief: Any) -> None:
    assert brief.build.name in html
    assert "invented example" in html.lower()


def test_names_on_the_sheet_are_text_and_not_markup(build_of: Make) -> None:
    build = build_of("dockside")
    named = build.replace(name='<script>alert("x")</script>', cam=build.cam.replace(name="a <b> & c"), replaced_cam=None)
    page = brief_html(make_brief(named, model="coarse", bands=False))
    assert page.count("<script") == 1
    assert "<script>alert" not in page
    assert "a &lt;b&gt; &amp; c" in page


# --- tables


def test_the_tables_are_written_one_file_each(brief: Any, tables: dict[str, Any], tmp_path: Path) -> None:
    written = write_tables(brief, tmp_path / "new" / "folder")
    assert {path.name for path in written} == set(tables)
    assert {"ceiling.csv", "starting_table.csv", "idle.csv", "reversion.csv"} <= set(tables)
    assert all(path.stat().st_size > 0 for path in written)
    assert {path.name for path in (tmp_path / "new" / "folder").iterdir()} == set(tables)


@pytest.mark.parametrize("name", ["ceiling", "best_spark", "floor", "burned_fraction", "imep_variation", "air_charge"])
def test_a_grid_in_a_file_is_the_grid_in_the_json(tables: dict[str, Any], data: Any, name: str) -> None:
    ceilings = data["spark_ceilings"]
    head, *rows = tables[f"{name}.csv"]
    assert "[kPa]" in head[0]
    assert "[rpm]" in head[0]
    assert f"{name} [{ceilings[name]['unit']}]" in head[0]
    assert [float(c) for c in head[1:]] == pytest.approx(ceilings["speed"]["value"], rel=1e-5)
    assert [float(r[0]) for r in rows] == pytest.approx(ceilings["manifold_pressure"]["value"], rel=1e-5)
    codes = ceilings[name].get("mark") or [[None] * len(line) for line in ceilings[name]["value"]]
    marks = tables.get(f"{name}_marks.csv")
    for k, (row, line, marked) in enumerate(zip(rows, ceilings[name]["value"], codes, strict=True)):
        # A figure with a mark is no plain number in the file: it stands in the second one, with its mark.
        plain = [None if v is None or code else pytest.approx(v, abs=5.01e-4) for v, code in zip(line, marked, strict=True)]
        assert [float(c) if c else None for c in row[1:]] == plain
        for value, code, text in zip(line, marked, marks[k + 1][1:] if marks else [""] * len(line), strict=True):
            assert bool(text) == (code is not None)
            assert not text or (f"{value:.0f}" in text and not re.fullmatch(r"[-(]?[\d.]+\)?", text))


def test_the_starting_table_is_a_spark_table_blank_where_no_spark_serves(brief: Any, tmp_path: Path) -> None:
    write_tables(brief, tmp_path)
    path, starting = tmp_path / "starting_table.csv", brief.starting_table
    _, *rows = csv.reader(path.read_text(encoding="utf-8").splitlines())
    cells = [[float(c) if c else None for c in row[1:]] for row in rows]
    assert cells == [[None if np.isnan(v) else v for v in row] for row in starting.si.spark.T]
    assert "do not run there" in path.with_suffix(".txt").read_text(encoding="utf-8") or not starting.avoid.any()
    filled = starting.replace(spark=np.where(starting.avoid, 0.0, starting.si.spark), avoid=np.zeros_like(starting.avoid), marks={})
    write_tables(brief.replace(starting_table=filled), tmp_path / "filled")
    table = read_table(tmp_path / "filled" / "starting_table.csv")
    assert table.load_kind == "manifold pressure"
    assert np.array_equal(table.si.cells, filled.si.spark.T)
    assert table.si.speed == pytest.approx(starting.si.speed)


def test_the_idle_spark_stands_beside_the_starting_table_and_keeps_its_mark(brief: Any) -> None:
    idle = brief.idle_spark
    own = idle.si.idle_spark
    assert own == idle.si.spark[idle.si.spark.size // 2]
    assert idle.mark("idle_spark") is None  # computed: no sheet states a cap
    assert idle.table == beside_table(idle, brief.starting_table.si.idle_spark)
    apart = beside_table(idle, own - 20.0)
    assert apart is not None
    assert apart.meets is TableMeetsIdle.APART
    capped = idle.replace(marks={**idle.marks, "idle_spark": Mark.CAP})
    assert beside_table(capped, own - 20.0).mark("idle_spark") is Mark.CAP
    assert apart.si.vacuum_on_table_spark == np.interp(own - 20.0, idle.si.swept_spark, idle.si.manifold_vacuum)
    assert beside_table(idle, round(own) + 0.4).meets is TableMeetsIdle.SAME
    assert beside_table(idle, math.nan).meets is TableMeetsIdle.BLANK
    assert beside_table(idle.replace(idle_spark=None), own) is None


def test_the_throttle_opening_stands_beside_the_old_cam_s(brief: Any) -> None:
    new, old = brief.idle.new[0], brief.idle.replaced[0]
    opening = brief.idle.throttle
    assert opening.si.throttle_area == new.si.throttle_area
    assert opening.of_replaced == pytest.approx(new.si.throttle_area / old.si.throttle_area, rel=1e-12)
    assert math.isnan(throttle_opening(new, None).of_replaced)


def test_the_injection_file_is_the_grid_in_the_json(tables: dict[str, Any], data: Any) -> None:
    _, *rows = tables["end_of_injection.csv"]
    for row, line in zip(rows, data["injection"]["end_of_injection"]["value"], strict=True):
        assert [float(c) for c in row[1:]] == [pytest.approx(v, abs=5.01e-4) for v in line]


def test_the_idle_file_is_the_idle_in_the_json(tables: dict[str, Any], data: Any) -> None:
    head, *rows = tables["idle.csv"]
    states = [*data["idle"]["new"], *data["idle"]["replaced"]]
    for row, state in zip(rows, states, strict=True):
        for column, cell in zip(head, row, strict=True):
            name, unit = re.match(r"(\w+)(?: \[(.*)\])?$", column).groups()  # type: ignore[union-attr]
            if name.endswith("_mark"):
                assert cell == (state[name.removesuffix("_mark")]["mark"] or "")
            elif isinstance(state[name], dict):
                assert unit == state[name]["unit"]
                assert float(cell) == pytest.approx(state[name]["value"], abs=5.01e-5)
            else:
                assert cell == state[name]


def test_the_reversion_file_is_the_reversion_in_the_json(tables: dict[str, Any], data: Any) -> None:
    head, *rows = tables["reversion.csv"]
    for row, gear in zip(rows, data["reversion"]["new"], strict=True):
        cells = {column.split(" [")[0]: cell for column, cell in zip(head, row, strict=True)}
        assert int(cells["gear"]) == gear["gear"]
        for name in ("unstable_below", "blow_back_below_road_speed"):
            value = gear[name]["value"]
            assert float(cells[name] or "nan") == pytest.approx(math.nan if value is None else value, abs=5.01e-5, nan_ok=True)


def test_no_file_says_nan(brief: Any) -> None:
    assert [name for name, text in brief_tables(brief).items() if re.search(r"\b(nan|inf)\b", text)] == []


# --- terminal


def test_the_screen_shows_the_same_vacuum_and_every_caution(screen: str, data: Any, brief: Any) -> None:
    text = " ".join(screen.split())
    inches = data["idle"]["vacuum"]["value"]
    shown = f"{inches:.1f} inHg" if brief.build.units is UnitSystem.IMPERIAL else f"{inches * 3.386389:.1f} kPa"
    assert re.search(rf"in neutral[^:]*: {re.escape(shown)} of vacuum", text)
    assert all(" ".join(caution.split()) in text for caution in data["cautions"])


def test_the_screen_is_readable_at_eighty_columns(screen: str) -> None:
    assert max(len(line) for line in screen.splitlines()) <= 80
    assert [line for line in screen.splitlines() if "…" in line] == []


def test_the_screen_says_that_ceilings_are_for_final_spark(screen: str) -> None:
    assert "Final spark = table plus every correction. A ceiling limits final spark" in " ".join(screen.split())
