"""Writing a build sheet: what the user gave comes back in their own words, changed figures in the unit they are shown in."""

from __future__ import annotations

import copy
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..cam.card import CamCard
from ..errors import InputError
from ..files import write_files
from .card_reading import read_card
from .measured_rows import MeasuredRow
from .section_reading import Problems
from .sections import SECTIONS
from .sheet import Build
from .typed_units import typed_units

__all__ = ["save_build", "write_atomically", "write_new"]


def save_build(build: Build, path: str | Path, *, overwrite: bool = False) -> Path:
    """Write a build sheet as TOML.

    Parameters
    ----------
    build : Build
        What to write. Defaults that were assumed are left out, so that they stay assumptions.
    path : str or Path
        Where to.
    overwrite : bool
        Whether a file that is there may be replaced.

    Returns
    -------
    Path

    Raises
    ------
    InputError
        If the file is there and ``overwrite`` is false. Nothing is written then.
    """
    import tomli_w

    path = Path(path)
    if path.exists() and not overwrite:
        raise _is_there(path, "give another name, or overwrite=True")
    data: dict[str, Any] = {"build": {k: v for k, v in (("name", build.name), ("label", build.label)) if v}}
    for name in ("cam", "replaced_cam"):
        card = getattr(build, name)
        if card is not None:
            data[name] = _card_as_given(build, name, path) or card_data(card)
            for kind in ("intake", "exhaust"):
                if card.lobe(kind).table is not None and "lift_table" not in data[name][kind]:
                    raise InputError(
                        f"[{name}.{kind}] lift_table",
                        came="a measured lobe of another sheet",
                        expected="a lobe whose table this sheet names",
                        fix="load the card from this sheet",
                    )
    if build.spark_table is not None:
        data["spark"] = {"table": os.path.relpath(build.spark_table, path.parent)}
    if build.measured:
        data["measured"] = [_row_as_given(row, path) for row in build.measured]
    for name in SECTIONS:
        section = getattr(build, name)
        if section is not None:
            data[name] = dict(section.given)
    # An assumption stays one, unless a changed figure, written in its inner unit, would now make it another.
    if "[build] units" not in {a.key for a in build.assumed} or typed_units(data) is not build.units:
        data["build"]["units"] = build.units.code
    return write_atomically(path, tomli_w.dumps(data))


def _card_as_given(build: Build, name: str, path: Path) -> dict[str, Any] | None:
    """Return the user's own words for a card that still says what they say; measured tables keep their path."""
    text = build.card_text.get(name)
    if text is None:
        return None
    card = getattr(build, name)
    unchanged = read_card(name, text, Problems(), [], build.path) == card
    data: dict[str, Any] = copy.deepcopy(dict(text)) if unchanged else card_data(card)
    if not unchanged:
        for key in ("tappet", "measured_at"):
            if key not in text and data[key] == {"tappet": "hydraulic", "measured_at": "tappet"}[key]:
                del data[key]
    for kind in ("intake", "exhaust"):
        table = text[kind].get("lift_table") if isinstance(text[kind], dict) else None
        if table is not None and _is_same_lobe(read_card(name, text, Problems(), [], build.path), card, kind):
            source = (build.path.parent if build.path else Path()) / table
            data[kind]["lift_table"] = os.path.relpath(source, path.parent)
    return data


def _is_same_lobe(read: CamCard | None, card: CamCard, kind: str) -> bool:
    """Whether a measured lobe is the one in the sheet's table, turned or not."""
    one, other = read.lobe(kind).table if read else None, card.lobe(kind).table
    return one is not None and other is not None and one[1] == other[1]


def _row_as_given(row: MeasuredRow, path: Path) -> dict[str, Any]:
    """Return the user's own words for a row of readings; a log keeps its place."""
    return {**row.text, "from": os.path.relpath(row.log, path.parent)} if row.log else dict(row.text)


def card_data(card: CamCard) -> dict[str, Any]:
    """Return a cam card for TOML: events at every checked height, exact, and both centrelines."""
    data: dict[str, Any] = {
        "name": card.name,
        "tappet": card.tappet,
        "measured_at": next((c.side for c in (*card.intake.checks, *card.exhaust.checks)), "tappet"),
        "intake_centreline": f"{card.intake.si.centreline!r} crank_deg",
        "exhaust_centreline": f"{card.exhaust.si.centreline!r} crank_deg",
    }
    for lobe in (card.intake, card.exhaust):
        zero = {"opens": 0.0, "closes": 180.0} if lobe.kind == "intake" else {"opens": -180.0, "closes": 0.0}
        centre = {0.0: "TDC", 180.0: "BDC", -180.0: "BDC"}
        sign = 1.0 if lobe.kind == "intake" else -1.0
        table: dict[str, Any] = {
            "valve_lift": f"{lobe.si.valve_lift!r} m",
            "rocker_ratio": lobe.rocker_ratio,
            "max_lift_at": f"{sign * lobe.si.max_lift_at!r} crank_deg",
        }
        if card.tappet == "solid":
            table["lash"] = f"{lobe.si.lash!r} m"
        for which, base in zero.items():
            table[which] = {f"{c.si.height!r} m": f"{getattr(c.si, which) - base!r} crank_deg after {centre[base]}" for c in lobe.checks}
        data[lobe.kind] = table
    return data


def write_new(texts: Mapping[Path, str]) -> None:
    """Write files that must not be there yet: all of them, or none where one is.

    Raises
    ------
    InputError
        If a file is there already, or cannot be written.
    """
    write_files(texts)


def _is_there(path: Path, fix: str) -> InputError:
    return InputError("the file to write", came=f"{path} is there already", expected="a new file", fix=fix)


def write_atomically(path: Path, text: str) -> Path:
    """Write a whole file or nothing; one that is there is replaced."""
    write_files({path: text}, replace=True)
    return path
