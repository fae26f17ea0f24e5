"""Reading a build sheet: every figure unit-checked, every problem told with file, key, what came and the fix."""

from __future__ import annotations

import dataclasses
import itertools
import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Any, TypeVar, cast

from ..errors import InputError, InputErrors, did_you_mean
from ..results import Measure
from ..units import quantity, to_si
from .card_reading import read_card
from .sections import OUT_OF_SCOPE, Engine, Fuel, Idle, Injector, Limits, Section, Site, Vehicle
from .sheet import Assumption, Build

__all__ = ["load_build", "read_build", "read_toml"]

S = TypeVar("S", bound=Section)

SECTIONS: dict[str, type[Section]] = {"engine": Engine, "idle": Idle, "fuel": Fuel, "injector": Injector, "vehicle": Vehicle, "site": Site, "limits": Limits}
TOP_KEYS = (*SECTIONS, "cam", "replaced_cam", "build", "spark")
LONGEST_FILE = 1_000_000


class Problems:
    """Collects what is wrong with a file, so that all of it can be told at once."""

    def __init__(self) -> None:
        self.found: list[InputError] = []

    def add(self, error: InputError) -> None:
        """Keep one problem."""
        self.found.append(error)

    def raise_any(self, file: str) -> None:
        """Raise what was found, if anything was."""
        if len(self.found) == 1:
            raise self.found[0].in_file(file)
        if self.found:
            raise InputErrors([p.in_file(file) for p in self.found])


def load_build(path: str | Path) -> Build:
    """Read and check a build sheet.

    Parameters
    ----------
    path : str or Path
        A TOML file.

    Returns
    -------
    Build
        With every default that was taken listed in ``assumed``.

    Raises
    ------
    InputError, InputErrors
        With file, key, what came, what was expected, and how to mend it.

    Examples
    --------
    >>> build = load_build("examples/quarry-road/build.toml")
    >>> build.engine.cylinders
    8
    """
    path = Path(path)
    return read_build(read_toml(path), path=path)


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file, or raise with line and reason."""
    try:
        if path.stat().st_size > LONGEST_FILE:
            raise InputError("the file", came=f"{path.stat().st_size} bytes", expected="a build sheet of a few kilobytes", file=str(path))
        text = path.read_text(encoding="utf-8-sig")
    except (FileNotFoundError, NotADirectoryError):
        raise InputError(
            "the file", came="no such file", expected="a build sheet in TOML", fix="check the path; examples/ holds three to start from", file=str(path)
        ) from None
    except UnicodeDecodeError:
        raise InputError(
            "the file", came="bytes that are not UTF-8 text", expected="a build sheet in TOML", fix="save it as UTF-8 text", file=str(path)
        ) from None
    except OSError as error:
        raise InputError("the file", came=str(error.strerror), expected="a readable build sheet in TOML", file=str(path)) from None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            "TOML syntax",
            came=str(error),
            expected='key = "value" lines under [section] headings',
            fix="mend that line; quantities stand in quotes",
            file=str(path),
        ) from None
    except ValueError as error:  # a whole number of thousands of digits
        raise InputError("TOML syntax", came=str(error), expected="numbers of a build sheet", file=str(path)) from None
    except RecursionError:
        raise InputError("TOML syntax", came="nesting without end", expected="a build sheet", file=str(path)) from None


def read_build(data: Mapping[str, Any], *, path: Path | None = None) -> Build:
    """Check a build sheet that is already a mapping, as ``load_build`` does with a file."""
    file = str(path) if path else ""
    problems = Problems()
    assumed: list[Assumption] = []
    _check_names("", data, TOP_KEYS, problems)
    sections: dict[str, Section | None] = {}
    for name, kind in SECTIONS.items():
        table = data.get(name)
        if name == "injector" and table is None:
            sections[name] = None
            continue
        sections[name] = read_section(name, kind, _as_table(name, table, problems), problems, assumed)
    head = _as_table("build", data.get("build"), problems)
    _check_names("build", head, ("name", "label"), problems)
    for key in ("name", "label"):
        if not isinstance(head.get(key, ""), str):
            problems.add(InputError(f"[build] {key}", came=repr(head[key]), expected="text", fix="write it in quotes"))
    cams = {name: read_card(name, _as_table(name, data[name], problems), problems, assumed, path) if name in data else None for name in ("cam", "replaced_cam")}
    if "cam" not in data:
        problems.add(InputError("[cam]", came="nothing", expected="the cam card", fix="add a [cam] section with [cam.intake] and [cam.exhaust]"))
    spark_table = _spark_table(_as_table("spark", data.get("spark"), problems), path, problems)
    if not problems.found:
        _check_together(sections, problems)
    problems.raise_any(file)
    notes = tuple(note for cam in cams.values() if cam for note in cam.notes)
    return Build(
        name=str(head.get("name", path.parent.name if path else "build")),
        label=str(head.get("label", "")),
        assumed=tuple(assumed),
        notes=notes,
        spark_table=spark_table,
        card_text={name: dict(data[name]) for name in cams if name in data},
        path=path,
        **cast("Any", cams),
        **cast("Any", sections),
    )


def read_section(name: str, kind: type[S], table: Mapping[str, Any], problems: Problems, assumed: list[Assumption]) -> S | None:
    """Read one section by its declarations; ``None`` if something in it is wrong."""
    measures = kind.measures()
    fields = {f.name: f for f in dataclasses.fields(kind) if f.name != "given"}
    before = len(problems.found)
    _check_names(name, table, fields, problems)
    draft = SimpleNamespace()
    values: dict[str, Any] = {}
    for key, field in fields.items():
        where = f"[{name}] {key}"
        declared = measures.get(key)
        try:
            if key in table:
                value = to_si(table[key], where, declared.bounds) if declared else _read_plain(table[key], where, field.metadata)
            else:
                value = _default(name, key, declared, field.metadata, draft, assumed)
        except InputError as error:
            problems.add(error)
            continue
        except AttributeError:
            continue  # a default that rests on a figure already reported
        values[key] = value
        setattr(draft, key, value)
    if len(problems.found) > before or len(values) < len(fields):
        return None
    return kind(**values, given={k: v for k, v in table.items() if k in fields})


def _default(section: str, key: str, declared: Measure | None, metadata: Mapping[str, Any], draft: SimpleNamespace, assumed: list[Assumption]) -> Any:
    default, why = (declared.default, declared.why) if declared else (metadata["default"], metadata["why"])
    if default is None:
        doc = (declared.doc if declared else metadata["doc"]) or key.replace("_", " ")
        example = f'"... {declared.show}"' if declared else "..."
        raise InputError(f"[{section}] {key}", came="nothing", expected=doc, fix=f"add {key} = {example} to [{section}]")
    if declared is None:
        value = default(draft) if callable(default) else default
        shown = ", ".join(map(str, value)) if isinstance(value, tuple) else str(value)
        assumed.append(Assumption(f"[{section}] {key}", shown, why))
        return value
    if default == "nan":
        return math.nan
    value = float(default(draft)) if callable(default) else float(to_si(default, key, declared.bounds))
    assumed.append(Assumption(f"[{section}] {key}", f"{quantity(value, declared.unit, declared.show).magnitude:.4g} {declared.show}".strip(), why))
    return value


def _read_plain(value: Any, where: str, metadata: Mapping[str, Any]) -> Any:
    kind, low, high, choices = metadata["kind"], metadata["low"], metadata["high"], metadata["choices"]
    if kind is tuple:
        if not isinstance(value, list) or not value or not all(isinstance(v, int) and not isinstance(v, bool) and low <= v <= high for v in value):
            raise InputError(where, came=repr(value), expected=f"a list of whole numbers from {low:g} to {high:g}", fix="write it like [3, 4, 5]")
        return tuple(sorted(set(value)))
    if kind is list:
        if not isinstance(value, list) or not value or not all(isinstance(v, int | float) and not isinstance(v, bool) for v in value):
            raise InputError(where, came=repr(value), expected="a list of plain ratios", fix="write it like [3.00, 2.24, 1.67, 1.24]")
        for v in value:
            if not low <= v <= high:
                raise InputError(where, came=f"{v}", expected=f"ratios from {low:g} to {high:g}")
        return tuple(float(v) for v in value)
    if kind is str:
        if value not in choices if isinstance(value, str) else True:
            raise InputError(where, came=repr(value), expected=" or ".join(f'"{c}"' for c in choices), fix=did_you_mean(str(value), choices))
        return value
    if isinstance(value, bool) or not isinstance(value, int | float) or (kind is int and not isinstance(value, int)):
        noun = "a whole number" if kind is int else "a plain number"
        raise InputError(where, came=repr(value), expected=f"{noun} from {low:g} to {high:g}", fix="write it without quotes or unit")
    if not low <= value <= high:
        raise InputError(where, came=f"{value}", expected=f"{low:g} to {high:g}", fix="check the figure")
    return kind(value)


def _check_names(section: str, table: Mapping[str, Any], known: Any, problems: Problems) -> None:
    for key in table:
        if key in known:
            continue
        where = f"[{section}] {key}" if section else f"[{key}]"
        if key.lower() in OUT_OF_SCOPE:
            problems.add(InputError(where, came=str(key), expected="something in scope", fix=OUT_OF_SCOPE[key.lower()]))
        else:
            problems.add(InputError(where, came="an unknown key", fix=did_you_mean(str(key), list(known))))


def _as_table(name: str, value: Any, problems: Problems) -> Mapping[str, Any]:
    if value is None:
        return {}
    if not isinstance(value, Mapping):
        problems.add(InputError(f"[{name}]", came=repr(value), expected=f"a section [{name}] with keys under it"))
        return {}
    return value


def _spark_table(table: Mapping[str, Any], path: Path | None, problems: Problems) -> Path | None:
    _check_names("spark", table, ("table",), problems)
    if "table" not in table:
        return None
    if not isinstance(table["table"], str):
        problems.add(InputError("[spark] table", came=repr(table["table"]), expected="the path of a CSV file"))
        return None
    return (path.parent if path else Path()) / table["table"]


def _check_together(sections: Mapping[str, Any], problems: Problems) -> None:
    """Check figures against each other across keys."""
    engine, vehicle, fuel, injector, site = (sections[k] for k in ("engine", "vehicle", "fuel", "injector", "site"))
    if engine.si.rod_length < 0.6 * engine.si.stroke + 0.25 * engine.si.stroke:
        problems.add(
            InputError(
                "[engine] rod_length",
                came=f"{engine.si.rod_length * 1e3:.1f} mm with a stroke of {engine.si.stroke * 1e3:.1f} mm",
                expected="a rod at least 0.85 of the stroke",
                fix="check both figures and their units",
            )
        )
    for kind, count in (("intake", engine.intake_valves), ("exhaust", engine.exhaust_valves)):
        head = getattr(engine.si, f"{kind}_valve_diameter")
        if count * head**2 > 0.5 * engine.si.bore**2:
            problems.add(
                InputError(
                    f"[engine] {kind}_valve_diameter",
                    came=f"{count} of {head * 1e3:.1f} mm in a bore of {engine.si.bore * 1e3:.1f} mm",
                    expected="valves that fit the bore",
                )
            )
        if getattr(engine.si, f"{kind}_port_diameter") >= head or getattr(engine.si, f"{kind}_stem_diameter") >= 0.5 * head:
            problems.add(
                InputError(
                    f"[engine] {kind}_port_diameter",
                    came=f"port or stem too large for a head of {head * 1e3:.1f} mm",
                    expected="port smaller than the head, stem under half of it",
                )
            )
    ratios = vehicle.gear_ratios
    strangers = [g for g in vehicle.smooth_gears if g > len(ratios)]
    if strangers:
        problems.add(
            InputError(
                "[vehicle] smooth_gears",
                came=str(list(vehicle.smooth_gears)),
                expected=f"gears counted from 1 to {len(ratios)}",
                fix="count gears from 1, first gear first",
            )
        )
    if any(a <= b for a, b in itertools.pairwise(ratios)):
        problems.add(InputError("[vehicle] gear_ratios", came=str(list(ratios)), expected="ratios that fall from first gear to top"))
    coast = [vehicle.si.coast_down_a, vehicle.si.coast_down_b, vehicle.si.coast_down_c]
    if 0 < sum(math.isnan(c) for c in coast) < 3:
        problems.add(InputError("[vehicle] coast_down_a, _b, _c", came="some of the three", expected="all three or none"))
    if vehicle.transmission == "converter" and math.isnan(vehicle.si.converter_stall_speed + vehicle.si.converter_stall_torque):
        problems.add(
            InputError(
                "[vehicle] converter_stall_speed",
                came="a converter without its stall figures",
                expected="converter_stall_speed and the engine torque at it, converter_stall_torque",
            )
        )
    if fuel.system == "sequential port" and injector is None:
        problems.add(InputError("[injector]", came="nothing", expected="the injector of a sequential port system", fix='add [injector] flow = "... g/s"'))
    if "altitude" in site.given and "barometer" in site.given:
        problems.add(
            InputError(
                "[site]",
                came="altitude and barometer",
                expected="one of the two",
                fix="keep the barometer if you read it there (absolute, not reduced to sea level)",
            )
        )
