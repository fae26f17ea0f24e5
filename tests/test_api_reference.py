"""The API reference builds without a warning, shows every module, and names nothing that is not there."""

from __future__ import annotations

import html
import importlib.util
import os
import re
import subprocess
import sys
import types
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SCRIPT = ROOT / "notebooks" / "api_reference.py"
needs_pdoc = pytest.mark.skipif(importlib.util.find_spec("pdoc") is None and not os.environ.get("CI"), reason="pdoc is not installed (extra: docs)")


@pytest.fixture(scope="module")
def script() -> types.ModuleType:
    spec = importlib.util.spec_from_file_location("api_reference", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Every page of the reference as plain text, by module; written by a process of its own, since types are put in place in it."""
    folder = tmp_path_factory.mktemp("reference")
    own = os.environ | {"PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, str(SCRIPT), "--to", str(folder)], capture_output=True, text=True, check=False, env=own, cwd=ROOT, timeout=600)
    assert done.returncode == 0, done.stderr
    found = {}
    for path in folder.rglob("*.html"):
        text = re.sub(r"<style.*?</style>|<script.*?</script>|<[^>]+>", "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
        found[".".join(path.relative_to(folder).with_suffix("").parts)] = " ".join(html.unescape(text).split())
    return found


@needs_pdoc
@pytest.mark.slow
def test_every_module_has_a_page_that_begins_with_its_own_words(pages: dict[str, str]) -> None:
    names = [".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__") for path in (ROOT / "camcalc").rglob("*.py")]
    assert set(names) - {"camcalc.cli.__main__"} <= set(pages)
    for name in names:
        first = (importlib.import_module(name).__doc__ or "").split(":")[0].split("``")[0].split("`")[0].strip()
        assert " ".join(first.split()) in pages[name], name


@needs_pdoc
@pytest.mark.slow
def test_measured_fields_are_shown_with_unit_shape_and_meaning(pages: dict[str, str]) -> None:
    assert "array, quantity [crank_deg]: best torque of the mean cycle" in pages["camcalc.advice.spark"]
    assert "number, quantity [mm]: cylinder bore" in pages["camcalc.sheet.sections"]
    assert "number, quantity [crank_deg]: numbers that change become multiples of it" in pages["camcalc.tables.table"]


@needs_pdoc
@pytest.mark.parametrize(
    ("words", "good"),
    [
        ("as ``SparkTable`` has it", True),
        ("as ``SparkTabel`` has it", False),
        ("see ``camcalc.units.parse``", True),
        ("see ``camcalc.units.pase``", False),
        ("see ``camcalc.unit``", False),
        ("see ``camcalc.tables.SparkTable.cells``", True),
        ("see ``camcalc.tables.SparkTable.cels``", False),
        ("see ``SparkTable.cells``", True),
        ("see ``SparkTable.cels``", False),
        ("call ``shape_table()`` or ``to_frame()``", True),
        ("call ``shape_tabel()``", False),
        ("in ``sheet/sections.py``", True),
        ("in ``sheet/section_list.py``", False),
        ("``a * b``, ``[limits] stability``, ``record.si.bore``", True),
    ],
)
def test_a_reference_that_leads_nowhere_is_found(script: types.ModuleType, words: str, good: bool) -> None:
    from camcalc import tables, units

    own = types.ModuleType("camcalc.own", words)
    found = {"camcalc.own": own, "camcalc.units": units, "camcalc.tables": tables, "camcalc.array_record": importlib.import_module("camcalc.array_record")}
    assert (script.broken_references(found) == []) is good
