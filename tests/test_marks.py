"""Marks of figures: made where a figure is an end, a cap or knocks; carried by a record into text and JSON."""

from __future__ import annotations

import dataclasses
import json
import math
import re
from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc.errors import InputError
from camcalc.marks import Mark, Marks, ends_of_search, mark_codes, mark_of_path, marked, marks_by, marks_in, marks_where, merged_marks
from camcalc.report.data_figures import find
from camcalc.report.figure_markup import Printed
from camcalc.report.terminal_parts import blank, console, show, table
from camcalc.results import Measure, Record, measure


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Sample(Record):
    best: Measure = measure("crank_deg")
    grid: Measure = measure("crank_deg")
    plain: Measure = measure("crank_deg")
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


def sample() -> Sample:
    grid = np.array([[24.0, 37.0], [60.0, math.nan]])
    return Sample(best=60.0, grid=grid, plain=12.0, marks={"best": Mark.OR_MORE, "grid": ((None, Mark.UNCURED), (Mark.OR_MORE, Mark.AVOID))})


@pytest.mark.parametrize("mark", [m for m in Mark if m is not Mark.BLANK], ids=lambda m: m.name)
def test_the_meaning_of_a_mark_begins_as_it_is_written(mark: Mark) -> None:
    """A legend that shows another sign than the cell explains nothing."""
    sign, _, meaning = mark.partition(" = ")
    number = re.search(r"\d+", sign)
    assert sign == marked(number[0] if number else "", mark)
    assert len(meaning.split()) >= 5


def test_a_mark_leaves_a_blank_blank_unless_it_says_why_there_is_none() -> None:
    assert [marked("", mark) for mark in (Mark.OR_MORE, Mark.UNCURED, Mark.CAP, Mark.NONE_FOUND, Mark.AVOID)] == ["", "", "", "none", "no"]


@given(value=st.floats(-20.0, 80.0), least=st.floats(-15.0, 0.0), most=st.floats(40.0, 70.0))
def test_a_value_clipped_to_an_end_is_marked_and_no_other(value: float, least: float, most: float) -> None:
    clipped = min(max(value, least), most)
    expected = Mark.OR_MORE if value >= most else Mark.OR_LESS if value <= least else None
    if min(abs(value - most), abs(value - least)) > 1e-6:
        assert ends_of_search(clipped, least=least, most=most) is expected
        assert ends_of_search(np.array([clipped, math.nan]), least=least, most=most) == (expected, None)


def test_marks_of_arrays_keep_their_shape_and_the_first_counts() -> None:
    where = np.array([[True, False], [False, True]])
    assert marks_where(where, Mark.CAP) == ((Mark.CAP, None), (None, Mark.CAP))
    assert merged_marks(marks_where(where, Mark.CAP), marks_where(~where, Mark.KNOCKS)) == ((Mark.CAP, Mark.KNOCKS), (Mark.KNOCKS, Mark.CAP))
    assert merged_marks(Mark.UNCURED, Mark.OR_MORE) is Mark.UNCURED
    assert marks_by(np.array([1.0, math.nan]), lambda v: Mark.CAP) == (Mark.CAP, None)
    assert marks_in(None, marks_where(where, Mark.CAP), Mark.BLANK) == (Mark.BLANK, Mark.CAP)


def test_json_carries_the_marks_beside_the_values_and_finds_them_again() -> None:
    data = json.loads(json.dumps(sample().to_dict(), allow_nan=False))
    assert data["best"] == {"value": 60.0, "unit": "crank_deg", "mark": "or_more"}
    assert data["grid"]["mark"] == [[None, "uncured"], ["or_more", "avoid"]]
    assert "mark" not in data["plain"]
    assert "marks" not in data
    assert find(data, "grid/0/1").mark is Mark.UNCURED
    assert find(data, "best").mark is Mark.OR_MORE
    assert mark_of_path(mark_codes(sample().marks["grid"]), [1, 0]) is Mark.OR_MORE


def test_a_record_prints_its_marks_and_gives_them_as_texts() -> None:
    assert "60 crank_deg or more" in str(sample())
    assert sample().texts("grid") == [["24", "(37)"], ["60 or more", "no"]]
    assert sample().texts("best") == "60 or more"
    assert sample().texts("plain", 1) == "12.0"
    with pytest.raises(InputError, match="best"):
        sample().texts("bets")
    assert sample().mark("grid", 0, 1) is Mark.UNCURED
    assert sample().mark("grid") is None


def test_a_marked_number_on_a_page_is_text_in_its_cell() -> None:
    printed = Printed(json.loads(json.dumps(sample().to_dict())))
    assert ">(37)</td>" in str(printed.cell("grid/0/1"))
    assert ">60 or more</td>" in str(printed.cell("grid/1/0"))
    assert ">no</td>" in str(printed.cell("grid/1/1"))
    assert printed.marked_number("best", 0) == "60 or more"
    assert printed.legend("grid") == [str(m) for m in (Mark.UNCURED, Mark.OR_MORE, Mark.AVOID)]
    assert printed.legend("grid/0") == [str(Mark.UNCURED)]


def test_a_page_explains_a_blank_only_where_there_is_one() -> None:
    data: dict[str, Any] = {"some": {"value": [1.0, None], "unit": ""}, "all": {"value": [1.0, 2.0], "unit": ""}}
    assert Printed(data).legend("some") == [str(Mark.BLANK)]
    assert Printed(data).legend("all") == []


@pytest.mark.parametrize(("cells", "explained"), [(["1", "2"], False), (["1", ""], True)])
def test_a_table_on_the_screen_explains_its_blanks_and_its_marks(cells: list[str], explained: bool, capsys: pytest.CaptureFixture[str]) -> None:
    made = table("Table", ["", "a", "b"])
    made.add_row("row", *cells)
    show(made, console(), (Mark.CAP, None))
    said = capsys.readouterr().out
    assert (Mark.BLANK in said) == explained
    assert Mark.CAP in said
    assert blank(36.0, 0, Mark.CAP) == "36 (cap)"
