"""What DEVELOPERS.md and the decisions say of files, versions and dates holds."""

from __future__ import annotations

import datetime
import re
from pathlib import Path

import pytest

from camcalc._version import VERSION
from camcalc.sources import SOURCES as BIBLIOGRAPHY
from tests.test_contracts import LAYER, LAYERS

ROOT = Path(__file__).resolve().parents[1]
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
DECISIONS = (ROOT / "notebooks" / "decisions.md").read_text(encoding="utf-8")
SOURCES = [str(path.relative_to(ROOT)) for folder in ("camcalc", "tests", "notebooks") for path in (ROOT / folder).rglob("*.py")]
# **What was decided** (`module.py`, `other.py`, 2026-11-25).
DECIDED = re.compile(r"^\*\*(.+?)\*\* \((.+), (\d{4}-\d\d-\d\d)\)\. ", re.MULTILINE)


@pytest.mark.parametrize("text", [DEVELOPERS, DECISIONS], ids=["DEVELOPERS.md", "decisions.md"])
def test_every_source_file_named_is_there(text: str) -> None:
    named = set(re.findall(r"`([\w/]+\.py)`", text))
    assert named
    assert {name for name in named if not any(path == name or path.endswith(f"/{name}") for path in SOURCES)} == set()


def test_every_decision_has_a_module_and_a_date() -> None:
    bold = re.findall(r"^\*\*(.+?)\*\*", DECISIONS, re.MULTILINE)
    decided = DECIDED.findall(DECISIONS)
    assert [title for title, _, _ in decided] == bold
    assert len(decided) >= 25
    for title, modules, date in decided:
        assert all((ROOT / "camcalc" / module.strip("`")).is_file() for module in modules.split(", ")), title
        assert datetime.date.fromisoformat(date)


def test_every_room_is_in_the_table_of_rooms() -> None:
    table = DEVELOPERS.partition("| layer | what lives there |")[2].partition("\n\n")[0]
    firsts = "".join(row.split("|")[1] for row in table.splitlines() if "|" in row)
    rooms = {name.removesuffix(".py").removesuffix("/") for name in re.findall(r"`([\w/.]+)`", firsts)}
    unnamed = {"_version", "examples", "brief_files"}
    assert set(LAYER) - unnamed == rooms
    assert len(LAYERS) > 10


def test_there_is_a_section_of_changes_for_this_version() -> None:
    changes = DEVELOPERS.partition("\n## Changes\n")[2]
    assert re.search(rf"^### .*{re.escape(VERSION)}", changes, re.MULTILINE)


def test_every_mark_of_the_bibliography_is_one_that_is_explained() -> None:
    part = DEVELOPERS.partition("## How to cite a number")[2].partition("\n## ")[0]
    marks = ("exact", "read", "from memory, medium", "from memory", "computed", "common practice, no source", "ESTIMATE")
    assert [mark for mark in marks if mark not in part] == []
    unknown = {key for key, source in BIBLIOGRAPHY.items() if not any(mark in source.mark for mark in (*marks, "no source"))}
    assert unknown == set()
