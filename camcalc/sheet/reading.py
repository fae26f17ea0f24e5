"""Reading a build sheet: every figure unit-checked, every problem shown with file, key, what came and the fix."""

from __future__ import annotations

import logging
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any, cast

from ..cam.card import CamCard
from ..errors import InputError
from ..unit_system import UnitSystem
from .card_reading import read_card
from .checks import check_together, injector_doubts
from .measured_reading import read_measured
from .section import Section
from .section_reading import NOTHING, Problems, check_names, read_section
from .sections import OPTIONAL, SECTIONS, Engine
from .sheet import Assumption, Build, CamSheet
from .toml_reading import read_toml
from .trade_words import own_name
from .typed_units import units_of
from .wanted_section import spelt_out

__all__ = ["SECTIONS", "Problems", "load_build", "load_cam", "read_build", "read_section", "read_toml"]

TOP_KEYS = (*SECTIONS, "cam", "replaced_cam", "build", "spark", "measured")
CAMS = ("cam", "replaced_cam")
# What may be meant in two ways is passed on and said aloud: on a terminal it comes out on stderr.
_LOG = logging.getLogger("camcalc")


def load_build(path: str | Path) -> Build:
    """Read and check a build sheet.

    Parameters
    ----------
    path : str or Path
        A TOML file.

    Returns
    -------
    Build
        With every default that was taken listed in ``assumed``, and what may be meant in two ways in ``doubts``.

    Raises
    ------
    InputError, InputErrors
        With file, key, what came, what was expected, and how to correct it.

    Examples
    --------
    >>> build = load_build("examples/quarry-road/build.toml")
    >>> build.engine.cylinders
    8
    """
    path = Path(path)
    build = read_build(read_toml(path), path=path)
    _say(path, build.doubts)
    return build


def load_cam(path: str | Path) -> CamSheet:
    """Read the cams of a sheet, and the engine as far as it is there: enough for valve events, without car, idle or injector.

    Parameters
    ----------
    path : str or Path
        A TOML file with ``[cam]``; ``[replaced_cam]`` and ``[engine]`` where they are known. Other sections are not read.

    Returns
    -------
    CamSheet
        Its ``engine`` is ``None`` where ``[engine]`` lacks a figure; ``missing`` then names what it lacks.

    Raises
    ------
    InputError, InputErrors
        As ``load_build``, but not for a figure that is missing from ``[engine]``.

    Examples
    --------
    >>> sheet = load_cam("examples/quarry-road/build.toml")
    >>> sheet.cam.events(at="0.050 inch").overlap.magnitude
    9.0
    """
    path = Path(path)
    data = read_toml(path)
    problems, assumed = Problems(), list[Assumption]()
    check_names("", data, TOP_KEYS, problems)
    cams = _cams(data, problems, assumed, path)
    units, taken = units_of(data, problems)
    around = around_of(None, units, solid=_solid(data))
    engine, missing = _engine_so_far(_as_table("engine", data.get("engine"), problems), around, problems, assumed)
    problems.raise_any(str(path))
    sheet = CamSheet(**cast("Any", cams), units=units, engine=engine, missing=missing, assumed=(*assumed, *taken), notes=_notes(cams))
    _say(path, sheet.doubts)
    return sheet


def read_build(data: Mapping[str, Any], *, path: Path | None = None) -> Build:
    """Check a build sheet that is already a mapping, as ``load_build`` does with a file."""
    problems, assumed = Problems(), list[Assumption]()
    check_names("", data, TOP_KEYS, problems)
    written = _written_as(data)
    units, taken = units_of(data, problems)
    sections: dict[str, Section | None] = {}
    solid = _solid(data)
    for name, kind in SECTIONS.items():
        own = written.get(name, name)
        if name in OPTIONAL and own not in data:
            sections[name] = None
            continue
        table = _as_table(own, data.get(own), problems)
        if name == "wanted":
            table = _wanted(table, problems)
        sections[name] = read_section(own, kind, table, problems, assumed, around_of(cast("Engine | None", sections.get("engine")), units, solid=solid))
    head = _as_table("build", data.get("build"), problems)
    check_names("build", head, ("name", "label", "units"), problems)
    for key in ("name", "label"):
        if not isinstance(head.get(key, ""), str):
            problems.add(InputError(f"[build] {key}", came=repr(head[key]), expected="text", fix="write it in quotes"))
    cams = _cams(data, problems, assumed, path)
    spark_table = _spark_table(_as_table("spark", data.get("spark"), problems), path, problems)
    rows = read_measured(data["measured"], problems, path) if "measured" in data else ()
    if not problems.found:
        check_together(sections, problems)
    problems.raise_any(str(path) if path else "")
    return Build(
        name=str(head.get("name", path.parent.name if path else "build")),
        label=str(head.get("label", "")),
        units=units,
        assumed=(*assumed, *taken),
        notes=(*_notes(cams), *injector_doubts(sections)),
        spark_table=spark_table,
        measured=rows,
        card_text={name: dict(data[name]) for name in cams if name in data},
        path=path,
        **cast("Any", cams),
        **cast("Any", sections),
    )


def _written_as(data: Mapping[str, Any]) -> dict[str, str]:
    """Return the sections that are there under another name, so that what is wrong in them is shown in the same go."""
    return {own_name(str(word)): str(word) for word in data if word not in TOP_KEYS and own_name(str(word)) in TOP_KEYS and own_name(str(word)) not in data}


def _cams(data: Mapping[str, Any], problems: Problems, assumed: list[Assumption], path: Path | None) -> dict[str, CamCard | None]:
    written = {name: _written_as(data).get(name, name) for name in CAMS}
    cams = {n: read_card(w, _as_table(w, data[w], problems), problems, assumed, path) if w in data else None for n, w in written.items()}
    if written["cam"] not in data:
        problems.add(InputError("[cam]", came="nothing", expected="the cam card", fix="add a [cam] section with [cam.intake] and [cam.exhaust]"))
    return cams


def _notes(cams: Mapping[str, CamCard | None]) -> tuple[str, ...]:
    return tuple(note for cam in cams.values() if cam for note in cam.notes)


def _say(path: Path, doubts: tuple[str, ...]) -> None:
    for doubt in doubts:
        _LOG.warning("warning: %s: %s", path, doubt)


def _engine_so_far(
    table: Mapping[str, Any], around: Mapping[str, float], problems: Problems, assumed: list[Assumption]
) -> tuple[Engine | None, tuple[str, ...]]:
    """Return the engine, or nothing and what it lacks; a figure that is there is checked in either case."""
    found, listed = Problems(), list[Assumption]()
    engine = read_section("engine", Engine, table, found, listed, around)
    lacking = [p for p in found.found if p.came == NOTHING]
    for problem in found.found:
        if problem not in lacking:
            problems.add(problem)
    assumed += listed if engine is not None else []
    return engine, tuple(p.key.partition("] ")[2] for p in lacking)


def _solid(data: Mapping[str, Any]) -> bool:
    """Return whether the cam to be fitted runs on solid tappets; what is wrong with its card is shown where the card is read."""
    card = data.get("cam")
    return isinstance(card, Mapping) and card.get("tappet") == "solid"


def around_of(engine: Engine | None, units: UnitSystem, *, solid: bool) -> dict[str, float]:
    """Return what the rest of a sheet tells the defaults of a section: displacement [m3]; 1 where outputs are imperial, 1 where tappets are solid."""
    around = {"imperial": float(units is UnitSystem.IMPERIAL), "solid": float(solid)}
    if engine is None:
        return around
    si = engine.si
    return {**around, "displacement": math.pi / 4.0 * si.bore**2 * si.stroke * engine.cylinders}


def _as_table(name: str, value: Any, problems: Problems) -> Mapping[str, Any]:
    if value is None:
        return {}
    if not isinstance(value, Mapping):
        problems.add(InputError(f"[{name}]", came=repr(value), expected=f"a section [{name}] with keys under it"))
        return {}
    return value


def _wanted(table: Mapping[str, Any], problems: Problems) -> Mapping[str, Any]:
    try:
        return spelt_out(table)
    except InputError as error:
        problems.add(error)
        return {}


def _spark_table(table: Mapping[str, Any], path: Path | None, problems: Problems) -> Path | None:
    check_names("spark", table, ("table",), problems)
    if "table" not in table:
        return None
    if not isinstance(table["table"], str):
        problems.add(InputError("[spark] table", came=repr(table["table"]), expected="the path of a CSV file"))
        return None
    return (path.parent if path else Path()) / table["table"]
