"""``camcalc review`` on logs as they come: what it lists, what it asks, what it says where it cannot read."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from camcalc.cli.main import main

Said = pytest.CaptureFixture[str]
SHEET = str(Path(__file__).parents[2] / "examples" / "quarry-road" / "build.toml")


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
