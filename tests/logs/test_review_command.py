"""``camcalc review`` on logs as they come: what it lists, what it asks, what it says where it cannot read."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from camcalc.cli.main import main

Said = pytest.CaptureFixture[str]
ROOT = Path(__file__).parents[2] / "examples"
SHEET = str(ROOT / "quarry-road" / "build.toml")


def log(folder: Path, head: str, *columns: str) -> Path:
    """Half a minute of a surge at twenty rows a second, below a line of comment; engine speed first."""
    t = np.arange(0.0, 30.0, 0.05)
    path = folder / "drive.csv"
    rows = (";".join([f"{n:.0f}", *columns]) for n in 1300.0 + 50.0 * np.sin(2.0 * np.pi * 2.4 * t))
    path.write_text("# a drive\n\n" + head + "\n" + "\n".join(rows) + "\n", encoding="latin-1")
    return path


def test_a_log_without_times_is_reviewed_at_its_rate_and_everything_in_it_listed(tmp_path: Path, capsys: Said) -> None:
    path = log(tmp_path, "Drehzahl;Zündwinkel [°KW];TPS %;Base timing;Oil [bar]", "24", "15", "10", "4")
    assert main(["review", str(path), SHEET, "--no-ceilings"]) == 1
    assert "--rate 20" in capsys.readouterr().err
    assert main(["review", str(path), SHEET, "--no-ceilings", "--rate", "20"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "1300 rpm, 2.4 Hz" in said
    for line in (
        'engine speed: column "Drehzahl" [rpm] (known by "drehzahl")',
        'spark: column "Zündwinkel [°KW]" [°KW] (known by "zuend winkel")',
        'not used: "Base timing" (base spark), "Oil [bar]"',
        "The rows are spaced by the stated rate, 20 a second.",
    ):
        assert line in said


def test_a_rate_is_refused_where_the_log_has_times_of_its_own(tmp_path: Path, capsys: Said) -> None:
    log = tmp_path / "log.csv"
    rows = [f"{0.05 * k:.2f},{1400 + k % 7},45,20" for k in range(200)]
    for head in ("Time (s),Engine Speed (rpm),MAP (kPa),Spark (deg)", "clock [s],engine speed [rpm],MAP [kPa],spark [deg]"):
        log.write_text("\n".join([head, *rows]) + "\n")
        assert main(["review", str(log), SHEET, "--no-ceilings", "--rate", "20"]) == 1
        assert "leave the rate out" in capsys.readouterr().err
    # A column of that name without times is none.
    log.write_text("\n".join(["Time (s),Engine Speed (rpm),MAP (kPa),Spark (deg)", *(f"0,{row.split(',', 1)[1]}" for row in rows)]) + "\n")
    assert main(["review", str(log), SHEET, "--no-ceilings", "--rate", "20"]) == 0


def test_rows_of_unlike_length_keep_their_header_and_are_counted(tmp_path: Path, capsys: Said) -> None:
    log = tmp_path / "log.csv"
    rows = [[f"{0.05 * k:.2f}", str(1400 + k % 7), "45", "20"] for k in range(200)]
    cut = [row[:3] if k % 5 == 0 else [*row, "1", "2"] if k % 41 == 1 else row for k, row in enumerate(rows)]
    log.write_text("\n".join(["Time (s),Engine Speed (rpm),MAP (kPa),Spark (deg)", *map(",".join, cut)]) + "\n")
    assert main(["review", str(log), SHEET, "--no-ceilings"]) == 0
    longer = sum(len(row) > 4 for row in cut)
    assert f"Kept out: {longer} rows or cells, listed with --full." in capsys.readouterr().out


def test_a_log_is_not_compared_with_itself(capsys: Said) -> None:
    steep = str(ROOT / "steep-table" / "before.csv")
    assert main(["review", steep, SHEET, "--no-ceilings", "--before", steep]) == 1
    assert "the log itself" in capsys.readouterr().err


def test_two_columns_for_one_channel_are_asked_and_the_answer_is_taken(tmp_path: Path, capsys: Said) -> None:
    path = log(tmp_path, "RPM;Spark;Timing;TPS %", "24", "10", "15")
    words = ["review", str(path), SHEET, "--no-ceilings", "--rate", "20"]
    assert main(words) == 1
    said = capsys.readouterr().err
    answer = tmp_path / "columns.toml"
    answer.write_text("[columns]\n" + said.split("[columns]\n")[1])
    assert main([*words, "--columns", str(answer), "--json"]) == 0
    columns = json.loads(capsys.readouterr().out)["review"]["log"]["columns"]
    assert (columns["spark"]["column"], columns["spark"]["guessed"], columns["pedal"]["guessed"]) == ("Spark", False, True)


def test_a_log_of_another_load_than_the_sheet_s_table_is_still_searched(tmp_path: Path, capsys: Said) -> None:
    path = log(tmp_path, "RPM;Spark;Air mass [mg/stroke];TPS %", "24", "210", "15")
    words = ["review", str(path), SHEET, "--no-ceilings", "--rate", "20"]
    assert main(words) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "1300 rpm, 2.4 Hz" in said
    assert "The log has air charge, the sheet's table another kind of load" in said
    # A table that was asked for is not left out.
    assert main([*words, "--table", str(ROOT / "quarry-road" / "spark.csv")]) == 1
    assert "expected: manifold pressure, as in the table" in capsys.readouterr().err
    assert main([*words, "--next", str(tmp_path / "next.csv")]) == 1
