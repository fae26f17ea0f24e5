"""Units at the edge: what is understood, what is refused and with which words, and that faces and kernels agree."""

from __future__ import annotations

import importlib
import inspect
import math
import pkgutil
import subprocess
import sys
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import camcalc
from camcalc.errors import InputError
from camcalc.units import Bounds, Checked, checked, factor, fitting_units, format_quantity, half_last_digit, parse, quantity, registry, to_si

LENGTH = Bounds("m", 0.0, 10.0)
VALVE_LIFT = Bounds("m", 1e-3, 25e-3)
DURATION = Bounds("crank_deg", 60.0, 400.0)
SEPARATION = Bounds("crank_deg", 190.0, 250.0, "cam_deg")
ANYTHING = -math.inf, math.inf
INCH, POUND, GRAVITY = Fraction("0.0254"), Fraction("0.45359237"), Fraction("9.80665")

SPELLINGS = [
    ("0.050 in", "m", Fraction("0.05") * INCH),
    ("0.050 inch", "m", Fraction("0.05") * INCH),
    ('0.050"', "m", Fraction("0.05") * INCH),
    ('0.050 "', "m", Fraction("0.05") * INCH),
    ("4.00 inches", "m", 4 * INCH),
    ("4.00inch", "m", 4 * INCH),
    ("  4.00   inch  ", "m", 4 * INCH),
    ("50 thou", "m", Fraction("0.05") * INCH),
    ("50 mils", "m", Fraction("0.05") * INCH),
    ("1.27 mm", "m", Fraction("0.00127")),
    (".5 mm", "m", Fraction("0.0005")),
    ("5. mm", "m", Fraction("0.005")),
    ("+5 mm", "m", Fraction("0.005")),
    ("5e-3 m", "m", Fraction("0.005")),
    ("300 ft", "m", 3600 * INCH),
    ("292 crank_deg", "crank_deg", Fraction(292)),
    ("292 crank degrees", "crank_deg", Fraction(292)),
    ("112 cam_deg", "crank_deg", Fraction(224)),
    ("112 cam degrees", "crank_deg", Fraction(224)),
    ("45 °", "deg", Fraction(45)),
    ("45 degrees", "deg", Fraction(45)),
    ("900 rpm", "crank_rps", Fraction(15)),
    ("900 RPM", "crank_rps", Fraction(15)),
    ("900 rev/min", "crank_rps", Fraction(15)),
    ("900 1/min", "crank_rps", Fraction(15)),
    ("20 °C", "K", Fraction("293.15")),
    ("20 degC", "K", Fraction("293.15")),
    ("-3.5 C", "K", Fraction("269.65")),
    ("68 °F", "K", Fraction("293.15")),
    ("-40 degF", "K", Fraction("233.15")),
    ("30 lb/h", "kg/s", 30 * POUND / 3600),
    ("30 lb/hr", "kg/s", 30 * POUND / 3600),
    ("3500 lbs", "kg", 3500 * POUND),
    ("350 cid", "m**3", 350 * INCH**3),
    ("350 cu in", "m**3", 350 * INCH**3),
    ("350 in3", "m**3", 350 * INCH**3),
    ("430 cc", "m**3", Fraction("0.00043")),
    ("430 cm3", "m**3", Fraction("0.00043")),
    ("3.2 litres", "m**3", Fraction("0.0032")),
    ("600 cfm", "m**3/s", 600 * (12 * INCH) ** 3 / 60),
    ("330 N m", "N*m", Fraction(330)),
    ("330 Nm", "N*m", Fraction(330)),
    ("250 ft-lb", "N*m", 250 * 12 * INCH * POUND * GRAVITY),
    ("250 lb-ft", "N*m", 250 * 12 * INCH * POUND * GRAVITY),
    ("0.26 kg m2", "kg*m**2", Fraction("0.26")),
    ("2.1 m2", "m**2", Fraction("2.1")),
    ("60 km/h", "m/s", Fraction(60, Fraction("3.6"))),
    ("60 mph", "m/s", 60 * 63360 * INCH / 3600),
    ("980 mbar", "Pa", Fraction(98000)),
    ("10 %", "", Fraction(1, 10)),
    ("13.5 V", "volt", Fraction("13.5")),
]


@pytest.mark.parametrize(("text", "unit", "value"), SPELLINGS, ids=[s[0] for s in SPELLINGS])
def test_a_spelling_from_the_trade_is_read(text: str, unit: str, value: Fraction) -> None:
    assert to_si(text, "figure", Bounds(unit)) == pytest.approx(float(value), rel=1e-12)


@pytest.mark.reference("nist_sp811.csv")
def test_a_factor_agrees_with_nist(row: Any) -> None:
    row.check(factor(row.from_unit, row.unit))


def test_a_cam_degree_is_two_crank_degrees() -> None:
    assert factor("cam_deg", "crank_deg") == 2.0


def test_a_crank_revolution_is_360_crank_degrees() -> None:
    assert factor("crank_rev", "crank_deg") == 360.0


def test_crank_angle_and_plane_angle_do_not_convert() -> None:
    with pytest.raises(ValueError, match="does not scale"):
        factor("deg", "crank_deg")


def test_a_temperature_scale_has_no_factor() -> None:
    with pytest.raises(ValueError, match="does not scale"):
        factor("degC", "K")


@pytest.mark.parametrize("text", ["292 deg", "292°", "292 degrees", "292 radian"])
def test_a_plane_angle_is_refused_where_a_crank_angle_is_due(text: str) -> None:
    with pytest.raises(InputError) as error:
        to_si(text, "duration", DURATION)
    assert '"292 crank_deg"' in error.value.fix
    assert "crank or cam angle" in error.value.expected


def test_a_plane_angle_quantity_is_refused_where_a_crank_angle_is_due() -> None:
    with pytest.raises(InputError, match="crank_deg"):
        to_si(parse("292 deg"), "duration", DURATION)


def test_a_crank_angle_is_refused_where_a_plane_angle_is_due() -> None:
    with pytest.raises(InputError, match="a plane angle"):
        to_si("45 crank_deg", "valve_seat_angle", Bounds("deg", 20.0, 60.0))


@pytest.mark.parametrize(
    ("value", "bounds", "fix"),
    [
        (292, DURATION, '"292 crank_deg"'),
        (4.0, Bounds("m", 0.03, 0.2), '"4.0 inch"'),
        (850, Bounds("crank_rps", 5.0, 30.0), '"850 rpm"'),
        (0.05, Bounds("m", 1e-5, 0.02), '"0.05 mm" or "0.05 inch"'),
    ],
)
def test_a_bare_number_is_refused_and_the_likely_unit_named(value: float, bounds: Bounds, fix: str) -> None:
    with pytest.raises(InputError) as error:
        to_si(value, "figure", bounds)
    assert "bare number" in error.value.came
    assert fix in error.value.fix


def test_a_bare_number_in_quotes_is_refused_too() -> None:
    with pytest.raises(InputError, match="a length"):
        to_si("4.00", "bore", Bounds("m", 0.03, 0.2))


A_VERY_LONG_NUMBER = pytest.param(10**400, id="400 digits")


@pytest.mark.parametrize("value", [True, None, [1.0], {"a": 1}, object(), A_VERY_LONG_NUMBER])
def test_what_is_no_quantity_at_all_is_refused(value: object) -> None:
    with pytest.raises(InputError):
        to_si(value, "bore", Bounds("m", 0.03, 0.2))


@pytest.mark.parametrize("value", [True, A_VERY_LONG_NUMBER, math.nan, "0.5 mm", None])
def test_what_is_no_ratio_is_refused_where_a_ratio_is_due(value: object) -> None:
    with pytest.raises(InputError):
        to_si(value, "pressure_ratio", Bounds("", 0.0, 1.0))


def test_a_wrong_dimension_says_what_is_expected() -> None:
    with pytest.raises(InputError) as error:
        to_si("4.00 kg", "bore", Bounds("m", 0.03, 0.2))
    assert error.value.key == "bore"
    assert error.value.came == '"4.00 kg"'
    assert "a length" in error.value.expected


@pytest.mark.parametrize(
    ("text", "bounds", "fix", "expected"),
    [
        ("15.6 inch", VALVE_LIFT, '"15.6 mm"', "1 to 25 mm"),
        ("0.45 m", VALVE_LIFT, '"0.45 inch"', "1 to 25 mm"),
        ("112 crank_deg", SEPARATION, '"112 cam_deg"', "95 to 125 cam_deg"),
        ("4.00 mm", Bounds("m", 0.03, 0.2), '"4.00 inch"', "30 to 200 mm"),
        ("29.9 kPa", Bounds("Pa", 4.5e4, 1.1e5), '"29.9 inHg"', "45 to 110 kPa"),
        ("68 degC", Bounds("K", 233.0, 333.0), '"68 degF"', "-40.15 to 59.85 degC"),
    ],
)
def test_a_figure_out_of_range_is_refused_with_the_unit_that_was_meant(text: str, bounds: Bounds, fix: str, expected: str) -> None:
    with pytest.raises(InputError) as error:
        to_si(text, "figure", bounds)
    assert f"did you mean {fix}?" in error.value.fix
    assert error.value.expected == expected


def test_a_quantity_out_of_range_is_refused_as_its_text_is() -> None:
    with pytest.raises(InputError, match=r'did you mean "15\.6 mm"'):
        to_si(parse("15.6 inch"), "valve_lift", VALVE_LIFT)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_quantity_that_is_not_finite_is_out_of_any_range(value: float) -> None:
    with pytest.raises(InputError):
        to_si(quantity(value, "m"), "bore", Bounds("m", 0.03, 0.2))


@pytest.mark.parametrize("text", ["nan mm", "inf mm", "1e999 mm", "", "mm", "about 4 inch", "4 5 inch"])
def test_text_that_is_no_finite_number_with_a_unit_is_refused(text: str) -> None:
    with pytest.raises(InputError):
        parse(text)


def test_a_decimal_comma_is_refused_with_the_point_written_out() -> None:
    with pytest.raises(InputError, match=r'write "4\.00 inch"'):
        parse("4,00 inch")


def test_an_unknown_unit_is_refused_with_the_nearest_known() -> None:
    with pytest.raises(InputError, match='did you mean "inch"'):
        parse("4 inhc")


@pytest.mark.parametrize("unit", ["m^9^9^9^9", "9**9**9**9", "(m**2)**(9**9**9)"])
def test_a_tower_of_powers_is_refused_and_not_computed(unit: str) -> None:
    script = f"import camcalc.units\ntry:\n    camcalc.units.parse('1 {unit}')\nexcept camcalc.errors.InputError:\n    print('refused')"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=5, check=True)
    assert done.stdout.strip() == "refused"


def test_arrays_are_converted_and_ranged_as_a_whole() -> None:
    lengths = registry().Quantity(np.array([1.0, 2.0]), "inch")
    assert to_si(lengths, "lift", LENGTH) == pytest.approx([0.0254, 0.0508], rel=1e-12)
    with pytest.raises(InputError):
        to_si(lengths, "lift", Bounds("m", 0.0, 0.03))
    with pytest.raises(InputError):
        to_si(registry().Quantity(np.array([1.0, math.nan]), "inch"), "lift", LENGTH)


def test_a_quantity_of_another_registry_in_a_unit_unknown_here_is_refused_as_input() -> None:
    import pint

    theirs = pint.UnitRegistry(None)
    theirs.define("cubit = [length]")
    with pytest.raises(InputError):
        to_si(theirs.Quantity(1.0, "cubit"), "bore", LENGTH)


@pytest.mark.parametrize(
    ("text", "half"), [("0.050 inch", 0.0005), ("292 crank_deg", 0.5), ("107.5 cam_deg", 0.05), ("-3 mm", 0.5), ("1.5e2 mm", 5.0), ("4. inch", 0.5)]
)
def test_half_of_the_last_printed_digit_is_how_far_rounding_may_have_moved_a_figure(text: str, half: float) -> None:
    assert half_last_digit(text) == pytest.approx(half, rel=1e-12)


def test_a_quantity_prints_with_the_digits_asked_for() -> None:
    assert format_quantity(parse("16.2345 inHg"), 3) == "16.2 inHg"


def test_a_quantity_is_shown_in_the_unit_asked_for() -> None:
    shown = quantity(293.15, "K", "degC")
    assert shown.magnitude == pytest.approx(20.0, abs=1e-10)
    assert f"{shown.units:~}" == "degC"


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused_as_input(text: str) -> None:
    read_or_refuse(text)


# Single digits and at most six pieces, so that no power runs away.
UNIT_PIECES = st.sampled_from([*"()/*^ 2.0%_je²é\x00", "**", "-1", "m", "mm", "in", "kg", "s", "deg", "K", "rpm", "degC", "cam_deg"])
NUMBERS = st.floats(allow_nan=False).map(str) | st.sampled_from(["1", "-0", "0e999", "1e-999", "٣", "1,5", "1_000"])


@given(NUMBERS, st.lists(UNIT_PIECES, max_size=6).map("".join))
def test_any_unit_put_together_is_read_or_refused_as_input(number: str, unit: str) -> None:
    read_or_refuse(f"{number} {unit}")


def read_or_refuse(text: str) -> None:
    assert is_refused(text) or math.isfinite(parse(text).magnitude)
    for bounds in (DURATION, Bounds("K", 200.0, 400.0), Bounds("", 0.0, 1.0)):
        assert is_refused(text, bounds) or bounds.low <= to_si(text, "figure", bounds) <= bounds.high


def is_refused(text: str, bounds: Bounds | None = None) -> bool:
    """Whether the text is refused with an error that prints; any other error comes through."""
    try:
        _ = parse(text, "figure") if bounds is None else to_si(text, "figure", bounds)
    except InputError as error:
        return str(error).startswith("figure")
    return False


@given(st.floats(1e-3, 1e3), st.sampled_from(["mm", "inch", "thou", "ft", "m", "cm"]))
def test_text_and_quantity_of_a_length_are_the_same_length(value: float, unit: str) -> None:
    assert to_si(f"{value!r} {unit}", "length", Bounds("m")) == to_si(registry().Quantity(value, unit), "length", Bounds("m"))


# Every checked formula of the package.


def checked_formulas() -> dict[str, Checked[Any]]:
    found = {}
    for info in pkgutil.walk_packages(camcalc.__path__, "camcalc."):
        if info.name.endswith("__main__"):
            continue
        module = importlib.import_module(info.name)
        found.update({f"{info.name}.{name}": item for name, item in vars(module).items() if isinstance(item, Checked) and item.__module__ == info.name})
    return found


FORMULAS = checked_formulas()
each_formula = pytest.mark.parametrize("formula", FORMULAS.values(), ids=list(FORMULAS))


def values_for(formula: Checked[Any], share: float) -> dict[str, Any]:
    """Floats for every parameter, at one share of its range; 1.0 where there is none."""
    values: dict[str, Any] = {}
    for name, parameter in inspect.signature(formula.kernel if inspect.isfunction(formula.kernel) else formula.__wrapped__).parameters.items():
        bounds = formula.bounds.get(name)
        if bounds is None:
            values[name] = 1 if parameter.default is inspect.Parameter.empty else parameter.default
        elif math.isfinite(bounds.low) and math.isfinite(bounds.high):
            values[name] = bounds.low + share * (bounds.high - bounds.low)
        else:
            values[name] = (bounds.low if math.isfinite(bounds.low) else 0.0) + 1.0 + share
    return values


def face_values(formula: Checked[Any], values: dict[str, Any]) -> dict[str, Any]:
    return {name: quantity(value, formula.bounds[name].unit) if name in formula.bounds else value for name, value in values.items()}


def test_the_package_has_checked_formulas() -> None:
    assert {"camcalc.cam.events.overlap_of", "camcalc.engine.valve_flow.orifice_flow", "camcalc.engine.geometry.piston_drop"} <= set(FORMULAS)


@each_formula
@pytest.mark.parametrize("share", [0.3, 0.5, 0.7])
def test_face_equals_kernel(formula: Checked[Any], share: float) -> None:
    values = values_for(formula, share)
    face = formula(**face_values(formula, values))
    kernel = formula.kernel(**values)
    assert np.all(np.isfinite(kernel))
    assert np.array_equal(face.magnitude, kernel)
    assert face.units == parse(f"1 {formula.returns}").units


@each_formula
def test_a_formula_takes_text_as_it_takes_quantities(formula: Checked[Any]) -> None:
    values = values_for(formula, 0.5)
    text = {name: f"{value!r} {formula.bounds[name].unit}" if name in formula.bounds else value for name, value in values.items()}
    assert np.array_equal(formula(**text).magnitude, formula.kernel(**values))


@each_formula
def test_a_formula_refuses_a_bare_number_for_every_parameter_with_a_unit(formula: Checked[Any]) -> None:
    good = face_values(formula, values_for(formula, 0.5))
    for name, bounds in formula.bounds.items():
        if bounds.unit:
            with pytest.raises(InputError, match="bare number"):
                formula(**good | {name: 1.0})


@each_formula
def test_a_formula_refuses_every_parameter_outside_its_range(formula: Checked[Any]) -> None:
    good = face_values(formula, values_for(formula, 0.5))
    for name, bounds in formula.bounds.items():
        for edge, away in ((bounds.low, -1.0), (bounds.high, 1.0)):
            if math.isfinite(edge):
                with pytest.raises(InputError, match=name):
                    formula(**good | {name: quantity(edge + away * max(abs(edge), 1.0) * 1e-6, bounds.unit)})


@each_formula
def test_a_formula_refuses_an_unknown_keyword_and_names_the_nearest(formula: Checked[Any]) -> None:
    good = face_values(formula, values_for(formula, 0.5))
    for name in good:
        others = {k: v for k, v in good.items() if k != name}
        with pytest.raises(InputError) as error:
            formula(**others, **{name + "x": good[name]})
        assert f'"{name}"' in error.value.fix


@each_formula
def test_a_formula_takes_two_at_most_by_position_and_none_that_is_keyword_only(formula: Checked[Any]) -> None:
    good = face_values(formula, values_for(formula, 0.5))
    by_position = [p for p in inspect.signature(formula).parameters.values() if p.kind is inspect.Parameter.POSITIONAL_OR_KEYWORD]
    most = min(2, len(by_position))
    names = list(good)
    assert np.array_equal(formula(*(good[n] for n in names[:most]), **{n: good[n] for n in names[most:]}).magnitude, formula(**good).magnitude)
    one_more = [good[n] for n in names[: most + 1]] if len(names) > most else [*good.values(), good[names[0]]]
    with pytest.raises((TypeError, InputError)):
        formula(*one_more, **{n: good[n] for n in names[most + 1 :]})


def test_a_parameter_given_twice_is_refused() -> None:
    @checked("Pa", force="N", area=("m**2", 1e-9, 10.0))
    def pressure_of(force: float, area: float) -> float:
        return force / area

    with pytest.raises((TypeError, InputError)):
        pressure_of("10 N", "1 mm**2", area="2 mm**2")


def test_a_keyword_only_parameter_is_refused_by_position() -> None:
    @checked("N", pressure="Pa", area=("m**2", 1e-9, 10.0))
    def force_of(pressure: float, *, area: float) -> float:
        return pressure * area

    assert force_of("10 Pa", area="1 m**2").magnitude == 10.0
    with pytest.raises((TypeError, InputError)):
        force_of("10 Pa", "1 m**2")


def test_a_missing_parameter_is_refused() -> None:
    @checked("N", pressure="Pa", area=("m**2", 1e-9, 10.0))
    def force_of(pressure: float, area: float) -> float:
        return pressure * area

    with pytest.raises((TypeError, InputError), match="area"):
        force_of("10 Pa")


def test_a_range_for_a_parameter_that_is_not_there_is_refused_when_the_formula_is_made() -> None:
    with pytest.raises(TypeError, match="no parameter"):

        @checked("N", presure="Pa")
        def force_of(pressure: float) -> float:
            return pressure


def test_the_units_that_would_fit_are_of_the_trade() -> None:
    # Crank speed is counted in revolutions per second inside, by a name that nobody types.
    assert fitting_units(2400.0, Bounds("crank_rps", 5.0, 100.0, "rpm")) == ["rpm"]
    assert "crank_rps" not in fitting_units(20.0, Bounds("crank_rps", 5.0, 100.0, "rpm"))
    assert fitting_units(0.04, Bounds("m", 0.03, 0.05, "mm")) == ["m"]
