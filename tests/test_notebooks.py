"""Every notebook's code runs from top to bottom."""

import json
from pathlib import Path

import pytest

NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").glob("*.ipynb"))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_code_cells_run_in_order(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(path.parent)
    cells = [c for c in json.loads(path.read_text())["cells"] if c["cell_type"] == "code"]
    assert cells
    names: dict[str, object] = {}
    for cell in cells:
        exec(compile("".join(cell["source"]), path.name, "exec"), names)


def test_there_is_a_notebook() -> None:
    assert NOTEBOOKS
