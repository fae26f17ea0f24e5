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
import numpy as np
import pytest

from camcalc.advice.injection import FuelDelivery
from camcalc.cycle.grid import CycleMap
from camcalc.marks import Mark, marked
from camcalc.report.brief_page import brief_html
from camcalc.report.data_figures import Figures, decimals, find
from camcalc.report.figure_markup import Printed
from camcalc.report.figures import map_plots
from camcalc.report.sections import sections_of
from camcalc.unit_system import UnitSystem
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
            infinite = find(data, element.attrib["data-field"]).infinite
            assert shown in (("grows", "gone", "no end") if infinite else (marked("", mark),)), element.attrib
            continue
        found = re.search(r"-?\d+(\.\d+)?", shown)
        assert found, (shown, element.attrib)
        number = found[0]
        assert shown == marked(number, mark), (shown, element.attrib)
        places = len(number.partition(".")[2])
        if "data-digits" in element.attrib:
            places = int(element.attrib["data-digits"])
        assert float(number) == pytest.approx(round(value, places), abs=1e-9), element.attrib
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
    wanted = {
        "rpm": "rpm", "kPa": "kPa", "inHg": "inHg", "km/h": "km/h", "mph": "mph", "%": "percent", "g/s": "g/s", "mm²": "mm**2", "ms": "ms", "Hz": "Hz",
        "lb/h": "lb/h",
    }  # fmt: skip
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


def test_the_first_screen_answers_in_order_before_anything_else(page: Page) -> None:
    main = page.find(".//main")
    assert main is not None
    first = main[0]
    assert first.attrib["id"] == "answers"
    questions = [text_of(head) for head in first.iter("h3")]
    assert [re.split(r"[,:]| by", q)[0] for q in questions] == [
        "1. Idle", "2. Starting spark", "3. Fuel", "4. Lowest usable speed", "5. Before the key is turned"
    ]  # fmt: skip
    fields = {element.attrib["data-field"].partition("/")[0] for element in named(first)}
    assert {"starting_table", "fuel_factors", "usable_gears"} <= fields


def test_the_lowest_speed_of_each_gear_and_what_is_below_it_are_on_the_first_screen(brief_of: Make) -> None:
    brief = brief_of("quarry-road")
    first = parsed(brief_html(brief)).find(".//main")[0]  # type: ignore[index]
    shown = {e.attrib["data-field"]: text_of(e) for e in named(first)}
    for k, one in enumerate(brief.usable_gears):
        assert shown[f"usable_gears/{k}/lowest"] == marked(f"{round(60.0 * one.si.lowest, -1):.0f}", one.mark("lowest"))
        assert str(one.below) in text_of(first)


def test_answers_are_open_and_sections_are_folded(page: Page) -> None:
    main = page.find(".//main")
    assert main is not None
    assert list(main[0].iter("details")) == []
    folded = list(main.iterfind("./section/details"))
    assert len(folded) > 8
    assert all("open" not in one.attrib and one[0].tag == "summary" and one[0].find("h2") is not None for one in folded)


def test_what_is_folded_is_open_on_paper(page: Page) -> None:
    style = "".join(e.text or "" for e in page.iter("style"))
    paper = style[style.index("@media print") :]
    assert re.search(r"details::details-content \{[^}]*content-visibility: visible", paper)


def test_the_assumptions_that_matter_are_first_and_the_others_folded(banded_brief: Any) -> None:
    page = parsed(brief_html(banded_brief))
    (assumed,) = (e for e in page.iter("div") if e.get("id") == "assumed")
    tables = list(assumed.iter("table"))
    rows = [len(table.findall("./tbody/tr")) for table in tables]
    assert rows == [10, len(banded_brief.build.assumed) - 10]
    assert list(assumed.find(".//details").iter("table")) == tables[1:]  # type: ignore[union-attr]
    first = [text_of(row[0]) for row in tables[0].findall("./tbody/tr")]
    moved = [bool(text_of(row[3])) for row in tables[0].findall("./tbody/tr")]
    assert sum(moved) >= 8
    assert moved == sorted(moved, reverse=True)
    causes = {one.code for inputs in banded_brief.sure.matters.values() for one in inputs}
    assert ("[engine] friction_factor" in first) == ("friction" in causes)


def test_the_lowest_ceiling_is_the_one_that_is_dressed(page: Page, brief_of: Make, example: str) -> None:
    ceilings = brief_of(example).spark_ceilings
    dressed = [e for e in page.iter("td") if e.get("class") == "lowest"]
    if not ceilings.cured.any():
        assert dressed == []
        return
    (cell,) = dressed
    least = min(float(ceilings.ceiling.magnitude[k]) for k in zip(*ceilings.cured.nonzero(), strict=True))
    assert float(re.sub(r"[^\d.-]", "", text_of(cell))) == round(least)


def test_maps_that_are_compared_have_one_scale(brief_of: Make) -> None:
    brief = brief_of("dockside")
    fields: Any = {name: np.full((2, 2), 40.0) for name in CycleMap.measures() if name not in ("speed", "manifold_pressure", "burned_fraction")}
    maps = [
        CycleMap(cam=name, speed=np.array([20.0, 40.0]), manifold_pressure=np.array([4e4, 8e4]), burned_fraction=np.array(share), outcomes=(), **fields)
        for name, share in (("new", [[0.1, 0.2], [0.3, 0.6]]), ("old", [[0.05, 0.2], [0.3, 0.3]]))
    ]
    drawn = map_plots(brief.replace(curves=brief.curves.replace(maps=tuple(maps))))
    scales = [(ax.collections[0].norm.vmin, ax.collections[0].norm.vmax) for ax, _, _ in drawn.values()]
    assert scales[0] == scales[1]
    assert scales[0][0] <= 5.0
    assert scales[0][1] >= 60.0


def test_plots_have_numbers_on_hover(page: Page) -> None:
    titles = [text_of(e) for e in page.iter() if str(e.tag).rpartition("}")[2] == "title"]
    assert len([t for t in titles if re.search(r"\d (mm|%|deg) ?(BTDC|before|after|at)?", t)]) > 60
    assert any(re.fullmatch(r"intake: [\d.]+ mm at \d+ deg (before|after) overlap TDC", t) for t in titles)


def test_the_units_of_the_page_are_those_asked_for(brief_of: Make) -> None:
    brief = brief_of("dockside")
    imperial = brief.replace(build=brief.build.replace(units=UnitSystem.IMPERIAL, vehicle=brief.build.vehicle.replace(road_speed_unit="mph")))
    for one, vacuum, road in ((brief, "kPa", "km/h"), (imperial, "inHg", "mph")):
        page = parsed(brief_html(one))
        assert check_numbers(page, as_json(one)) > 250
        units = {e.attrib["data-unit"] for e in named(page) if "vacuum" in e.attrib["data-field"].rpartition("/")[2]}
        assert units == {vacuum}
        assert {e.attrib["data-unit"] for e in named(page) if e.attrib["data-field"].endswith("road_speed")} == {road}


def test_a_checking_height_is_shown_in_both_units(page: Page) -> None:
    cells = [e for e in page.iter("th") if any(s.attrib.get("data-field", "").endswith("/height") for s in e.iter("span"))]
    assert cells
    for cell in cells:
        assert re.fullmatch(r"[\d.]+ (mm|in) \([\d.]+ (mm|in)\)", text_of(cell))


def test_an_injection_that_does_not_apply_says_why(brief_of: Make) -> None:
    brief = brief_of("dockside")
    page = parsed(brief_html(brief.replace(injection=brief.injection.replace(applies=False, reason=FuelDelivery.BATCH_PORT))))
    assert text_of(page).count("No end of injection to set: injectors fire in groups") == 2


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


def folded(page: Page) -> dict[str, Page]:
    """The sections by their keys."""
    return {e.attrib["id"]: e for e in page.iter("div") if e.get("class") == "folded"}


def test_every_section_that_a_brief_has_is_on_the_page(page: Page, brief_of: Make, example: str) -> None:
    assert list(folded(page)) == [section.key for section in sections_of(brief_of(example))]


def test_the_sections_on_cures_trade_off_and_road_test_tell_all_that_was_found(banded_brief: Any) -> None:
    page, data = parsed(brief_html(banded_brief)), as_json(banded_brief)
    sections = folded(page)
    cures = text_of(sections["cures"])
    for cure in banded_brief.cures.cures:
        assert change_words(cure)[1:] in cures  # a sentence begins with a capital
        assert cure_words(cure, banded_brief.cures.transmission) in cures
    tried = [cure for cure in data["cures"]["cures"] if cure["mean_removed"]["value"] is not None]
    assert 0 < len(tried) < len(data["cures"]["cures"])
    assert len(sections["cures"].findall(".//tbody/tr")) == 1 + len(tried)
    sparks = [text_of(e) for e in named(sections["trade-off"]) if re.fullmatch(r"trade_off/spark/\d+", e.attrib["data-field"])]
    codes = data["trade_off"]["spark"]["mark"]
    marks = [None if code is None else Mark[code.upper()] for code in codes]
    assert sparks == [marked(f"{v:.0f}", mark) for v, mark in zip(data["trade_off"]["spark"]["value"], marks, strict=True)]
    plan = text_of(sections["road-test"])
    for step in banded_brief.road_test.steps:
        assert do_words(step) in plan
        assert direct_words(step.input) in plan
    assert all(caution in plan for caution in data["road_test"]["cautions"])


def test_a_part_that_is_missing_gets_no_section(brief_of: Make) -> None:
    brief = brief_of("dockside").replace(cures=None, trade_off=None, road_test=None, surge=())
    page = parsed(brief_html(brief))
    assert {"cures", "trade-off", "road-test", "surge", "bands"}.isdisjoint(folded(page))


@pytest.mark.parametrize(
    ("value", "shown"), [(0.0, "0"), (12.3456, "12.35"), (123456.0, "123456"), (-0.00001, "-0.000010"), (-0.0000001, "0.000000"), (0.05, "0.05000"), (6, "6")]
)
def test_four_figures_are_shown_and_no_exponent(value: float, shown: str) -> None:
    assert Figures({"x": {"value": value, "unit": "kPa"}}).number("x") == shown
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
