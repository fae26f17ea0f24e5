"""Data read back: every figure bit for bit, codes, marks, bands, named tuples, arrays, alternatives; what is of another kind is refused."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from camcalc import load_build
from camcalc.codes import Code
from camcalc.data_reading import inner_figure, typed_value
from camcalc.errors import InputError
from camcalc.marks import Mark, Marks
from camcalc.results import Band, Measure, Record, measure
from camcalc.sheet import Build
from camcalc.units import quantity

# Inner unit and the one shown, for every pair that records of the package declare.
PAIRS = [
    ("Pa", "inHg"), ("Pa", "kPa"), ("crank_rps", "rpm"), ("m/s", "km/h"), ("m", "mm"), ("K", "degC"), ("", "percent"), ("m**3/s", "L/h"), ("kg/J", "g/kW/hour"),
    ("crank_deg", "cam_deg"), ("m**2", "mm**2"), ("kg/s", "g/s"), ("s", "ms"), ("m*crank_deg", "mm*crank_deg"),
]  # fmt: skip
finite = st.floats(allow_nan=False, allow_infinity=False, min_value=-1e9, max_value=1e9)


class Ending(Code):
    """How a sample ends."""

    SETTLED = "settles"
    DYING = "dies"


class Place(NamedTuple):
    """Where something is."""

    gear: int
    what: str


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Inner(Record):
    speed: Measure = measure("crank_rps", "rpm")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Whole(Record):
    vacuum: Measure = measure("Pa", "inHg")
    grid: Measure = measure("K", "degC")
    ending: Ending
    endings: tuple[tuple[Ending | None, ...], ...]
    places: tuple[Place, ...]
    inner: tuple[Inner, ...]
    maybe: Inner | None
    either: Inner | str
    by_name: Mapping[str, float]
    by_code: Mapping[Ending, int]
    mask: NDArray[np.bool_]
    share: float
    bands: Mapping[str, Band] = dataclasses.field(default_factory=dict)
    marks: Mapping[str, Marks] = dataclasses.field(default_factory=dict)


def whole(**changes: Any) -> Whole:
    fields: dict[str, Any] = {
        "vacuum": 36.9e3, "grid": np.array([[300.0, math.nan], [math.inf, -math.inf]]), "ending": Ending.DYING, "endings": ((Ending.SETTLED, None),),
        "places": (Place(3, "hill"),), "inner": (Inner(speed=14.0),), "maybe": None, "either": "text", "by_name": {"a": 1.5}, "by_code": {Ending.DYING: 2},
        "mask": np.array([[True, False]]), "share": math.nan, "bands": {"vacuum": Band(3.3e4, 4.1e4)},
        "marks": {"vacuum": Mark.CAP, "grid": ((None, Mark.OR_MORE), (None, None))},
    }  # fmt: skip
    return Whole(**fields | changes)


def text_of(record: Record) -> str:
    return json.dumps(record.to_dict(), allow_nan=False)


@pytest.mark.parametrize(("unit", "show"), PAIRS)
@given(values=st.lists(finite, min_size=1, max_size=20))
def test_a_figure_shown_comes_back_to_one_that_is_shown_alike(unit: str, show: str, values: list[float]) -> None:
    shown = quantity(np.array(values), unit, show).magnitude
    found = inner_figure(shown.tolist(), unit, show)
    assert np.array_equal(quantity(found, unit, show).magnitude, shown)
    assert np.all(np.abs(found - values) <= 1e-14 * np.abs(values) + (1e-12 if show == "degC" else 1e-300))


def test_a_figure_that_no_computation_gives_is_refused() -> None:
    # Floats near 293 K lie 16 times as far apart as those near 20 degC.
    with pytest.raises(InputError, match="as camcalc writes it"):
        inner_figure(math.nextafter(20.0, math.inf), "K", "degC")


def test_a_record_comes_back_with_every_kind_of_field() -> None:
    record = whole()
    back = Whole.from_dict(json.loads(text_of(record)))
    assert text_of(back) == text_of(record)
    assert back.ending is Ending.DYING
    assert back.endings == ((Ending.SETTLED, None),)
    assert back.places == (Place(3, "hill"),)
    assert (back.maybe, back.either) == (None, "text")
    assert back.by_code == {Ending.DYING: 2}
    assert back.mask.dtype == bool
    assert np.array_equal(back.si.grid, record.si.grid, equal_nan=True)
    assert dict(back.marks) == dict(record.marks)
    assert back.bands["vacuum"] == pytest.approx(record.bands["vacuum"], rel=1e-14)
    assert math.isnan(back.share)


def test_an_alternative_is_told_by_its_form() -> None:
    back = Whole.from_dict(json.loads(text_of(whole(either=Inner(speed=15.0), maybe=Inner(speed=None)))))
    assert isinstance(back.either, Inner)
    assert math.isnan(back.maybe.si.speed)  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"vacuum": 3.0}, "quantity"),
        ({"vacuum": {"value": 3.0, "unit": "kPa"}}, "inHg"),
        ({"ending": {"code": "flying", "text": ""}}, "Ending"),
        ({"inner": 4}, "tuple"),
        ({"places": [["3"]]}, "Place"),
    ],
)
def test_data_of_another_kind_are_refused(change: dict[str, Any], match: str) -> None:
    with pytest.raises(InputError, match=match):
        Whole.from_dict(whole().to_dict() | change)


def test_a_field_that_is_missing_is_named() -> None:
    data = whole().to_dict()
    del data["share"]
    with pytest.raises(InputError, match="no share"):
        Whole.from_dict(data)


def test_a_whole_build_comes_back_and_can_be_saved_and_changed(example_path: Path) -> None:
    build = load_build(example_path)
    data = json.loads(json.dumps(build.to_dict(), allow_nan=False))
    back = Build.from_dict(data)
    assert back.to_dict() == data
    assert [type(note) for note in back.notes] == [type(note) for note in build.notes]
    assert (back.path, back.spark_table, back.card_text) == (build.path, build.spark_table, build.card_text)
    assert back.vehicle.replace(mass="1500 kg").si.mass == 1500.0


def test_a_plain_type_is_given_as_it_is() -> None:
    assert typed_value({"a": 1}, Any) == {"a": 1}
    assert typed_value("a.csv", Path | None) == Path("a.csv")
    assert typed_value(None, Path | None) is None
