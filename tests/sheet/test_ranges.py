"""Every key of a sheet has a range that a slip of a thousand leaves, and every hint about it offers what fits and nothing else."""

from __future__ import annotations

import copy
import math
import tomllib
from pathlib import Path
from typing import Any

import pytest

from camcalc.errors import CamcalcError, InputError, InputErrors
from camcalc.sheet import read_build
from camcalc.sheet.card_keys import CARD, LOBE
from camcalc.sheet.sections import SECTIONS
from camcalc.units import Bounds, fitting_units, parse, quantity, range_text, to_si

ROOT = Path(__file__).parents[2]
SHEETS = {path.parent.name: tomllib.loads(path.read_text(encoding="utf-8")) for path in (ROOT / "examples").glob("*/build.toml")}
SHEETS["tests"] = tomllib.loads((ROOT / "tests" / "data" / "build.toml").read_text(encoding="utf-8"))
KEYS = [(section, key) for section, kind in SECTIONS.items() for key in kind.inputs()]

# Where a thousandth of a sensible figure is as sensible: places near the sea, days near freezing, angles counted from a dead centre.
NEAR_ZERO = {("site", "altitude"), ("site", "air_temperature"), ("limits", "reference_temperature"), ("limits", "least_spark")}
# Names, files and choices have no range. Advance and events, counted from a dead centre too, are not tried.
WORDS = {"name", "tappet", "measured_at", "lash_state", "lift_table", "intake", "exhaust", "rocker_ratio"}


@pytest.mark.parametrize(("section", "key"), KEYS)
def test_every_key_has_a_range_or_choices(section: str, key: str) -> None:
    kind = SECTIONS[section]
    if key in kind.measures():
        bounds = kind.measures()[key].bounds
        assert math.isfinite(bounds.low)
        assert math.isfinite(bounds.high)
        assert bounds.low < bounds.high
    else:
        about = kind.inputs()[key].metadata
        assert about["choices"] or (math.isfinite(about["low"]) and math.isfinite(about["high"]))


@pytest.mark.parametrize(("key", "item"), [*CARD.items(), *LOBE.items()])
def test_every_key_of_a_card_has_a_range_or_is_a_word(key: str, item: Any) -> None:
    assert key in WORDS or (item.bounds is not None and math.isfinite(item.bounds.low) and math.isfinite(item.bounds.high))


def figures() -> list[tuple[str, str, Any]]:
    """Every figure that an example states, and every default that is one figure, once."""
    found: dict[tuple[str, str, str], tuple[str, str, Any]] = {}
    for sheet in SHEETS.values():
        for section in SECTIONS:
            for key, value in sheet.get(section, {}).items():
                found[section, key, repr(value)] = (section, key, value)
    for section, kind in SECTIONS.items():
        for key, field in kind.inputs().items():
            default = kind.measures()[key].default if key in kind.measures() else field.metadata["default"]
            if default is not None and not callable(default) and default != "nan":
                found[section, key, repr(default)] = (section, key, default)
    words = {key for _, kind in SECTIONS.items() for key, field in kind.inputs().items() if field.metadata.get("choices")}
    return [f for f in found.values() if f[1] not in words]


def times(value: Any, factor: float) -> Any:
    if isinstance(value, str):
        return f"{parse(value).magnitude * factor!r} {value.split(' ', 1)[1]}"
    if isinstance(value, list):
        return [v * factor for v in value]
    return value * factor


def is_zero(value: Any) -> bool:
    return isinstance(value, str) and parse(value).magnitude == 0.0


SLIPS = [(*figure, factor) for figure in figures() for factor in (1000.0, 0.001) if not is_zero(figure[2]) and (figure[:2] not in NEAR_ZERO or factor > 1.0)]


@pytest.mark.parametrize(("section", "key", "value", "factor"), SLIPS, ids=lambda v: str(v).replace(" ", "_"))
def test_a_slip_of_a_thousand_is_refused(section: str, key: str, value: Any, factor: float) -> None:
    sheet = copy.deepcopy(SHEETS["tests"])
    sheet.setdefault(section, {})[key] = times(value, factor)
    if key == "barometer":
        del sheet["site"]["altitude"]
    with pytest.raises(CamcalcError) as caught:
        read_build(sheet)
    problems = caught.value.problems if isinstance(caught.value, InputErrors) else (caught.value,)
    assert f"[{section}] {key}" in [p.key for p in problems]  # type: ignore[union-attr]


def card_figures() -> list[tuple[str, str, tuple[str, ...], str]]:
    """Every figure of every card of the examples with its place."""
    found = []
    for name, sheet in SHEETS.items():
        for cam in ("cam", "replaced_cam"):
            card = sheet.get(cam, {})
            found += [(name, cam, (key,), card[key]) for key in card if key in CARD and isinstance(card[key], str) and key not in WORDS | {"advance"}]
            for kind in ("intake", "exhaust"):
                for key, value in card.get(kind, {}).items():
                    if isinstance(value, str) and key not in WORDS:
                        found.append((name, cam, (kind, key), value))
                    elif isinstance(value, dict) and key == "duration":
                        found += [(name, cam, (kind, key, height), figure) for height, figure in value.items()]
    return found


@pytest.mark.parametrize("factor", [1000.0, 0.001])
@pytest.mark.parametrize(("name", "cam", "place", "value"), card_figures(), ids=lambda v: "-".join(v) if isinstance(v, tuple) else str(v).replace(" ", "_"))
def test_a_slip_of_a_thousand_on_a_card_is_refused(name: str, cam: str, place: tuple[str, ...], value: str, factor: float) -> None:
    sheet = copy.deepcopy(SHEETS[name])
    table = sheet[cam]
    for key in place[:-1]:
        table = table[key]
    table[place[-1]] = times(value, factor)
    with pytest.raises(CamcalcError) as caught:
        read_build(sheet)
    assert place[-1] in str(caught.value)


@pytest.mark.parametrize("factor", [1000.0, 0.001])
def test_a_slip_of_a_thousand_in_a_checking_height_is_refused(factor: float, sheet: dict[str, Any]) -> None:
    sheet["cam"]["intake"]["duration"] = {f"{0.050 * factor} inch": "230 crank_deg"}
    with pytest.raises(InputError, match="checking height"):
        read_build(sheet)


@pytest.mark.parametrize(("section", "key"), [(s, k) for s, k in KEYS if k in SECTIONS[s].measures() and SECTIONS[s].measures()[k].bounds.or_zero])
def test_what_may_be_absent_may_be_0(section: str, key: str, sheet: dict[str, Any]) -> None:
    unit = SECTIONS[section].measures()[key].show
    sheet.setdefault(section, {})[key] = f"0 {unit}"
    assert getattr(getattr(read_build(sheet), section).si, key) == 0.0
    assert "0, or " in range_text(SECTIONS[section].measures()[key].bounds)


# Hints.


def hint(section: str, key: str, value: Any) -> str:
    sheet = copy.deepcopy(SHEETS["tests"])
    sheet.setdefault(section, {})[key] = value
    with pytest.raises(CamcalcError) as caught:
        read_build(sheet)
    assert isinstance(caught.value, InputError)
    return caught.value.fix


@pytest.mark.parametrize(
    ("section", "key", "value", "said", "unsaid"),
    [
        ("site", "altitude", 5000, ['"5000 m"', '"5000 ft"'], []),
        ("site", "altitude", 900.0, ['"900.0 m"', '"900.0 ft"'], ["inch"]),
        ("vehicle", "mass", 1500, ['"1500 kg"', '"1500 lb"'], []),
        ("site", "air_temperature", 20, ['"20 degC"', '"20 degF"'], []),
        ("site", "air_temperature", 90, ['"90 degF"'], ["degC"]),
        ("engine", "bore", 4.0, ['"4.0 inch"'], ["cm", "mm"]),
        ("engine", "bore", 86, ['"86 mm"'], ["inch"]),
        ("injector", "flow", 20, ['"20 g/s"', '"20 lb/h"'], []),
        ("site", "barometer", 98000, ['"98000 Pa"'], ["kPa"]),
        ("site", "altitude", "22965.879265091865 ft", ["check the figure"], ["22965", "thou"]),
        ("vehicle", "shaft_stiffness", "6000 kN*m/rad", ['"6000 N*m/rad"'], []),
        ("idle", "speed", 850, ['"850 rpm"'], []),
    ],
)
def test_a_hint_names_every_unit_that_fits_and_none_that_does_not(section: str, key: str, value: Any, said: list[str], unsaid: list[str]) -> None:
    fix = hint(section, key, value)
    assert [words for words in said if words not in fix] == []
    assert [words for words in unsaid if words in fix] == []


def test_a_figure_that_a_computer_wrote_is_shown_with_four_digits() -> None:
    with pytest.raises(InputError) as error:
        to_si(quantity(7000.0, "m", "ft"), "altitude", Bounds("m", -500.0, 6000.0, "m"))
    assert error.value.came == "22970 ft"
    with pytest.raises(InputError) as error:
        to_si("0.0862500000000001 m", "lift", Bounds("m", 0.004, 0.02, "mm"))
    assert error.value.came == "0.08625 m"


def test_every_hint_is_a_figure_the_key_would_take() -> None:
    for section, kind in SECTIONS.items():
        for key, declared in kind.measures().items():
            for number in (0.05, 0.5, 4.0, 30.0, 98.0, 900.0, 5000.0):
                for unit in fitting_units(number, declared.bounds):
                    assert declared.bounds.low <= to_si(f"{number} {unit}", key, declared.bounds) <= declared.bounds.high, (section, key, number, unit)
