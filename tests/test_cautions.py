"""The cautions: each worded once, short, an order to do or leave something; written beside tables that have no room for them."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from camcalc.cautions import BESIDE_SPARK_TABLE, CAUTIONS, Caution, text_beside
from camcalc.marks import Mark
from camcalc.tables.beside import path_beside, write_beside

ROOT = Path(__file__).resolve().parents[1]
LONGEST = 25  # words of a sentence, figures in it


@pytest.mark.parametrize("text", [*Caution, *Mark])
def test_a_caution_is_one_line_of_short_sentences(text: str) -> None:
    assert "\n" not in text
    assert [sentence for sentence in re.split(r"(?<=[.;]) ", text) if len(sentence.split()) > LONGEST] == []


def test_all_cautions_are_listed_once() -> None:
    assert len(CAUTIONS) == len(set(CAUTIONS)) == len(Caution)


@pytest.mark.parametrize("caution", [*Caution, *Mark], ids=lambda c: c.name)
def test_no_other_module_words_a_caution_again(caution: str) -> None:
    places = [path for path in (ROOT / "camcalc").rglob("*") if path.suffix in {".py", ".html"} and caution in path.read_text(encoding="utf-8")]
    assert [path.name for path in places] == ["cautions.py" if isinstance(caution, Caution) else "marks.py"]


def test_the_text_beside_a_table_names_it_and_holds_every_caution_of_a_spark_table(tmp_path: Path) -> None:
    table = tmp_path / "new.csv"
    path = write_beside(table, marks=(Mark.BLANK, Mark.UNCURED))
    assert path == path_beside(table) == tmp_path / "new.txt"
    assert path.read_text(encoding="utf-8").splitlines() == ["new.csv", *BESIDE_SPARK_TABLE, Mark.BLANK, Mark.UNCURED]


def test_a_text_beside_a_spark_table_warns_of_knock_cranking_and_adding() -> None:
    text = text_beside("new.csv")
    assert all(caution in text for caution in (Caution.KNOCK, Caution.CRANKING, Caution.ADDING_SPARK, Caution.FINAL_SPARK, Caution.LAW))
