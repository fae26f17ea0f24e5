"""Families of cards: one lobe design made longer, moved and lifted; and lists of cards from a file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from camcalc import InputError, InputErrors, read_cards
from camcalc.advice.cam_facts import cam_facts
from camcalc.choose.cards import CardFamily, card_features, compression_of, main_height

Make = Callable[..., Any]


@pytest.fixture
def build(build_of: Make) -> Any:
    return build_of("quarry-road")


def test_the_sheets_own_card_is_of_the_family_and_comes_back(build: Any) -> None:
    family = CardFamily(build.cam)
    card = family.card(family.own)
    for kind in ("intake", "exhaust"):
        angles = np.linspace(-300.0, 300.0, 241)
        assert np.abs(card.lift_curve(kind).lift(angles) - build.cam.lift_curve(kind).lift(angles)).max() < 1e-12


def test_a_longer_card_is_longer_by_the_same_degrees_at_every_height(build: Any) -> None:
    family = CardFamily(build.cam)
    card = family.card(family.own._replace(duration=family.own.duration + 7.0, lobe_separation=230.0, advance=2.0))
    for own, longer in zip(build.cam.intake.checks + build.cam.exhaust.checks, card.intake.checks + card.exhaust.checks, strict=True):
        assert longer.duration == pytest.approx(own.duration + 7.0)
    assert card.lobe_separation.magnitude == pytest.approx(115.0)
    assert card.advance.magnitude == pytest.approx(2.0)
    assert card.intake.si.centreline == pytest.approx(113.0)


@pytest.mark.parametrize("name", ["quarry-road", "dockside", "long-meadow"])
def test_compression_of_a_card_is_that_of_its_facts(build_of: Make, name: str) -> None:
    build = build_of(name)
    family = CardFamily(build.cam)
    point = family.own._replace(duration=family.own.duration - 5.0, advance=family.own.advance + 1.5)
    facts = cam_facts(family.card(point), build.engine)
    assert family.compression(point, build.engine) == pytest.approx(facts.effective_compression, abs=1e-9)
    assert compression_of(build.replace(cam=family.card(point))) == pytest.approx(facts.effective_compression, abs=1e-9)


@pytest.mark.parametrize("name", ["quarry-road", "dockside", "long-meadow"])
def test_advance_raises_effective_compression_and_duration_lowers_it(build_of: Make, name: str) -> None:
    build = build_of(name)
    family = CardFamily(build.cam)
    at = {by: family.compression(family.own._replace(advance=family.own.advance + by), build.engine) for by in (-2.0, 0.0, 2.0)}
    assert at[-2.0] < at[0.0] < at[2.0]
    assert family.compression(family.own._replace(duration=family.own.duration + 6.0), build.engine) < at[0.0]


def test_a_card_that_no_lobe_can_have_is_left_out(build: Any) -> None:
    still = {"advance": ("4 crank_deg", "4 crank_deg"), "lobe_separation": ("114 cam_deg", "114 cam_deg")}
    family = CardFamily(build.cam, {"duration": ("180 crank_deg", "190 crank_deg"), "lift": ("15 mm", "20 mm"), **still})
    points = family.points()
    whole = np.prod([family.axis(name).size for name in family.ends])
    assert 0 < len(points) < whole
    steepest = min(point.duration for point in points if point.lift == max(one.lift for one in points))
    assert steepest > min(point.duration for point in points)


def test_measured_lobes_are_taken_at_the_seat_and_at_the_flank(build: Any) -> None:
    angles = np.linspace(-160.0, 160.0, 161)
    lobe = build.cam.intake
    curve = build.cam.lift_curve("intake")
    table = (tuple(angles + lobe.si.max_lift_at), tuple(np.interp(angles + lobe.si.max_lift_at, curve.spline.nodes, curve.spline.lift)))
    measured = build.cam.replace(intake=lobe.replace(table=table, checks=()))
    assert main_height(measured).si.height == pytest.approx(1.27e-3)
    family = CardFamily(measured.replace(exhaust=measured.exhaust.replace(checks=build.cam.exhaust.checks)))
    assert family.own.duration == pytest.approx(229.0, abs=0.5)


@pytest.mark.parametrize(
    ("ranges", "said"),
    [
        ({"duration": ("240 crank_deg", "210 crank_deg")}, "lower end first"),
        ({"duration": ("210 deg", "240 deg")}, "crank_deg"),
        ({"lobes": ("1 mm", "2 mm")}, "duration"),
    ],
)
def test_a_range_that_is_none_is_refused(build: Any, ranges: dict[str, tuple[str, str]], said: str) -> None:
    with pytest.raises(InputError, match=said):
        CardFamily(build.cam, ranges)


# --- lists of cards

HEAD = (
    "name,lobe_separation [cam_deg],advance [crank_deg],intake valve_lift [inch],exhaust valve_lift [inch],"
    "intake duration at 0.006 inch [crank_deg],intake duration at 0.050 inch [crank_deg],exhaust duration at 0.006 inch [crank_deg],"
    "exhaust duration at 0.050 inch [crank_deg]"
)


def listed(folder: Path, *rows: str, head: str = HEAD) -> Path:
    path = folder / "cards.csv"
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return path


def test_a_row_is_a_card_with_what_it_leaves_out_as_on_the_sheet(tmp_path: Path, build: Any) -> None:
    found = read_cards(listed(tmp_path, "A,112,4,0.548,0.556,282,229,290,237", "", "B,114,2,0.5,0.5,260,207,266,213"), build)
    assert [cam.name for cam in found.cards] == ["A", "B"]
    assert found.rows == (2, 4)
    assert found.cards[0].intake.rocker_ratio == 1.6
    assert card_features(found.cards[0]).shape == (7,)
    assert found.cards[0].intake.checks[0].duration == 282.0


def test_other_separators_and_units_serve_too(tmp_path: Path, build: Any) -> None:
    head = "name;lobe separation [crank_deg];advance [crank_deg];intake valve lift [mm];exhaust valve lift [mm];"
    head += ";".join(f"{kind} duration at 0.050 inch [crank_deg]" for kind in ("intake", "exhaust"))
    found = read_cards(listed(tmp_path, "A;224;4;13.9;14.1;229;237", head=head), build)
    assert found.cards[0].lobe_separation.magnitude == pytest.approx(112.0)
    assert found.cards[0].intake.si.valve_lift == pytest.approx(13.9e-3)


def test_a_card_that_contradicts_itself_is_left_out_with_its_reason(tmp_path: Path, build: Any) -> None:
    rows = ["A,112,4,0.548,0.556,282,229,290,237", "steep,112,4,0.70,0.70,232,214,240,222", "wide,140,4,0.548,0.556,282,229,290,237"]
    found = read_cards(listed(tmp_path, *rows), build)
    assert [cam.name for cam in found.cards] == ["A"]
    assert [(one.row, one.name) for one in found.left_out] == [(3, "steep"), (4, "wide")]
    assert "lobe_separation" in found.left_out[1].reasons[0][0]
    assert "95 to 125 cam_deg" in found.left_out[1].reasons[0][2]


ROW = "A,112,4,0.548,0.556,282,229,290,237"


def test_empty_cells_at_the_end_as_a_spreadsheet_writes_them_are_none(tmp_path: Path, build: Any) -> None:
    found = read_cards(listed(tmp_path, f"{ROW},,", ",,,,,,,,,,", f"{ROW.replace('A', 'B')},,,", head=f"{HEAD},,"), build)
    assert [cam.name for cam in found.cards] == ["A", "B"]
    assert found.cards == read_cards(listed(tmp_path, ROW, "", ROW.replace("A", "B")), build).cards


def test_a_figure_under_no_heading_is_refused(tmp_path: Path, build: Any) -> None:
    with pytest.raises(InputError, match="row 3") as raised:
        read_cards(listed(tmp_path, f"{ROW},,", f"{ROW.replace('A', 'B')},,7", head=f"{HEAD},,"), build)
    assert "11 cells" in str(raised.value)


def test_rows_are_counted_as_an_editor_counts_lines(tmp_path: Path, build: Any) -> None:
    head = f"# invented\n\n{HEAD}"
    rows = [ROW, '# a "comment, with a quote', "", '"B\nin two lines",112,4,0.548,0.556,282,229,290,237', "C,140,4,0.548,0.556,282,229,290,237"]
    found = read_cards(listed(tmp_path, *rows, head=head), build)
    assert found.rows == (4, 7)
    assert [(one.row, one.name) for one in found.left_out] == [(9, "C")]
    with pytest.raises(InputError, match="row 9, name") as raised:
        read_cards(listed(tmp_path, *rows[:-1], ROW, head=head), build)
    assert "as in row 4" in str(raised.value)


@pytest.mark.parametrize("ends", ["\r\n", "\r"])
def test_lines_of_other_systems_serve(tmp_path: Path, build: Any, ends: str) -> None:
    path = tmp_path / "cards.csv"
    path.write_bytes(ends.join(["# note", HEAD, ROW, ROW.replace("A", "B"), ""]).encode())
    assert read_cards(path, build).rows == (3, 4)


@pytest.mark.parametrize(
    ("head", "rows", "said"),
    [
        (HEAD.replace("advance", "advanse"), ["A,112,4,0.548,0.556,282,229,290,237"], "advance"),
        (HEAD.replace(" [cam_deg]", ""), ["A,112,4,0.548,0.556,282,229,290,237"], "lobe_separation [cam_deg]"),
        (HEAD.replace(" at 0.006 inch", ""), ["A,112,4,0.548,0.556,282,229,290,237"], "intake duration at 0.050 inch"),
        (HEAD, ["A,112,4,0.548,0.556,282,229,290,237", "A,113,4,0.548,0.556,282,229,290,237"], "as in row 2"),
        (HEAD, ["A,112,4,0.548,0.556,282,229,290,237,1"], "10 cells"),
        (HEAD, [], "a row for each card"),
        (HEAD, ["A,112,4,much,0.556,282,229,290,237"], "row 2"),
    ],
)
def test_a_file_that_is_no_list_of_cards_is_refused_with_the_fix(tmp_path: Path, build: Any, head: str, rows: list[str], said: str) -> None:
    with pytest.raises((InputError, InputErrors)) as raised:
        read_cards(listed(tmp_path, *rows, head=head), build)
    assert said in str(raised.value)
    assert "cards.csv" in str(raised.value)
