"""Tables pasted from a spreadsheet, and written back for pasting: exact to the cell, errors by their line."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path

import numpy as np
import pytest

from camcalc import read_table
from camcalc.cautions import Caution
from camcalc.cli.main import main
from camcalc.cycle.models import MODELS
from camcalc.errors import InputError
from camcalc.tables.table import table_from
from tests.oracles.coarse_engine import CoarseEngine

Said = pytest.CaptureFixture[str]
ROOT = Path(__file__).parents[2]
STEEP = ROOT / "examples" / "steep-table"
SHEET = str(ROOT / "examples" / "quarry-road" / "build.toml")
REVIEW = ["review", str(STEEP / "before.csv"), SHEET, "--no-ceilings"]


def pasted(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    class Pipe:
        buffer = io.BytesIO(text.encode())

        def isatty(self) -> bool:
            return False

    monkeypatch.setattr(sys, "stdin", Pipe())


def tabbed(corner: str, comma: bool = False, edge: str = "") -> str:
    """The steep table as a spreadsheet copies it, by hand and not by the package's own writer."""
    rows = [line.split(",") for line in (STEEP / "steep.csv").read_text().splitlines()]
    rows[0][0] = corner
    rows[1][1] = "24.50"
    text = "\r\n".join("\t".join(row) + edge for row in rows) + "\r\n"
    return text.replace(".", ",") if comma else text


@pytest.mark.parametrize("comma", [False, True])
@pytest.mark.parametrize("edge", ["", "\t\t"])
def test_a_pasted_table_is_read_and_the_next_one_written_back_cell_for_cell(
    comma: bool, edge: str, tmp_path: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    text, out = tabbed("", comma, edge), tmp_path / "next.txt"
    pasted(text, monkeypatch)
    assert main([*REVIEW, "--table", "-", "--table-axes", "rpm \\ kPa", "--tab-separated", "-"]) == 0
    said = capsys.readouterr()
    was, now = ([line.rstrip("\r\n").split("\t") for line in part.splitlines()] for part in (text.replace(edge + "\r", "\r"), said.out))
    assert "Surge in 93 %" in said.err
    assert Caution.KNOCK in said.err
    assert (was[0], [row[0] for row in was]) == (now[0], [row[0] for row in now])
    pasted(text, monkeypatch)
    assert main([*REVIEW, "--table", "-", "--table-axes", "rpm \\ kPa", "--json"]) == 0
    lower = {tuple(one["cell"]): one["then"] for one in json.loads(capsys.readouterr().out)["review"]["lower"]}
    assert lower
    for i, row in enumerate(was[1:]):
        for j, cell in enumerate(row[1:]):
            assert now[i + 1][j + 1] == (f"{lower[i, j]:.0f}" if (i, j) in lower else cell)
    pasted(text, monkeypatch)
    assert main([*REVIEW, "--table", "-", "--table-axes", "rpm \\ kPa", "--tab-separated", str(out)]) == 0
    assert out.read_text() == said.out
    assert Caution.KNOCK in (tmp_path / "next_cautions.txt").read_text()


def test_a_table_in_a_file_of_tabs_is_shaped_and_pasted_back(tmp_path: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(MODELS, "resolved", CoarseEngine)
    path = tmp_path / "paste.txt"
    rows = [["rpm \\ kPa", "40", "60", "80"], *([f"{n}", f"{s},5", f"{s - 4}", f"{s - 8}"] for n, s in ((800, 28), (1200, 36), (1400, 37), (2400, 42)))]
    path.write_text("\n".join("\t".join(row) for row in rows), encoding="utf-8")
    assert main(["shape", SHEET, "--table", str(path), "--tab-separated", "-"]) == 0
    said = capsys.readouterr()
    assert "Shaped table: " in said.err
    new = table_from(said.out.encode(), "the answer")
    assert (new.si.cells <= read_table(path).si.cells).all()
    assert (new.si.cells < read_table(path).si.cells).any()
    kept = [(i, j) for i, j in np.argwhere(new.si.cells == read_table(path).si.cells).tolist()]
    cells = [line.split("\t") for line in said.out.splitlines()]
    assert [cells[i + 1][j + 1] for i, j in kept] == [rows[i + 1][j + 1] for i, j in kept]


def test_two_tables_of_one_name_have_cautions_of_their_own(tmp_path: Path, capsys: Said) -> None:
    words = [*REVIEW, "--table", str(STEEP / "steep.csv"), "--next", str(tmp_path / "next.csv"), "--tab-separated", str(tmp_path / "next.tsv")]
    assert main(words) == 0
    assert sorted(path.name for path in tmp_path.iterdir()) == ["next.csv", "next.tsv", "next.txt", "next_cautions.txt"]
    assert all(Caution.KNOCK.value[:20] in (tmp_path / name).read_text() for name in ("next.txt", "next_cautions.txt"))
    capsys.readouterr()


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_line_end_is_kept_as_it_was(end: str) -> None:
    text = end.join(["rpm \\ kPa\t40\t60", "1000\t12.50\t14", "2000\t20\t24"]) + end
    table = table_from(text.encode(), "a test")
    assert table.text() == text
    assert table.tab_separated() == text.replace(end, "\n")


FAULTS = [
    ("\t40\t60\n1000\t12\t14\n2000\t20\t24\n", [], ["corner cell", "a blank cell", "--table-axes"]),
    ("rpm \\ kPa\t40\t60\n1000\t12\t#REF!\n2000\t20\t24\n", [], ["row 2, column 3", "#REF!", "a plain number"]),
    ("rpm \\ kPa\t40\t60\n1000\t12\t14\n2000\t20\n", [], ["row 3", "2 cells", "3 cells, as in the first row"]),
    ("rpm \\ kPa\t40\t60\n1000\t12,5\t14.5\n2000\t20\t24\n", [], ["decimal mark", "row 2"]),
    ("rpm \\ kPa\t40\t60\n2000\t12\t14\n1000\t20\t24\n", [], ["row 3", "breakpoints that rise", "sort"]),
    ("rpm \\ kPa\t40\t60\n1000\t12\t14\n2000\t20\t24\n", ["--table-axes", "rpm \\ inHg"], ["the axes", "one of the two"]),
    ("", [], ["an empty file"]),
]


@pytest.mark.parametrize(("text", "more", "words"), FAULTS)
def test_a_fault_in_a_pasted_table_says_where_what_and_what_to_do(
    text: str, more: list[str], words: list[str], capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    pasted(text, monkeypatch)
    assert main([*REVIEW, "--table", "-", *more]) == 1
    said = " ".join(capsys.readouterr().err.split())
    assert "standard input" in said
    assert [word for word in words if word not in said] == []


def test_one_standard_input_holds_one_table_and_one_standard_output_one_thing(capsys: Said) -> None:
    assert main(["shape", SHEET, "--table", "-", "--current", "-"]) == 1
    assert "one table from standard input" in capsys.readouterr().err
    assert main(["shape", SHEET, "--tab-separated", "-", "--json"]) == 1
    assert "--tab-separated a file" in capsys.readouterr().err


def test_an_axis_given_for_a_corner_that_says_something_else_is_taken() -> None:
    table = table_from(b"Spark main\t40\t60\n1000\t12\t14\n2000\t20\t24\n", "a test", axes="rpm \\ kPa")
    assert table.place(1, 0) == "2000 rpm, 40 kPa"
    assert table.with_spark(table.si.cells - 1.0).tab_separated().splitlines()[1] == "1000\t11\t13"
    with pytest.raises(InputError, match="rpm"):
        table_from(b"Spark main\t40\t60\n1000\t12\t14\n2000\t20\t24\n", "a test")
