"""A brief kept as JSON: drawn again it is the same page, byte for byte, and nothing is computed; what is no brief is refused."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import camcalc.advice.curves
import camcalc.cycle.resolved
from camcalc import Brief, InputError, QuickEngine, describe, load_brief, save_brief
from camcalc.brief_files import brief_text, digest_of, read_brief
from camcalc.cli.main import main
from camcalc.report.brief_page import brief_html
from camcalc.report.tables import brief_tables

Make = Callable[..., Any]
Said = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def kept(brief_of: Make, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return save_brief(brief_of("quarry-road"), tmp_path_factory.mktemp("kept") / "brief.json")


def test_a_kept_brief_comes_back_with_the_same_data(brief_of: Make, example: str) -> None:
    brief = brief_of(example)
    text = brief_text(brief)
    assert brief_text(read_brief(text)) == text
    assert isinstance(read_brief(text), Brief)


def test_a_kept_brief_with_bands_comes_back_with_the_same_data(banded_brief: Any) -> None:
    text = brief_text(banded_brief)
    back = read_brief(text)
    assert brief_text(back) == text
    assert back.sure.matters == banded_brief.sure.matters
    assert dict(back.idle.bands)["vacuum"] == pytest.approx(banded_brief.idle.bands["vacuum"], rel=1e-14)


def test_the_page_of_a_kept_brief_is_the_same_byte_for_byte(brief_of: Make, banded_brief: Any, kept: Path) -> None:
    assert brief_html(load_brief(kept)) == brief_html(brief_of("quarry-road"))
    assert brief_html(read_brief(brief_text(banded_brief))) == brief_html(banded_brief)


def test_tables_and_words_of_a_kept_brief_are_the_same(brief_of: Make, kept: Path) -> None:
    assert brief_tables(load_brief(kept)) == brief_tables(brief_of("quarry-road"))
    assert describe(load_brief(kept)) == describe(brief_of("quarry-road"))


def test_drawing_computes_nothing(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def computes(*_: Any, **__: Any) -> None:
        raise AssertionError("a page is being drawn, and something computes")

    for thing in (QuickEngine, camcalc.cycle.resolved.ResolvedEngine):
        monkeypatch.setattr(thing, "__init__", computes)
    for module, name in ((camcalc.advice.curves, "map_of"), (camcalc.advice.curves, "valve_lifts"), (camcalc.plot.curves, "valve_lifts")):
        monkeypatch.setattr(module, name, computes)
    monkeypatch.setattr(camcalc.cam.card.CamCard, "lift_curve", computes)
    assert "<svg" in brief_html(load_brief(kept))


def test_a_brief_holds_no_engine(brief_of: Make) -> None:
    assert "engine" not in {name for name, _ in brief_of("dockside").items()}


def test_the_command_draws_a_kept_brief_without_its_sheet(kept: Path, tmp_path: Path, capsys: Said, brief_of: Make) -> None:
    page, folder = tmp_path / "again.html", tmp_path / "tables"
    assert main(["brief", "--from", str(kept), "--html", str(page), "--tables", str(folder)]) == 0
    assert "1. Idle, warm" in capsys.readouterr().out
    assert page.read_text(encoding="utf-8") == brief_html(brief_of("quarry-road"))
    assert {path.name for path in folder.iterdir()} == set(brief_tables(brief_of("quarry-road")))
    assert main(["brief", "--from", str(kept), "--json"]) == 0
    assert capsys.readouterr().out == kept.read_text(encoding="utf-8")


def test_a_kept_brief_is_never_written_over(kept: Path, capsys: Said) -> None:
    before = kept.read_bytes()
    assert main(["brief", "--from", str(kept), "--html", str(kept)]) == 1
    assert kept.read_bytes() == before


@pytest.mark.parametrize("words", [[], ["a.toml", "--from", "b.json"]])
def test_a_sheet_or_a_kept_brief_is_asked_for_one_of_them(words: list[str], capsys: Said) -> None:
    assert main(["brief", *words]) == 2
    said = capsys.readouterr().err
    assert "usage:" in said
    assert "--from" in said


def signed(text: str) -> str:
    """A changed brief with the digest of what it holds now, where it still is one."""
    try:
        data = json.loads(text)
        data["format"]["digest"] = digest_of(data)
    except (ValueError, TypeError, KeyError, AttributeError):
        return text
    return json.dumps(data, indent=1)


@pytest.mark.parametrize(
    "change",
    [
        lambda data: data["idle_spark"]["idle_spark"].update(value=200.0),
        lambda data: data["starting_table"]["manifold_pressure"]["value"].reverse(),
        lambda data: data["starting_table"]["spark"]["value"].pop(0),
        lambda data: data.update(not_for=None, model="crank-resolved cycle"),
        lambda data: data["about"].update(model="another"),
        lambda data: data["format"].pop("digest"),
    ],
)
def test_figures_changed_after_they_were_written_are_refused(kept: Path, change: Callable[[Any], None]) -> None:
    data = json.loads(kept.read_text(encoding="utf-8"))
    change(data)
    with pytest.raises(InputError, match="figures that are not those that camcalc wrote"):
        read_brief(json.dumps(data))


def test_nesting_without_end_and_a_figure_beyond_all_floats_are_refused(kept: Path) -> None:
    with pytest.raises(InputError):
        read_brief("[" * 100_000)
    data = json.loads(kept.read_text(encoding="utf-8"))
    data["starting_table"]["least_spark"]["value"] = 10**400
    with pytest.raises(InputError):
        read_brief(signed(json.dumps(data)))


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda text: text[: len(text) // 2], "not all of it"),
        (lambda text: "[1, 2]", "another kind"),
        (lambda text: '{"format": {"name": "a song", "version": 1}}', "another kind"),
        (lambda text: re.sub(r'"version": \d+', '"version": 99', text, count=1), "version 99"),
        (lambda text: json.dumps({k: v for k, v in json.loads(text).items() if k != "idle"}), "no idle"),
        (lambda text: text.replace('"unit": "inHg"', '"unit": "mmHg"', 1), "quantity"),
        (lambda text: "", "no JSON"),
    ],
)
def test_what_is_no_whole_brief_of_this_version_is_refused(kept: Path, tmp_path: Path, capsys: Said, change: Callable[[str], str], match: str) -> None:
    bad = tmp_path / "bad.json"
    bad.write_text(signed(change(kept.read_text(encoding="utf-8"))), encoding="utf-8")
    with pytest.raises(InputError, match=match):
        load_brief(bad)
    assert main(["brief", "--from", str(bad)]) == 1
    said = capsys.readouterr()
    assert str(bad) in said.err
    assert "Traceback" not in said.err
    assert said.out == ""


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="No such file"):
        load_brief(tmp_path / "none.json")
