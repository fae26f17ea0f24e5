"""Units at the edge: the only module that knows pint.

Inside camcalc every number is a plain float (or array) in one fixed unit per dimension: SI, with crank angle in crank
degrees and crank speed in crank revolutions per second. Faces take quantities or quantity strings and give quantities.
"""

from __future__ import annotations

import functools
import inspect
import math
import re
from collections.abc import Callable, Mapping
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import TYPE_CHECKING, Any, Generic, NamedTuple, TypeAlias, TypeVar, cast

from .errors import InputError, did_you_mean

if TYPE_CHECKING:
    import pint
    from pint import UnitRegistry

    Quantity: TypeAlias = pint.Quantity[Any]

__all__ = [
    "Bounds", "Checked", "Quantity", "back_from", "checked", "factor", "fitting_units", "format_quantity", "half_last_digit", "parse", "quantity", "range_text",
    "registry", "to_si", "without_comma",
]  # fmt: skip

R = TypeVar("R")


def __getattr__(name: str) -> Any:
    if name == "Quantity":
        return registry().Quantity
    raise AttributeError(name)


@functools.cache
def registry() -> UnitRegistry[Any]:
    """Return camcalc's unit registry, built at the first call."""
    import pint

    made: UnitRegistry[Any] = pint.UnitRegistry(str(Path(__file__).with_name("units.txt")), cache_folder=None)
    made.formatter.default_format = "~"
    return made


class Bounds(NamedTuple):
    """The unit a number is kept in, the range it must lie in (in that unit), the unit it is shown in, and whether 0 counts too.

    A share or a clearance may be absent, which is 0, and yet a hundredth of its least sensible value is a slip of the unit.
    """

    unit: str
    low: float = -math.inf
    high: float = math.inf
    show: str = ""
    or_zero: bool = False

    def holds(self, number: float) -> bool:
        """Whether a number in the inner unit lies in the range.

        >>> [Bounds("m", 1e-5, 1e-3, "mm", True).holds(v) for v in (0.0, 1e-6, 1e-4)]
        [True, False, True]
        """
        return self.low <= number <= self.high or (self.or_zero and number == 0.0)


# Spellings people write, on the left, as the definition file knows them.
_SPELLINGS = {
    "%": "percent", '"': "inch", "inches": "inch", "mils": "thou", "crank degrees": "crank_deg", "cam degrees": "cam_deg",
    "crank deg": "crank_deg", "cam deg": "cam_deg", "crank_degrees": "crank_deg", "cam_degrees": "cam_deg", "km/h": "kph",
    "kmh": "kph", "RPM": "rpm", "rev/min": "rpm", "1/min": "rpm", "°C": "degC", "C": "degC", "°F": "degF", "F": "degF",
    "ft-lb": "ft*lbf", "ft lb": "ft*lbf", "lb-ft": "ft*lbf", "lb ft": "ft*lbf", "ft*lb": "ft*lbf", "lbf ft": "ft*lbf", "ft lbf": "ft*lbf",
    "Nm": "N*m", "N m": "N*m", "N-m": "N*m", "lbs": "lb", "lb/hr": "lb/h", "lb/hour": "lb/h", "cc/min": "cc/min", "cu in": "cid", "in3": "cid",
    "ci": "cid", "cm3": "cc", "cm3/min": "cc/min", "lbs/hr": "lb/h", "lbs/h": "lb/h", "kg/m3": "kg/m**3", "kg/m^3": "kg/m**3",
    "mbar": "hPa", "degrees": "deg", "°": "deg", "feet": "ft", "pounds": "lb", "litres": "L", "liters": "L",
    "ml/min": "cc/min", "mL/min": "cc/min",
    "Nm s/rad": "N*m*s/rad", "kg m2": "kg*m**2", "kg m^2": "kg*m**2", "kg*m2": "kg*m**2", "m2": "m**2", "mm2": "mm**2", "V": "volt",
}  # fmt: skip
_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*(.*?)\s*$", re.DOTALL)
_UNIT_TEXT = re.compile(r"[A-Za-z_0-9*/^ ().-]{1,60}$")
# A power is a short plain number and never itself raised: a tower of powers would be computed, digit by digit, without end.
_TOWER = re.compile(r"(\*\*|\^)(?!\s*-?\d(\.\d)?\s*(?![\d.]|\*\*|\^))")
# What the trade writes, by the inner unit: a hint offers every one of these that fits, so that it leaves the choice where there is one.
_TRADE_UNITS = {
    "m": ("mm", "inch"), "m**2": ("mm**2", "m**2"), "m**3": ("cc", "L", "cid"), "Pa": ("kPa", "bar", "psi", "inHg"), "K": ("degC", "degF"),
    "kg/s": ("g/s", "lb/h"), "kg": ("kg", "lb"), "N*m": ("N*m", "ft*lbf"), "W": ("kW", "hp"), "m/s": ("m/s", "km/h", "mph"),
    "crank_deg": ("crank_deg", "cam_deg"),
}  # fmt: skip
_FAR = ("m", "ft")
_UNITS_NAMED = (
    "mm", "inch", "thou", "cm", "m", "ft", "crank_deg", "cam_deg", "kPa", "bar", "psi", "inHg", "Pa", "g", "kg", "lb", "mg", "L", "cc", "cid",
    "degC", "degF", "K",
    "rpm", "g/s", "lb/h", "kg/s", "ms", "s", "km/h", "mph", "m/s", "N*m", "ft*lbf", "W", "kW", "hp",
)  # fmt: skip


@functools.lru_cache(maxsize=4096)
def _unit(text: str) -> Any:
    """Return pint's unit for a spelling, or raise ``ValueError`` with the reason."""
    text = _SPELLINGS.get(text, text)
    if not text:
        return registry().parse_units("")
    if not _UNIT_TEXT.match(text) or _TOWER.search(text):
        raise ValueError(f'"{text}" is not a unit')
    try:
        unit = registry().parse_units(text.replace("^", "**"))
        registry().Quantity(1.0, unit).to_base_units()
    except Exception as error:
        raise ValueError(f'the unit "{text}" is not known') from error
    return unit


@functools.lru_cache(maxsize=4096)
def _linear(unit: Any, target: str) -> tuple[float, float] | None:
    """Return scale and offset from a unit to the target's, or None when the dimensions differ."""
    goal = _unit(target)
    unit = unit if hasattr(unit, "dimensionality") else registry().Unit(unit)
    if unit.dimensionality != goal.dimensionality:
        return None
    quantity_of = registry().Quantity
    zero = float(quantity_of(0.0, unit).to(goal).magnitude)
    if zero == 0.0:
        return float(quantity_of(1.0, unit).to(goal).magnitude), 0.0
    return (float(quantity_of(1000.0, unit).to(goal).magnitude) - zero) / 1000.0, zero


def factor(unit: str, target: str) -> float:
    """Return how many ``target`` one ``unit`` is, for units without an offset.

    >>> round(factor("inHg", "kPa"), 6)
    3.386389
    """
    line = _linear(_unit(unit), target)
    if line is None or line[1] != 0.0:
        raise ValueError(f"{unit} does not scale to {target}")
    return line[0]


def quantity(value: Any, unit: str, show: str | None = None) -> Quantity:
    """Make a quantity from a float or array in ``unit``, shown in ``show``."""
    if show is None or show == unit:
        return registry().Quantity(value, _unit(unit))
    scale, offset = cast("tuple[float, float]", _linear(_unit(unit), show))
    return registry().Quantity(value * scale + offset, _unit(show))


def back_from(shown: Any, unit: str, show: str) -> Any:
    """Return a shown float or array in ``unit``, near what ``quantity`` showed: it may miss by a last digit.

    >>> round(back_from(20.0, "K", "degC"), 9)
    293.15
    """
    scale, offset = cast("tuple[float, float]", _linear(_unit(unit), show))
    return (shown - offset) / scale


def parse(text: str, key: str = "quantity") -> Quantity:
    """Read a quantity such as ``"0.050 in"``, ``"292 crank_deg"`` or ``"-3.5 degC"``.

    Parameters
    ----------
    text : str
        A number, a decimal point, and a unit.
    key : str
        What to call it in an error.

    Raises
    ------
    InputError
        If it is no number with a known unit.

    Examples
    --------
    >>> parse("4.00 inch").to("mm").magnitude
    101.6
    """
    match = _NUMBER.match(text)
    if not match:
        fix = 'put your figure in place of the "?"' if "?" in text else 'write it like "4.00 inch"'
        raise InputError(key, came=f'"{text}"', expected="a number and a unit", fix=fix)
    if "," in text:
        raise InputError(key, came=f'"{text}"', expected="a decimal point", fix="write " + " or ".join(f'"{t}"' for t in without_comma(text)))
    try:
        unit = _unit(match[2])
    except ValueError as error:
        raise InputError(key, came=f'"{text}"', expected="a unit camcalc knows", fix=f"{error}; {did_you_mean(match[2], _UNITS_NAMED)}") from None
    value = float(match[1])
    if not math.isfinite(value):
        raise InputError(key, came=f'"{text}"', expected="a finite number")
    return registry().Quantity(value, unit)


def without_comma(text: str) -> list[str]:
    """Return what a figure with commas may mean: a decimal point, or thousands where three digits follow each.

    >>> without_comma("10,7 mm"), without_comma("1,200 rpm")
    (['10.7 mm'], ['1200 rpm', '1.200 rpm'])
    """
    thousands = re.match(r"\s*[+-]?[1-9]\d{0,2}(,\d{3})+(?![\d,])", text)
    return ([text.replace(",", "")] if thousands else []) + ([text.replace(",", ".")] if text.count(",") == 1 else [])


def half_last_digit(text: str) -> float:
    """Return half of the last printed digit of a number, in its own unit: how far rounding may have moved it.

    >>> half_last_digit("0.050 inch")
    0.0005
    """
    match = _NUMBER.match(text)
    try:
        exponent = Decimal(match[1]).as_tuple().exponent if match else 0
    except InvalidOperation:
        exponent = 0
    return float(0.5 * 10.0 ** min(int(exponent), 300))


def to_si(value: object, key: str, bounds: Bounds) -> Any:
    """Turn a quantity or quantity string into a float (or array) in the unit of ``bounds``, range checked.

    Parameters
    ----------
    value : Quantity or str
        What the user gave. A bare number is refused, unless the unit is dimensionless.
    key : str
        What to call it in an error.
    bounds : Bounds
        Unit kept inside, and the range allowed.

    Returns
    -------
    float or ndarray

    Raises
    ------
    InputError
        On a bare number, a wrong dimension, or a value outside the range.

    Examples
    --------
    >>> round(to_si("0.050 inch", "height", Bounds("m", 0.0, 0.02)), 6)
    0.00127
    """
    given: Any = parse(value, key) if isinstance(value, str) else value
    if isinstance(given, int) and abs(given) > 10**300:
        given = math.inf  # TOML has no largest whole number, floats have
    try:
        line = _linear(given._units, bounds.unit) if hasattr(given, "_units") else _bare(given, bounds)
    except (TypeError, AttributeError):  # not to be hashed, or of another registry and unknown here
        line = None
    if line is None:
        raise _wrong_dimension(value, key, bounds)
    magnitude = getattr(given, "_magnitude", given)
    number = magnitude * line[0] + line[1]
    array = hasattr(number, "all") and not isinstance(number, float)
    inside = bool(((number >= bounds.low) & (number <= bounds.high)).all()) if array else bounds.holds(number)
    if not inside:
        raise _out_of_range(value, key, bounds)
    return number


def _bare(value: object, bounds: Bounds) -> tuple[float, float] | None:
    if _unit(bounds.unit).dimensionless and isinstance(value, int | float) and not isinstance(value, bool):
        return 1.0, 0.0
    if hasattr(value, "dtype") and _unit(bounds.unit).dimensionless:
        return 1.0, 0.0
    return None


def _wrong_dimension(value: object, key: str, bounds: Bounds) -> InputError:
    bare = (isinstance(value, int | float) and not isinstance(value, bool)) or (isinstance(value, str) and _is_number(value))
    came = f"{value} (a bare number)" if bare else (f'"{value}"' if isinstance(value, str) else str(value))
    shown = _shown(bounds)
    expected = f"{_kind(bounds.unit)}, e.g. in {shown}" if shown and f"({shown})" not in _kind(bounds.unit) else _kind(bounds.unit)
    if bare:
        fix = "write the unit: " + " or ".join(f'"{value} {unit}"' for unit in fitting_units(_as_float(value), bounds) or [shown])
    elif "crank" in bounds.unit and re.search(r"deg(rees?)?\s*$|°\s*$|rad\w*\s*$", str(value)):
        number = _NUMBER.match(str(value))
        fix = f'a plain degree is a plane angle; at the crank write "{number[1] if number else "..."} crank_deg", at the cam "cam_deg"'
    else:
        fix = f"give it as {_kind(bounds.unit)}"
    return InputError(key, came=came, expected=expected, fix=fix)


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


def _as_float(value: Any) -> float:
    try:
        return float(value)
    except OverflowError:
        return math.inf


def _out_of_range(value: object, key: str, bounds: Bounds) -> InputError:
    match = _NUMBER.match(str(value))
    if match is None:
        return InputError(key, came=str(value), expected=range_text(bounds), fix="check the figure and its unit")
    number, own = _short(match[1]), match[2]
    fits = [unit for unit in fitting_units(float(match[1]), bounds) if unit != own]
    meant = " or ".join(f'"{number} {unit}"' for unit in fits)
    fix = f"did you mean {meant}?" if fits else "check the figure and its unit"
    return InputError(key, came=f"{number} {own}".strip(), expected=range_text(bounds), fix=fix)


def _short(number: str) -> str:
    """Return a figure as typed, or to four digits where a computer wrote more than anybody types."""
    if sum(c.isdigit() for c in re.split("[eE]", number)[0]) <= 8:
        return number
    return f"{Decimal(f'{float(number):.4g}'):f}"


def range_text(bounds: Bounds) -> str:
    """Write a range in the unit shown.

    >>> range_text(Bounds("m", 0.045, 0.14)), range_text(Bounds("W", 200.0, 2e4, "kW", True))
    ('45 to 140 mm', '0, or 0.2 to 20 kW')
    """
    show = _shown(bounds)
    line = _linear(_unit(bounds.unit), show) or (1.0, 0.0)
    low, high = (f"{Decimal(f'{v * line[0] + line[1]:.4g}'):f}" if math.isfinite(v) else "" for v in (bounds.low, bounds.high))
    unit = "" if show in ("", "dimensionless") else f" {show}"
    if math.isinf(bounds.high):
        return f"at least {low}{unit}"
    if math.isinf(bounds.low):
        return f"at most {high}{unit}"
    return f"{'0, or ' if bounds.or_zero else ''}{low} to {high}{unit}"


# How the fixed inner units are shown in messages.
_SHOWN = {"m": "mm", "m**2": "mm**2", "m**3": "L", "Pa": "kPa", "K": "degC", "crank_rps": "rpm", "kg/s": "g/s", "s": "ms"}
_KINDS = {
    "m": "a length", "m**2": "an area", "m**3": "a volume", "Pa": "a pressure", "K": "a temperature", "crank_deg": "a crank or cam angle",
    "crank_rps": "a crank speed (rpm)",
    "kg/s": "a mass flow", "kg": "a mass", "s": "a time", "N*m": "a torque", "W": "a power", "m/s": "a speed", "deg": "a plane angle",
    "": "a plain ratio", "volt": "a voltage", "RON": "an octane number", "kg/m**3": "a density",
}  # fmt: skip


def _shown(bounds: Bounds) -> str:
    return bounds.show or _SHOWN.get(bounds.unit, bounds.unit)


def _kind(unit: str) -> str:
    return _KINDS.get(unit, f"a quantity in {unit}")


def fitting_units(value: float, bounds: Bounds) -> list[str]:
    """Return every unit of the trade that puts a number into a range; never one guess where two would do.

    >>> fitting_units(5000.0, Bounds("m", -500.0, 6000.0, "m")), fitting_units(4.0, Bounds("m", 0.045, 0.14))
    (['m', 'ft'], ['inch'])
    """
    show = _shown(bounds)
    trade = _FAR if show in _FAR else _TRADE_UNITS.get(bounds.unit, ())
    tried = dict.fromkeys((show, *trade, *(() if bounds.unit == "crank_rps" else (bounds.unit,))))
    lines = {unit: line for unit in tried if (line := _linear(_unit(unit), bounds.unit))}
    return [unit for unit, (scale, offset) in lines.items() if bounds.low <= value * scale + offset <= bounds.high]


def format_quantity(value: Quantity, digits: int = 4) -> str:
    """Write a quantity with so many significant digits, e.g. ``"16.2 inHg"``."""
    magnitude = value.magnitude
    text = f"{magnitude:.{digits}g}" if not hasattr(magnitude, "shape") or magnitude.shape == () else f"{magnitude}"
    unit = f"{value.units:~C}"
    return f"{text} {unit}".strip()


class Checked(Generic[R]):
    """A formula with a unit-checked face; ``.kernel`` is the same formula on floats.

    Quantities and quantity strings go in by name or (two at most) by position; a quantity in the stated unit comes out.
    """

    def __init__(self, kernel: Callable[..., R], returns: str, bounds: Mapping[str, Bounds]) -> None:
        self.kernel = kernel
        self.returns = returns
        self.bounds = dict(bounds)
        self.__wrapped__ = getattr(kernel, "py_func", kernel)
        functools.update_wrapper(self, self.__wrapped__)
        self.__signature__ = inspect.signature(self.__wrapped__)
        self._names = tuple(self.__signature__.parameters)
        missing = set(bounds) - set(self._names)
        if missing:
            raise TypeError(f"{self.__name__} has no parameter {sorted(missing)}")
        kinds = self.__signature__.parameters.values()
        self._positional = tuple(p.name for p in kinds if p.kind is p.POSITIONAL_OR_KEYWORD)[:2]
        self._unit: Any = None
        self._make: Any = None

    def __call__(self, *args: object, **kwargs: object) -> Quantity:
        names, bounds = self._names, self.bounds
        given: dict[str, Any] = {}
        if len(args) > len(self._positional) or (args and not kwargs.keys().isdisjoint(self._positional[: len(args)])):
            raise TypeError(f"{self.__name__}() takes {len(self._positional)} by position ({', '.join(self._positional)}), each once, the others by name")
        for name, value in zip(names, args, strict=False):
            limit = bounds.get(name)
            given[name] = to_si(value, name, limit) if limit is not None else value
        for name, value in kwargs.items():
            limit = bounds.get(name)
            if limit is None and name not in names:
                raise InputError(f"{self.__name__}({name}=...)", came=name, expected="a parameter of this function", fix=did_you_mean(name, names))
            given[name] = to_si(value, name, limit) if limit is not None else value
        if self._make is None:
            self._make, self._unit = registry().Quantity, _unit(self.returns)
        return cast("Quantity", self._make(self.kernel(**given), self._unit))

    __name__: str


def checked(returns: str, /, **parameters: str | tuple[str, float, float]) -> Callable[[Callable[..., R]], Checked[R]]:
    """Give a float kernel a unit-checked face.

    Parameters
    ----------
    returns : str
        Unit of what the kernel returns.
    **parameters : str or (str, float, float)
        Unit of each parameter, with its allowed range where it has one.

    Examples
    --------
    >>> @checked("Pa", force="N", area=("m**2", 1e-9, 10.0))
    ... def pressure_of(force, area):
    ...     return force / area
    >>> pressure_of("10 N", area="1 mm**2").to("kPa").magnitude
    10000.0
    >>> pressure_of.kernel(10.0, 1e-6)
    10000000.0
    """
    bounds = {name: Bounds(spec) if isinstance(spec, str) else Bounds(*spec) for name, spec in parameters.items()}

    def dress(kernel: Callable[..., R]) -> Checked[R]:
        return Checked(kernel, returns, bounds)

    return dress
