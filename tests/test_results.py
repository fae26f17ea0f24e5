"""Records: equality, copies with changes, printing, JSON."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc.errors import InputError
from camcalc.results import Band, Measure, Record, measure, plain_data
from camcalc.sheet import load_build
from camcalc.units import parse, registry


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Inner(Record):
    speed: Measure = measure("crank_rps", "rpm")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Sample(Record):
    vacuum: Measure = measure("Pa", "inHg", low=0.0, high=1e5)
    trace: Measure = measure("m", "mm")
    share: float = 0.5
    steady: bool = True
    label: str = "idle"
    inner: Inner | None = None
    bands: dict[str, Band] = dataclasses.field(default_factory=dict)


def sample(**changes: Any) -> Sample:
    return Sample(**{"vacuum": "15 inHg", "trace": 0.0127} | changes)


def test_a_measured_field_reads_as_a_quantity_and_as_a_float() -> None:
    record = sample()
    assert record.vacuum.magnitude == pytest.approx(15.0, rel=1e-12)
    assert record.si.vacuum == pytest.approx(15 * 3386.389, rel=1e-12)


def test_text_in_a_measured_field_is_checked_for_unit_and_range() -> None:
    with pytest.raises(InputError, match="a pressure"):
        sample(vacuum="15 mm")
    with pytest.raises(InputError, match="vacuum"):
        sample(vacuum="40 inHg")


def test_a_record_is_frozen() -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        sample().label = "cruise"  # type: ignore[misc]


def test_the_float_view_has_measured_fields_only() -> None:
    with pytest.raises(AttributeError, match="label"):
        _ = sample().si.label


def test_records_are_equal_when_every_field_is() -> None:
    assert sample() == sample()
    assert sample() != sample(share=0.6)
    assert sample() != sample(vacuum="15.1 inHg")
    assert sample() != Inner(speed="800 rpm")
    assert sample(inner=Inner(speed="800 rpm")) == sample(inner=Inner(speed="800 rpm"))


def test_equality_is_blind_to_the_unit_a_figure_was_given_in() -> None:
    assert Inner(speed="900 rpm") == Inner(speed="15 crank_rps")


def test_missing_figures_are_equal_to_each_other_and_to_nothing_else() -> None:
    assert sample(vacuum=None) == sample(vacuum=None)
    assert sample(share=math.nan) == sample(share=math.nan)
    assert sample(vacuum=None) != sample()


def test_arrays_are_compared_value_by_value() -> None:
    one, other = np.array([1.0, math.nan]), np.array([1.0, 2.0])
    assert sample(trace=one) == sample(trace=one.copy())
    assert sample(trace=one) != sample(trace=other)
    assert sample(trace=one) != sample(trace=1.0)


def test_a_record_has_no_hash_since_it_may_hold_arrays() -> None:
    with pytest.raises(TypeError, match="unhashable"):
        hash(sample())


def test_a_copy_has_the_change_and_leaves_the_original() -> None:
    before = sample()
    after = before.replace(vacuum="10 inHg", label="cruise")
    assert (after.label, before.label) == ("cruise", "idle")
    assert after.vacuum.magnitude == pytest.approx(10.0, rel=1e-12)
    assert after.replace(vacuum=before.vacuum, label="idle") == before


def test_an_unknown_field_is_refused_in_a_copy_with_the_nearest_known() -> None:
    with pytest.raises(InputError, match='did you mean "vacuum"'):
        sample().replace(vacum="10 inHg")


def test_json_has_value_and_unit_of_every_measured_field() -> None:
    data = sample(inner=Inner(speed="900 rpm")).to_dict()
    assert data["vacuum"] == {"value": pytest.approx(15.0, rel=1e-12), "unit": "inHg"}
    assert data["inner"] == {"speed": {"value": pytest.approx(900.0, rel=1e-12), "unit": "rpm"}}
    assert (data["share"], data["steady"], data["label"]) == (0.5, True, "idle")


def test_json_has_the_band_in_the_unit_shown() -> None:
    data = sample(bands={"vacuum": Band(3386.389, 6772.778)}).to_dict()
    assert data["vacuum"]["low"] == pytest.approx(1.0, rel=1e-12)
    assert data["vacuum"]["high"] == pytest.approx(2.0, rel=1e-12)
    assert "low" not in data["trace"]
    assert "bands" not in data


def test_what_is_not_finite_becomes_none_in_json() -> None:
    data = sample(vacuum=None, share=math.inf, trace=np.array([1e-3, math.nan])).to_dict()
    assert data["vacuum"] == {"value": None, "unit": "inHg"}
    assert data["share"] is None
    assert data["trace"]["value"] == [1.0, None]


def test_plain_data_takes_apart_whatever_a_record_may_hold() -> None:
    found = plain_data({1: (parse("4 inch"), np.float64(0.5), [Inner(speed=None)], np.arange(2), True, -math.inf)})
    assert json.loads(json.dumps(found)) == {"1": [{"value": 4.0, "unit": "in"}, 0.5, [{"speed": {"value": None, "unit": "rpm"}}], [0, 1], True, None]}


def test_a_whole_build_becomes_json(example_path: Path) -> None:
    build = load_build(example_path)
    data = json.loads(json.dumps(build.to_dict(), allow_nan=False))
    assert data["engine"]["bore"] == {"value": pytest.approx(build.engine.si.bore * 1e3, rel=1e-12), "unit": "mm"}


def test_print_is_an_aligned_table() -> None:
    lines = str(sample()).splitlines()
    columns = {len(line) - len(line.split("  ", 1)[1].lstrip()) for line in lines}
    assert len(columns) == 1, lines
    assert "vacuum  15 inHg" in str(sample())


def test_print_shows_band_yes_and_nothing_in_words() -> None:
    text = str(sample(vacuum=None, trace=0.0127, share=math.nan, bands={"trace": Band(0.012, 0.013)}))
    assert [line.split(None, 1)[1] for line in text.splitlines()] == ["none", "12.7 mm (12 to 13)", "none", "yes", "idle"]


def test_print_indents_what_is_inside() -> None:
    assert str(sample(inner=Inner(speed="900 rpm"))).splitlines()[-2:] == ["inner:", "  speed  900 rpm"]


def test_the_notebook_table_escapes_what_the_user_wrote() -> None:
    page = sample(label="<script>")._repr_html_()
    assert "&lt;script&gt;" in page
    assert "<script>" not in page


@given(st.floats(0.0, 1e5), st.floats(allow_nan=True))
def test_a_record_equals_its_own_copy_whatever_it_holds(vacuum: float, share: float) -> None:
    record = sample(vacuum=registry().Quantity(vacuum, "Pa"), share=share)
    assert record.replace() == record
    assert json.loads(json.dumps(record.to_dict(), allow_nan=False)) == record.to_dict()
