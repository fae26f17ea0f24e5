"""The brief as a page: every number is the JSON's, tables copy as numbers, figures and headings can be read out, new parts get a section."""

from __future__ import annotations

import itertools
import json
import math
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import html5lib
import pytest

from camcalc.marks import Mark, marked
from camcalc.report.brief_page import SECTIONS, brief_html, is_there
from camcalc.report.figure_markup import Printed, decimals, find
from camcalc.units import parse
from camcalc.words.cures import change_words, cure_words
from camcalc.words.road_test import direct_words, do_words

Make = Callable[..., Any]
Page = ET.Element


@pytest.fixture(scope="session")
def page(brief_of: Make, example: str) -> Page:
    return parsed(brief_html(brief_of(example)))


@pytest.fixture(scope="session")
def data(brief_of: Make, example: str) -> Any:
    return as_json(brief_of(example))


def parsed(text: str) -> Page:
    return html5lib.HTMLParser(html5lib.getTreeBuilder("etree"), namespaceHTMLElements=False, strict=True).parse(text)


def as_json(brief: Any) -> Any:
    return json.loads(json.dumps(brief.to_dict(), allow_nan=False))


def text_of(element: Page) -> str:
    return " ".join("".join(element.itertext()).split())


def named(page: Page) -> Iterator[Page]:
    """Every element that says where in the data its number stands."""
    return (element for element in page.iter() if "data-field" in element.attrib)


def expected(element: Page, data: Any) -> float | None:
    """The number an element ought to show, worked out anew from the JSON."""
    found = find(data, element.attrib["data-field"])
    value = getattr(found, element.attrib.get("data-edge", "value"))
    if value is None:
        return None
    unit = element.attrib["data-unit"]
    return float(value) if unit == found.unit else float(parse(f"{value!r} {found.unit}").to(unit).magnitude)


def check_numbers(page: Page, data: Any) -> int:
    """Fail unless every named number is the JSON's at the decimals it is printed with; return how many there are."""
    count = 0
    for element in named(page):
        value, shown, mark = expected(element, data), text_of(element), mark_of(element, data)
        if value is None:
            assert shown == marked("", mark), element.attrib
            continue
        found = re.search(r"-?\d+(\.\d+)?", shown)
        assert found, (shown, element.attrib)
        number = found[0]
        assert shown == marked(number, mark), (shown, element.attrib)
        places = len(number.partition(".")[2])
        assert float(number) == pytest.approx(float(f"{value:.{places}f}"), abs=1e-9), element.attrib
        assert number != "-0"
        count += 1
    return count


def mark_of(element: Page, data: Any) -> Mark | None:
    """The mark a cell ought to show, from the JSON; a number in a sentence has it after its unit, outside the element."""
    if element.tag == "span":
        return None
    path, edge = element.attrib["data-field"], element.attrib.get("data-edge")
    if edge is None:
        return find(data, path).mark
    node = data
    for key in path.split("/"):
        node = node[int(key)] if isinstance(node, list) else node[key]
    code = node.get(f"{edge}_mark")
    return None if code is None else Mark[code.upper()]


# --- numbers


def test_every_number_with_a_place_in_the_data_is_the_one_that_stands_there(page: Page, data: Any) -> None:
    assert check_numbers(page, data) > 250


def test_numbers_with_bands_are_those_of_the_data(banded_brief: Any) -> None:
    page = parsed(brief_html(banded_brief))
    assert check_numbers(page, as_json(banded_brief)) > 250
    edges = [element.attrib["data-edge"] for element in named(page) if "data-edge" in element.attrib]
    assert edges.count("low") == edges.count("high") >= len(banded_brief.sure.bands)


def test_a_wrong_number_would_be_seen(page: Page, data: Any) -> None:
    other = json.loads(json.dumps(data))
    other["idle"]["new"][0]["speed"]["value"] += 1.0
    with pytest.raises(AssertionError):
        check_numbers(page, other)


def test_every_numeric_cell_of_a_table_says_where_it_comes_from(page: Page) -> None:
    cells = [cell for cell in page.iter("td") if re.fullmatch(r"[-−+(]?\d[\d.,]*\)?( [a-z() ]+)?", text_of(cell)) and "text" not in cell.get("class", "")]
    assert len(cells) > 200
    assert [text_of(cell) for cell in cells if "data-field" not in cell.attrib] == []


def test_the_head_names_the_unit_of_the_numbers_below_it(page: Page) -> None:
    wanted = {"rpm": "rpm", "kPa": "kPa", "inHg": "inHg", "km/h": "km/h", "mph": "mph", "%": "percent", "g/s": "g/s", "mm²": "mm**2", "ms": "ms", "Hz": "Hz"}
    checked = 0
    for table in page.iter("table"):
        heads = [text_of(head) for head in table.findall("./thead/tr/th")]
        for row in table.findall("./tbody/tr"):
            cells = list(row)
            assert len(cells) == len(heads), heads
            if text_of(cells[0]) in ("", *heads) or "kPa \\ rpm" in heads:
                continue
            for head, cell in zip(heads, cells, strict=True):
                unit = head.rpartition(", ")[2]
                if unit in wanted and "data-unit" in cell.attrib:
                    assert cell.attrib["data-unit"] == wanted[unit], (head, cell.attrib)
                    checked += 1
    assert checked > 60


def test_cells_copy_as_bare_numbers(page: Page) -> None:
    for cell in page.iter("td"):
        assert "\n" not in "".join(cell.itertext()).strip()
        assert cell.find(".//br") is None
    assert "−" not in "".join(page.itertext())


def test_what_spark_does_not_cure_is_in_brackets_that_are_text_and_survive_copying(page: Page, brief_of: Make, example: str) -> None:
    ceilings = brief_of(example).spark_ceilings
    grid = [e for e in named(page) if re.fullmatch(r"spark_ceilings/ceiling/\d+/\d+", e.attrib["data-field"]) and text_of(e) and e.tag == "td"]
    for cell in grid:
        row, column = map(int, cell.attrib["data-field"].split("/")[2:])
        assert ("uncured" in cell.get("class", "")) == (not ceilings.cured[row, column])
        assert text_of(cell).startswith("(") == (not ceilings.cured[row, column])
    assert bool(grid) == ceilings.has_zone
    style = "".join(e.text or "" for e in page.iter("style"))
    assert "content:" not in style


# --- what is answered first


def test_the_first_screen_answers_in_order_before_anything_else(page: Page, data: Any) -> None:
    main = page.find(".//main")
    assert main is not None
    first = main[0]
    assert first.attrib["id"] == "answers"
    questions = [text_of(head) for head in first.iter("h3")]
    assert [re.sub(r"^\d\. ", "", q).split()[0] for q in questions] == ["Will", "Where", "Which", "Which", "What"]
    fields = [element.attrib["data-field"] for element in named(first)]
    assert {"idle/new/0/speed", "idle/vacuum", "reversion/new/0/unstable_below", "reversion/new/0/unstable_below_road_speed"} <= set(fields)
    assert any(f.startswith("surge/0/gears/") for f in fields) == any(g["bad_below"]["value"] for g in data["surge"][0]["gears"])
    assert sum(f.startswith("injection/end_of_injection/") for f in set(fields)) >= 2


def test_a_gear_that_surges_is_told_on_the_first_screen(brief_of: Make) -> None:
    brief = brief_of("dockside")
    proposed, *others = brief.surge
    bad, good = {"bad_below": "1250 rpm", "bad_below_road_speed": "31 km/h", "marks": {}}, {"bad_below": None, "bad_below_road_speed": None}
    good["marks"] = dict.fromkeys(("bad_below", "bad_below_road_speed"), Mark.NONE_FOUND)
    gears = [g.replace(**(bad if g.gear in (2, 3) else good)) for g in proposed.gears]
    surging = brief.replace(surge=(proposed.replace(gears=tuple(gears)), *others))
    page = parsed(brief_html(surging))
    first = page.find(".//main")[0]  # type: ignore[index]
    assert check_numbers(page, as_json(surging)) > 250
    shown = {e.attrib["data-field"]: text_of(e) for e in named(first) if e.attrib["data-field"].startswith("surge/0/")}
    assert {field: text for field, text in shown.items() if text not in ("", "none")} == {
        f"surge/0/gears/{k}/{name}": text for k in (1, 2) for name, text in (("bad_below", "1250"), ("bad_below_road_speed", "31"))
    }
    assert "surge in gears 2, 3 up to 1250 rpm" in text_of(first)


def test_the_lowest_ceiling_named_is_the_lowest_that_spark_cures(page: Page, data: Any, brief_of: Make, example: str) -> None:
    ceilings = brief_of(example).spark_ceilings
    named_first = [e for e in named(page) if e.tag == "span" and e.attrib["data-field"].startswith("spark_ceilings/ceiling/")]
    if not ceilings.has_zone:
        assert named_first == []
        return
    least = min(float(ceilings.ceiling.magnitude[k]) for k in zip(*ceilings.cured.nonzero(), strict=True))
    assert float(text_of(named_first[0])) == round(least)


def test_an_injection_that_does_not_apply_says_why(build_of: Make, brief_of: Make) -> None:
    brief = brief_of("dockside")
    windows = brief.injection
    page = parsed(brief_html(brief.replace(injection=windows.replace(applies=False, reason="does not apply: injectors fire in groups"))))
    assert text_of(page).count("does not apply: injectors fire in groups") + text_of(page).count("Does not apply: injectors fire in groups") >= 2


def test_the_road_speed_is_in_the_unit_of_the_sheet(brief_of: Make) -> None:
    for name, unit in (("quarry-road", "mph"), ("dockside", "km/h")):
        brief = brief_of(name)
        assert brief.build.vehicle.road_speed_unit == unit
        units = {e.attrib["data-unit"] for e in named(parsed(brief_html(brief))) if e.attrib["data-field"].endswith("road_speed")}
        assert units == {unit}


# --- read out, tabbed through, skipped


def test_headings_step_down_by_one(page: Page) -> None:
    levels = [int(e.tag[1]) for e in page.iter() if re.fullmatch(r"h[1-6]", str(e.tag))]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))


def test_every_table_has_a_caption_and_scoped_heads(page: Page) -> None:
    tables = list(page.iter("table"))
    assert len(tables) > 8
    for table in tables:
        assert table[0].tag == "caption"
        assert text_of(table[0])
        assert all(head.attrib.get("scope") in ("row", "col") for head in table.iter("th"))
        assert table.findall("./thead/tr/th")


def test_every_figure_says_what_it_shows(page: Page) -> None:
    pictures = [e for e in page.iter() if str(e.tag).rpartition("}")[2] == "svg"]
    assert len(pictures) >= 3
    by_id = {e.attrib["id"]: e for e in page.iter() if "id" in e.attrib}
    for picture in pictures:
        assert picture.attrib["role"] == "img"
        assert text_of(by_id[picture.attrib["aria-labelledby"]])
        assert len(text_of(by_id[picture.attrib["aria-describedby"]])) > 60


def test_a_plot_along_the_crank_says_where_its_axes_lie(page: Page) -> None:
    framed = [e for e in page.iter() if "data-crank" in e.attrib]
    assert framed
    for picture in framed:
        left, right, top, bottom, first, last = map(float, picture.attrib["data-crank"].split())
        # The second patch that is drawn is the ground of the axes.
        (ground,) = [e for e in picture.iter() if e.attrib.get("id", "").endswith("-patch_2")]
        points = [tuple(map(float, xy)) for xy in re.findall(r"[ML] ([-\d.]+) ([-\d.]+)", ground[0].attrib["d"])]
        assert (min(x for x, _ in points), max(x for x, _ in points)) == pytest.approx((left, right), abs=0.02)
        assert (min(y for _, y in points), max(y for _, y in points)) == pytest.approx((top, bottom), abs=0.02)
        assert first < 0.0 < last


def test_every_link_leads_somewhere_on_the_page(page: Page) -> None:
    ids = {e.attrib["id"] for e in page.iter() if "id" in e.attrib}
    links = [link.attrib["href"] for link in page.iter("a")]
    assert links[0] == "#answers"
    assert {link.removeprefix("#") for link in links} <= ids


def test_a_box_that_scrolls_can_be_reached_from_the_keyboard(page: Page) -> None:
    boxes = [e for e in page.iter("div") if e.get("class") in ("wide", "plot")]
    assert all(e.get("tabindex") == "0" and e.get("role") == "group" and e.get("aria-label") for e in boxes)
    assert len(boxes) >= len(list(page.iter("table")))


def test_the_one_script_is_inline_and_the_page_forbids_itself_the_network(page: Page) -> None:
    scripts = list(page.iter("script"))
    assert len(scripts) == 1
    assert "src" not in scripts[0].attrib
    (policy,) = [m.attrib["content"] for m in page.iter("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert policy.startswith("default-src 'none'")


# --- sections


def test_a_section_stands_on_the_page_if_its_part_of_the_data_is_there(page: Page, data: Any) -> None:
    there = [section.attrib["id"] for section in page.iter("section")]
    assert there == ["answers", *(s.key for s in SECTIONS if is_there(data, s.needs))]


def test_the_sections_on_cures_trade_off_and_road_test_tell_all_that_was_found(banded_brief: Any) -> None:
    page, data = parsed(brief_html(banded_brief)), as_json(banded_brief)
    sections = {e.attrib["id"]: e for e in page.iter("section")}
    cures = text_of(sections["cures"])
    for cure in banded_brief.cures.cures:
        assert change_words(cure)[1:] in cures  # a sentence begins with a capital
        assert cure_words(cure, banded_brief.cures.transmission) in cures
    tried = [cure for cure in data["cures"]["cures"] if cure["mean_removed"]["value"] is not None]
    assert 0 < len(tried) < len(data["cures"]["cures"])
    assert len(sections["cures"].findall(".//tbody/tr")) == 1 + len(tried)
    sparks = [text_of(e) for e in named(sections["trade_off"]) if re.fullmatch(r"trade_off/spark/\d+", e.attrib["data-field"])]
    codes = data["trade_off"]["spark"]["mark"]
    marks = [None if code is None else Mark[code.upper()] for code in codes]
    assert sparks == [marked(f"{v:.0f}", mark) for v, mark in zip(data["trade_off"]["spark"]["value"], marks, strict=True)]
    plan = text_of(sections["road_test"])
    for step in banded_brief.road_test.steps:
        assert do_words(step) in plan
        assert direct_words(step.input) in plan
    assert all(caution in plan for caution in data["road_test"]["cautions"])


def test_a_part_that_is_missing_gets_no_section(brief_of: Make) -> None:
    brief = brief_of("dockside").replace(cures=None, trade_off=None, road_test=None, surge=())
    page = parsed(brief_html(brief))
    assert {"cures", "trade_off", "road_test", "surge", "sure"}.isdisjoint(section.attrib["id"] for section in page.iter("section"))


@pytest.mark.parametrize(
    ("value", "shown"), [(0.0, "0"), (12.3456, "12.35"), (123456.0, "123456"), (-0.00001, "-0.000010"), (-0.0000001, "0.000000"), (0.05, "0.05000"), (6, "6")]
)
def test_four_figures_are_shown_and_no_exponent(value: float, shown: str) -> None:
    assert Printed({"x": {"value": value, "unit": "kPa"}}).number("x") == shown
    assert math.isclose(float(shown), value, rel_tol=5e-4, abs_tol=1e-6)
    assert decimals(value) <= 6


def test_what_is_not_in_the_data_is_refused() -> None:
    with pytest.raises(LookupError):
        Printed({"idle": {}}).cell("idle/vacuum")


@pytest.mark.slow
def test_the_page_of_the_resolved_cycle_says_what_its_data_say(root: Path, build_of: Make) -> None:
    from camcalc import make_brief

    brief = make_brief(build_of("quarry-road"), bands=False)
    page = parsed(brief_html(brief))
    assert check_numbers(page, as_json(brief)) > 400
    ids = {e.attrib["id"] for e in page.iter() if "id" in e.attrib}
    assert {"map-title", "replaced_map-title", "ceilings-title", "injection-title"} <= ids
