"""Every notebook runs from top to bottom in a fresh kernel, and says what it said when it was last run."""

from __future__ import annotations

import importlib.util
import json
import math
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

FOLDER = Path(__file__).parents[1] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
# These take more than some seconds.
SLOW = (
    "choosing_between_two_cams", "sizing_a_starting_map", "why_the_ceiling_falls", "what_overlap_costs_at_idle", "from_a_bucking_log_to_a_quiet_one",
    "by_ear_and_by_hand", "learning_from_a_first_idle",
)  # fmt: skip
MOST_BYTES = 300_000
NUMBER = re.compile(r"(?<![\w.])[+-]?\d+(?:\.\d+)?(?:e[+-]?\d+)?")
# Pinned: kept outputs may differ from fresh ones by this share, or by one in the last printed place.
DRIFT = 0.05

each_notebook = pytest.mark.parametrize("path", [pytest.param(p, id=p.stem) for p in NOTEBOOKS])
each_run = pytest.mark.parametrize("path", [pytest.param(p, id=p.stem, marks=[pytest.mark.slow] if p.stem in SLOW else []) for p in NOTEBOOKS])


def cells(path: Path, kind: str) -> list[dict[str, Any]]:
    return [cell for cell in json.loads(path.read_text(encoding="utf-8"))["cells"] if cell["cell_type"] == kind]


def printed(cell: dict[str, Any]) -> str:
    return "".join("".join(o["text"]) for o in cell["outputs"] if o["output_type"] == "stream")


def pictures(cell: dict[str, Any]) -> int:
    return sum("image/png" in o.get("data", {}) for o in cell["outputs"])


def drifted(kept: str, fresh: str) -> list[str]:
    """Return what differs between two printed texts: their words, or numbers further apart than drift allows."""
    words = [" ".join(NUMBER.sub("#", text).split()) for text in (kept, fresh)]
    if words[0] != words[1]:
        return [f"{words[0]!r} is now {words[1]!r}"]
    pairs = zip(NUMBER.findall(kept), NUMBER.findall(fresh), strict=True)
    return [f"{a} is now {b}" for a, b in pairs if not math.isclose(float(a), float(b), rel_tol=DRIFT, abs_tol=max(last_place(a), last_place(b)))]


def last_place(number: str) -> float:
    digits, _, power = number.partition("e")
    return 1.001 * 10.0 ** (int(power or 0) - len(digits.partition(".")[2]))


def test_drift_is_noticed() -> None:
    assert drifted("12.3 inHg at 850 rpm", "12.4 inHg at 850 rpm") == []
    assert drifted("12.3 inHg at 850 rpm", "14.0 inHg at 850 rpm") == ["12.3 is now 14.0"]
    assert drifted("1.2e-05", "1.3e-05") == []
    assert drifted("the table", "the burn")


def test_there_are_notebooks_and_the_slow_ones_are_among_them() -> None:
    assert {path.stem for path in NOTEBOOKS} >= {*SLOW, "reading_a_cam_card"}


@each_run
def test_it_runs_and_says_what_it_said(path: Path, tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, FOLDER / "run.py", "--to", tmp_path, path.stem], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    kept, fresh = cells(path, "code"), cells(tmp_path / path.name, "code")
    assert len(kept) == len(fresh)
    for number, (was, now) in enumerate(zip(kept, fresh, strict=True), start=1):
        assert not [o for o in now["outputs"] if o.get("name") == "stderr"], f"code cell {number} complains"
        assert pictures(was) == pictures(now)
        assert drifted(printed(was), printed(now)) == [], f"code cell {number}: read its text again, then python notebooks/run.py {path.stem}"


@each_notebook
def test_outputs_are_kept_small_and_name_no_machine(path: Path) -> None:
    assert path.stat().st_size < MOST_BYTES
    code = cells(path, "code")
    assert [cell["execution_count"] for cell in code] == list(range(1, len(code) + 1))
    assert sum(map(pictures, code)) >= 1
    assert not re.search(r"/(home|work|root|tmp|Users|opt)/|site-packages", path.read_text(encoding="utf-8"))


@each_notebook
def test_it_is_labelled_invented_and_ends_with_as_many_answers_as_questions(path: Path) -> None:
    text = ["".join(cell["source"]) for cell in cells(path, "markdown")]
    assert text[0].startswith("# ")
    assert "All data are invented" in text[0]
    asked, answered = re.fullmatch(r".*## Questions\n(.*)## Answers\n(.*)", text[-1], re.DOTALL).groups()  # type: ignore[union-attr]
    numbers = [re.findall(r"^(\d+)\. ", part, re.MULTILINE) for part in (asked, answered)]
    assert len(numbers[0]) >= 3
    assert numbers[0] == numbers[1] == [str(n) for n in range(1, len(numbers[0]) + 1)]


def test_what_runs_notebooks_leaves_out_what_changes_from_run_to_run() -> None:
    spec = importlib.util.spec_from_file_location("run_notebooks", FOLDER / "run.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    node = module.nbformat.from_dict
    pieces = [{"output_type": "stream", "name": "stdout", "text": t} for t in ("a", "b")] + [{"output_type": "display_data", "data": {"text/html": "x"}}]
    joined = module.joined([node(piece) for piece in pieces])
    assert [o.get("text") for o in joined] == ["ab", None]
    assert joined[1].data == {}
