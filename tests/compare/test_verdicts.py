"""Which of two builds a verdict prefers, what no vote outweighs, and how that is worded."""

from __future__ import annotations

import io
import json
import math
import re
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console

import camcalc as cc
from camcalc import compare_builds, describe, read_build
from camcalc.compare import sides
from camcalc.compare.damping import damping_at
from camcalc.compare.findings import Better, ConverterFrom, DecidedBy, Group, TablesUsed, Why
from camcalc.compare.judging import compared
from camcalc.compare.names import own_names
from camcalc.compare.rows import Row
from camcalc.compare.verdict import verdict_on
from camcalc.report.compare_terminal import print_comparison
from camcalc.unit_system import UnitSystem
from camcalc.words.comparison import (
    brake_lines,
    figure_label,
    figure_notes,
    headline_words,
    must_lines,
    reasons_words,
    setting_lines,
    verdict_words,
)

Make = Callable[..., Any]


@pytest.fixture(scope="module")
def both(build_of: Make) -> Any:
    return compare_builds(build_of("quarry-road"), model="coarse", bands=False)


def printed(found: Any, *, full: bool = False, width: int = 100) -> str:
    console = Console(width=width, file=io.StringIO())
    print_comparison(found, console, full=full)
    text: str = console.file.getvalue()  # type: ignore[attr-defined]
    assert max(map(len, text.splitlines())) <= width
    assert "\u2026" not in text
    return text


# --- what decides


def test_the_verdict_counts_what_the_figures_say(both: Any) -> None:
    for verdict in both.verdicts:
        assert len(verdict.for_a) < len(verdict.for_b)
        assert (verdict.choice, verdict.decided_by) == (Better.B, DecidedBy.FIGURES)
        assert all(both.figure(name).better is Better.B for name in verdict.for_b)
        assert all(both.figure(name).better is Better.NO_DIFFERENCE for name in verdict.alike)
        said = verdict_words(verdict, both)
        assert said[0].startswith(f"With a {verdict.transmission}: {both.b.name} has the better street manners.")
        for name in verdict.for_b:
            figure = both.figure(name)
            assert any(f"{figure_label(figure, both)}: {figure.text('b')} against {figure.text('a')}" in line for line in said)


def test_a_cam_that_does_not_idle_loses_whatever_else_favours_it(root: Path) -> None:
    """An engine so stiff, so high up and with so much spark held back that its long cam cannot idle at 350 rpm; the mild one idles at 1000."""
    sheet = tomllib.loads((root / "examples" / "quarry-road" / "build.toml").read_text(encoding="utf-8"))
    del sheet["spark"]  # its path is relative to the sheet's folder, and a mapping has none
    sheet["engine"]["friction_factor"] = 2.5
    sheet["site"] = {"altitude": "6000 m"}
    sheet["idle"] = {"speed": "350 rpm", "replaced_cam_speed": "1000 rpm", "spark_reserve": "40 crank_deg", "mixture": 1.15}
    found = compare_builds(read_build(sheet), model="coarse", bands=False)
    assert math.isnan(found.figure("vacuum").a)
    assert math.isfinite(found.figure("vacuum").b)
    assert found.figure("vacuum").better is Better.B
    (verdict,) = found.verdicts
    assert (verdict.choice, verdict.decided_by, verdict.idles) == (Better.B, DecidedBy.IDLE, (False, True))
    assert "does not idle at its own 350 rpm" in headline_words(verdict, found)
    assert found.a.brakes is None
    assert found.b.brakes is not None
    assert "does not idle at 350 rpm" in brake_lines(found.builds)[0]


@pytest.mark.parametrize(
    ("a", "b", "has", "decided"),
    [
        (9.0, 15.0, (False, True), True),
        (15.0, 9.0, (True, False), True),
        (9.0, 8.0, (False, False), False),
        (15.0, 12.0, (True, True), False),
    ],
)
def test_too_little_vacuum_for_the_brakes_outweighs_every_vote(both: Any, a: float, b: float, has: tuple[bool, bool], decided: bool) -> None:
    """Every other figure favours the one that lacks the vacuum."""
    better = Better.A if a > b else Better.B
    figures = {f.name: f.replace(better=better.swapped) for f in both.figures} | {"vacuum": both.figure("vacuum").replace(a=a, b=b, unit="inHg", better=better)}
    verdict = verdict_on(figures, "clutch", both.sampled_gear)
    assert verdict.has_brakes == has
    assert (verdict.decided_by is DecidedBy.BRAKES) == decided
    assert verdict.choice is (better if decided else better.swapped)
    said = " ".join(verdict_words(verdict, both))
    assert ("too little vacuum, which no other figure outweighs" in said) == decided
    assert ("needs a vacuum pump" in said) == decided
    assert any("Neither leaves" in line for line in must_lines(verdict, both)) == (not any(has))


def test_a_difference_of_vacuum_that_is_none_decides_nothing_by_the_brakes(both: Any) -> None:
    figures = {f.name: f for f in both.figures} | {"vacuum": both.figure("vacuum").replace(a=10.9, b=11.0, unit="inHg", better=Better.NO_DIFFERENCE)}
    verdict = verdict_on(figures, "clutch", both.sampled_gear)
    assert verdict.has_brakes == (False, True)
    assert verdict.decided_by is DecidedBy.FIGURES


def test_as_many_figures_for_either_is_said(both: Any) -> None:
    figures = {f.name: f.replace(better=Better.NO_DIFFERENCE) for f in both.figures}
    level = verdict_on(figures, "clutch", both.sampled_gear)
    assert (level.choice, level.decided_by) == (Better.NO_DIFFERENCE, DecidedBy.NO_FIGURE)
    assert "no real difference between" in headline_words(level, both)
    figures |= {"vacuum": both.figure("vacuum").replace(better=Better.A), "air_0_1": both.figure("air_0_1").replace(better=Better.B)}
    balance = verdict_on(figures, "clutch", both.sampled_gear)
    assert (balance.choice, balance.decided_by) == (Better.TASTE, DecidedBy.BALANCE)
    assert "as many figures favour" in headline_words(balance, both)


def test_a_verdict_is_on_the_transmissions_of_the_sheets_alone(build_of: Make, both: Any) -> None:
    assert [v.transmission for v in both.verdicts] == ["clutch"]
    assert "vacuum_in_drive" not in {f.name for f in both.figures}
    tow = compare_builds(build_of("long-meadow"), model="coarse", bands=False)
    assert [v.transmission for v in tow.verdicts] == ["converter"]
    assert tow.figure("vacuum_in_drive").a < tow.figure("vacuum").a
    mixed = compare_builds(build_of("long-meadow"), build_of("dockside"), model="coarse", bands=False)
    assert [v.transmission for v in mixed.verdicts] == ["clutch", "converter"]
    assert (mixed.a.converter, mixed.b.converter) == (ConverterFrom.OWN, ConverterFrom.OTHER_SHEET)
    assert any(line.startswith(mixed.b.name) and "converter of the other sheet" in line for line in setting_lines(mixed))


def test_a_build_needs_no_pump_for_a_converter_that_it_does_not_have(build_of: Make) -> None:
    mixed = compare_builds(build_of("long-meadow"), build_of("dockside"), model="coarse", bands=False)
    (converter,) = (v for v in mixed.verdicts if v.transmission == "converter")
    assert converter.has_brakes == (True, False)
    assert must_lines(converter, mixed) == []


# --- on what


def test_the_table_is_as_said(build_of: Make, both: Any) -> None:
    assert both.tables is TablesUsed.SAME
    assert any("on the same spark table" in line for line in setting_lines(both))
    level = compare_builds(build_of("quarry-road").replace(spark_table=None), model="coarse", bands=False)
    assert level.tables is TablesUsed.LEVEL_AT_CEILING
    lowest = level.figure("worst_ceiling")
    assert level.si.level_spark == min(lowest.a, lowest.b) < max(lowest.a, lowest.b)
    assert any(f"{round(level.si.level_spark)} deg BTDC" in line for line in setting_lines(level))


def test_each_sheet_s_own_table_is_used_for_itself(build_of: Make, root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def noted(engine: Any, point: Any) -> Any:
        asked.append((engine.build.name, point.table))
        return damping_at(engine, point)

    monkeypatch.setattr(sides, "damping_at", noted)
    paths = {name: root / "examples" / folder / "spark.csv" for name, folder in (("Quarry Road", "quarry-road"), ("Dockside", "dockside"))}
    found = compare_builds(build_of("quarry-road"), build_of("dockside").replace(spark_table=paths["Dockside"]), model="coarse", bands=False)
    assert found.tables is TablesUsed.EACH_OWN
    for name, path in paths.items():
        own = cc.read_table(path).si.cells
        assert [np.array_equal(table.si.cells, own) for build, table in asked if build == name] == [True, True]


def test_two_swings_without_end_are_alike_and_one_of_them_is_worse_by_its_grade() -> None:
    row = Row("cruise_shaking", Group.SURGE, "m/s**2", "m/s**2", -1, Why.LESS_SHAKING, runs=False)
    (alike,) = compared([row], ({"cruise_shaking": math.inf}, {"cruise_shaking": math.inf}), {})
    assert (alike.better, alike.difference) == (Better.NO_DIFFERENCE, 0.0)
    (one,) = compared([row], ({"cruise_shaking": 0.1}, {"cruise_shaking": math.inf}), {}, decided={"cruise_shaking": Better.A})
    assert (one.better, one.text("b")) == (Better.A, "no end")


# --- in words


def test_the_terminal_says_cautions_then_the_verdict_then_what_favours_either(both: Any) -> None:
    text = printed(both)
    flat = " ".join(text.split())
    verdict = f"With a clutch: {both.b.name} has the better street manners."
    assert flat.index(both.cautions[0]) < flat.index(verdict) < flat.index("Side by side")
    # On a narrow screen a cell may take two lines.
    wide = printed(both, width=160)
    assert all(figure.text("difference") in wide for figure in both.differing)
    assert f"{len(both.others)} more figures favour neither" in flat
    # Cams have their own names.
    assert not re.search(r"\b[AB]:|\bB less A\b", text)


def test_in_full_every_figure_that_either_has_is_told_and_none_that_neither_has(both: Any, build_of: Make) -> None:
    text = printed(both, full=True, width=160)
    assert "more figures" not in printed(both, full=True)
    for figure in both.figures:
        if not figure.is_none:
            assert figure.text("a") in text
            assert figure.text("difference") in text
    mild = build_of("quarry-road").with_replaced_cam()
    steady = compare_builds(mild, mild, model="coarse", bands=False)
    missing = steady.figure("unstable_below")
    assert missing.is_none
    assert figure_label(missing, steady) not in " ".join(printed(steady, full=True).split())


def test_no_reason_says_the_same_of_both(build_of: Make) -> None:
    for other in ("dockside", "long-meadow"):
        found = compare_builds(build_of("quarry-road"), build_of(other), model="coarse", bands=False)
        for verdict in found.verdicts:
            for _, reasons in reasons_words(verdict, found):
                for text in reasons:
                    one, _, two = text.rpartition(": ")[2].partition(" against ")
                    assert one != two.split(" ")[0], text


def test_what_is_found_beside_a_figure_is_told_of_each_build_by_its_name(both: Any) -> None:
    notes = figure_notes(both.figure("slow_shaking"), both)
    assert [note.startswith(f"{build.name}: gear 3, 1150 rpm") for note, build in zip(notes, both.builds, strict=True)] == [True, True]
    few = both.figure("vacuum").replace(no_answer=0.75, too_few=True)
    assert figure_notes(few, both) == ["75 % of the samples have no answer. Too few are left to call one better."]


def test_builds_are_called_by_their_cams_and_by_more_where_that_does_not_tell_them_apart(build_of: Make, both: Any) -> None:
    assert [b.name for b in both.builds] == ["QR 282 (invented)", "QR standard (invented)"]
    build = build_of("quarry-road")
    assert len(set(own_names([build, build.replace(name="other"), build_of("dockside")]))) == 3
    moved = build.replace(path=build.path.with_name("second.toml"))
    assert [name.rpartition(", ")[2] for name in own_names([build, moved])] == ["build.toml", "second.toml"]
    assert own_names([build, build])[1].endswith(", 2")


def test_vacuum_is_read_in_the_units_of_the_sheet(both: Any) -> None:
    metric = both.replace(a=both.a.replace(units=UnitSystem.METRIC))
    text = printed(metric)
    assert f"{both.figure('vacuum').quantity('a').to('kPa').magnitude:.1f}" in text
    assert "inHg" not in text[text.index("Side by side") : text.index("more figures")]


def strings(node: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """Every text of plain data that is no code, with its place."""
    if isinstance(node, dict) and set(node) != {"code", "text"}:
        for key, value in node.items():
            yield from strings(value, f"{path}/{key}")
    elif isinstance(node, list):
        for value in node:
            yield from strings(value, path)
    elif isinstance(node, str):
        yield path, node


def test_every_sentence_of_a_comparison_is_made_of_codes_and_numbers(both: Any) -> None:
    """Texts of the data are names, units and cautions; whatever is found is a code with its meaning."""
    allowed = {"name", "build", "label", "cam", "transmission", "unlike", "model", "unit", "cautions", "for_a", "for_b", "alike"}
    for path, text in strings(json.loads(json.dumps(both.to_dict(), allow_nan=False))):
        assert path.rpartition("/")[2] in allowed or path.startswith("/sources") or "/mark" in path, (path, text)


def test_describe_says_cautions_then_verdict(both: Any) -> None:
    lines = describe(both).splitlines()
    assert lines[: len(both.cautions)] == list(both.cautions)
    assert lines[len(both.cautions)] == headline_words(both.verdicts[0], both)


def test_figures_go_to_a_table(both: Any) -> None:
    frame = both.to_frame()
    assert frame.columns == ["figure", "group", "unit", "first", "second", "difference", "low", "high"]
    assert frame.height == len(both.figures)
    assert frame.filter(frame["figure"] == "unstable_below")["second"].to_list() == [None]
