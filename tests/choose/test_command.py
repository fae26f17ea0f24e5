"""``camcalc choose``: what it prints and writes, and what it refuses before the work begins."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from camcalc import load_brief
from camcalc.cli.main import main

Said = pytest.CaptureFixture[str]
SHEET = str(Path(__file__).parents[2] / "examples" / "quarry-road" / "build.toml")
CARDS = str(Path(__file__).parents[2] / "examples" / "quarry-road" / "cards.csv")


@pytest.fixture
def wants(tmp_path: Path) -> str:
    """Wants that no engine is asked for: compression is geometry."""
    path = tmp_path / "wanted.toml"
    path.write_text('effective_compression = ["7.4", "8.7"]\n', encoding="utf-8")
    return str(path)


def test_a_choice_is_printed_and_written(wants: str, tmp_path: Path, capsys: Said) -> None:
    words = ["choose", SHEET, "--wanted", wants, "--advance", "4 crank_deg", "--lobe-separation", "110..114 cam_deg"]
    assert main([*words, "--html", str(tmp_path / "a.html"), "--plots", str(tmp_path / "plots"), "--out", str(tmp_path / "a.csv"), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["outcome"]["code"] == "chosen"
    assert data["chosen"]["effective_compression"] >= 7.4
    assert data["ranges"][1] == {"name": "lobe_separation", "low": pytest.approx(110.0), "high": pytest.approx(114.0), "unit": "cam_deg"}
    assert data["point"]["lobe_separation"] == {name: data["chosen"]["lobe_separation"][name] for name in ("value", "unit")}
    assert {one["lobe_separation"]["unit"] for one in data["exchange"]} == {"cam_deg"}
    assert 110.0 <= data["chosen"]["lobe_separation"]["value"] <= 114.0
    assert (tmp_path / "a.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert (tmp_path / "plots" / "choice.svg").is_file()
    assert (tmp_path / "a.csv").read_text(encoding="utf-8").startswith("card,cam,")


def test_the_brief_of_the_chosen_cam_has_the_same_digits(wants: str, tmp_path: Path, capsys: Said, coarse: None) -> None:
    words = ["choose", SHEET, "--wanted", wants, "--advance", "4 crank_deg", "--lobe-separation", "112 cam_deg", "--json"]
    assert main([*words, "--briefs", str(tmp_path / "briefs")]) == 0
    chosen = json.loads(capsys.readouterr().out)["chosen"]
    (path,) = (tmp_path / "briefs").glob("*.brief.json")
    brief = load_brief(path)
    assert brief.cam.effective_compression == chosen["effective_compression"]
    assert brief.build.cam.intake.checks[1].duration == chosen["duration"]["value"]
    assert list((tmp_path / "briefs").glob("*.brief.html"))


def test_a_list_is_ranked(wants: str, tmp_path: Path, capsys: Said) -> None:
    assert main(["choose", SHEET, "--wanted", wants, "--candidates", CARDS, "--out", str(tmp_path / "a.csv")]) == 0
    said = capsys.readouterr().out
    assert "Best of 13 cards" in said
    assert "QC too square" in said
    assert (tmp_path / "a.csv").read_text(encoding="utf-8").count("\n") == 14


def test_names_that_a_spreadsheet_would_run_are_plain_text_in_every_file(wants: str, tmp_path: Path, capsys: Said) -> None:
    head, *rows = [line for line in Path(CARDS).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    names = ["=1+1", "+2", "-cmd", "@SUM(A1)", "bell\x07", '"\ttab"']
    rows = [f"{name},{row.partition(',')[2]}" for name, row in zip(names, rows, strict=False)]
    listed = tmp_path / "cards.csv"
    listed.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    assert main(["choose", SHEET, "--wanted", wants, "--candidates", str(listed), "--out", str(tmp_path / "a.csv"), "--json"]) == 0
    json.loads(capsys.readouterr().out)
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as file:
        written = [row["name"] for row in csv.DictReader(file)]
    assert sorted(written) == sorted(["'=1+1", "+2", "'-cmd", "'@SUM(A1)", "bell\\u0007", "tab"])
    # A chosen cam has its name from the sheet.
    sheet = tmp_path / "build.toml"
    text = Path(SHEET).read_text(encoding="utf-8").replace('table = "spark.csv"', "")
    sheet.write_text(text.replace('name = "QR 282 (invented)"', 'name = "=A1"'), encoding="utf-8")
    words = ["choose", str(sheet), "--wanted", wants, "--advance", "4 crank_deg", "--lobe-separation", "112 cam_deg"]
    assert main([*words, "--out", str(tmp_path / "b.csv")]) == 0
    with (tmp_path / "b.csv").open(encoding="utf-8", newline="") as file:
        assert "'=A1" in [row["cam"] for row in csv.DictReader(file)]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "[wanted]"),
        (["--duration", "210..230"], "LOW..HIGH crank_deg"),
        (["--sure", "120 percent"], "5 to 99 percent"),
        (["--out", "cards.xlsx"], ".csv"),
        (["--workers", "0"], "1 or more"),
        (["--candidates", CARDS, "--lift", "12..14 mm"], "one of the two"),
    ],
)
def test_what_cannot_be_is_refused_with_the_fix(wants: str, words: list[str], said: str, capsys: Said) -> None:
    with_wants = ["--wanted", wants] if words else []
    assert main(["choose", SHEET, *with_wants, *words]) == 1
    out = capsys.readouterr()
    assert said in out.err
    assert out.out == ""


def test_processes_give_the_same_answer(wants: str, capsys: Said) -> None:
    words = ["choose", SHEET, "--wanted", wants, "--advance", "4 crank_deg", "--lobe-separation", "112 cam_deg", "--json"]
    answers: list[Any] = []
    for own in ([], ["--workers", "1"]):
        assert main([*words, *own]) == 0
        answers.append(json.loads(capsys.readouterr().out))
    assert answers[0] == answers[1]
