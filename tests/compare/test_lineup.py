"""Three builds or more: the order of their manners, the same for any order of asking."""

from __future__ import annotations

import io
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import html5lib
import pytest
from rich.console import Console

import camcalc as cc
from camcalc import compare_builds
from camcalc.cli.main import main
from camcalc.compare.findings import Better
from camcalc.report.compare_page import compare_html
from camcalc.report.compare_terminal import print_lineup
from camcalc.words.comparison import lineup_words

Make = Callable[..., Any]


@pytest.fixture(scope="module")
def three(build_of: Make) -> tuple[Any, ...]:
    """The long cam, the mild one, and one between."""
    build = build_of("quarry-road")
    card = {"name": "between (invented)", "lobe_separation": "114 cam_deg", "intake_centreline": "110 crank_deg", "rocker_ratio": 1.6}
    lobes = {
        "intake": {"valve_lift": "0.506 inch", "duration": {"0.006 inch": "266 crank_deg", "0.050 inch": "213 crank_deg"}},
        "exhaust": {"valve_lift": "0.512 inch", "duration": {"0.006 inch": "273 crank_deg", "0.050 inch": "221 crank_deg"}},
    }
    return build, build.with_replaced_cam(), build.replace(cam=cc.read_cam_card(card | lobes))


@pytest.fixture(scope="module")
def lineup(three: tuple[Any, ...]) -> Any:
    return compare_builds(*three, model="coarse", bands=False)


def same(a: float, b: float) -> bool:
    return a == b or (math.isnan(a) and math.isnan(b))


def printed(found: Any, *, full: bool = False) -> str:
    console = Console(width=100, file=io.StringIO())
    print_lineup(found, console, full=full)
    text: str = console.file.getvalue()  # type: ignore[attr-defined]
    assert max(map(len, text.splitlines())) <= 100
    assert "\u2026" not in text
    return text


def test_three_builds_are_put_in_the_order_of_their_manners(lineup: Any) -> None:
    assert [lineup.builds[k].name for k in lineup.order] == ["QR standard (invented)", "between (invented)", "QR 282 (invented)"]
    assert lineup.ranks == (3, 1, 2)
    assert (lineup.better_than, lineup.worse_than) == ((0, 2, 1), (2, 0, 1))
    assert lineup_words(lineup)[0] == "Best street manners: QR standard (invented)."


def test_a_lineup_s_figures_are_those_of_its_pairs(lineup: Any, three: tuple[Any, ...]) -> None:
    for i, j in ((0, 1), (0, 2), (1, 2)):
        pair = lineup.pair(i, j)
        assert (pair.a.name, pair.b.name) == (lineup.builds[i].name, lineup.builds[j].name)
        for figure in lineup.figures:
            assert same(figure.values[i], pair.figure(figure.name).a)
            assert same(figure.values[j], pair.figure(figure.name).b)
    alone = compare_builds(three[0], three[1], model="coarse", bands=False)
    for figure in alone.figures:
        inside = lineup.pair(0, 1).figure(figure.name)
        assert same(figure.a, inside.a)
        assert same(figure.difference, inside.difference)
        assert figure.better is inside.better


def test_three_of_one_build_are_level_and_differ_in_nothing(build_of: Make) -> None:
    found = compare_builds(*[build_of("quarry-road")] * 3, model="coarse", bands=False)
    assert found.ranks == (1, 1, 1)
    assert len({b.name for b in found.builds}) == 3
    for pair in found.pairs:
        assert all(f.difference == 0.0 or f.better is Better.NO_ANSWER for f in pair.figures)
        assert {v.choice for v in pair.verdicts} == {Better.NO_DIFFERENCE}
    assert not any(f.differs for f in found.figures)
    assert "No build has better street manners" in lineup_words(found)[0]


@pytest.mark.parametrize("order", [(1, 0, 2), (2, 1, 0), (1, 2, 0)])
@pytest.mark.parametrize("mixed", [False, True])
def test_three_builds_in_another_order_give_the_same_answer(three: tuple[Any, ...], lineup: Any, build_of: Make, order: tuple[int, ...], mixed: bool) -> None:
    """Three cams of one sheet; three sheets, unlike in gearing, transmission, cylinders and units."""
    builds = (three[0], build_of("dockside"), build_of("long-meadow")) if mixed else three
    first = compare_builds(*builds, model="coarse", bands=False) if mixed else lineup
    other = compare_builds(*(builds[k] for k in order), model="coarse", bands=False)
    assert other.ranks == tuple(first.ranks[k] for k in order)
    assert other.better_than == tuple(first.better_than[k] for k in order)
    for one, two in zip(first.figures, other.figures, strict=True):
        assert one.name == two.name
        assert all(same(one.values[k], two.values[place]) for place, k in enumerate(order)), one.name
        assert two.favours == tuple(one.favours[k] for k in order)
    for place, k in enumerate(order):
        for later, j in enumerate(order[place + 1 :], place + 1):
            for v, w in zip(first.pair(k, j).verdicts, other.pair(place, later).verdicts, strict=True):
                assert w.choice is (v.choice.swapped if k > j else v.choice)


def test_bands_of_a_pair_do_not_depend_on_who_else_is_compared(three: tuple[Any, ...]) -> None:
    found = compare_builds(*three, model="coarse")
    alone = compare_builds(three[0], three[2], model="coarse")
    inside = found.pair(0, 2)
    assert found.samples == alone.samples == 16
    for name in ("vacuum", "imep_variation", "air_0_1", "slow_shaking"):
        assert math.isfinite(alone.figure(name).low)
        assert (inside.figure(name).low, inside.figure(name).high) == (alone.figure(name).low, alone.figure(name).high), name


def test_the_matrix_fits_the_terminal_and_the_page(lineup: Any) -> None:
    text = printed(lineup)
    flat = " ".join(text.split())
    assert flat.index(lineup.cautions[0]) < flat.index("Best street manners: QR standard") < flat.index("Best street manners first")
    assert f"{len(lineup.others)} more figures" in flat
    for figure in lineup.headlines:
        assert all(figure.text(k) in text for k in range(3))
    full = printed(lineup, full=True)
    assert all(figure.text(0) in full for figure in lineup.others)
    page = compare_html(lineup)
    html5lib.HTMLParser(strict=True).parse(page)
    tree = html5lib.parse(page, namespaceHTMLElements=False)
    rows = {row.get("id"): [" ".join("".join(cell.itertext()).split()) for cell in row] for row in tree.iter("tr") if row.get("id")}
    for figure in (*lineup.headlines, *lineup.others):
        assert rows[f"row-{figure.name}"][1:] == [figure.text(k) for k in lineup.order]
    assert len(tree.findall(".//figure")) == 4


def test_the_command_takes_three_sheets(capsys: pytest.CaptureFixture[str], at_root: Path, coarse: None) -> None:
    sheets = [f"examples/{name}/build.toml" for name in ("quarry-road", "dockside", "long-meadow")]
    assert main(["compare", *sheets, "--no-bands", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert [b["build"] for b in told["builds"]] == ["Quarry Road", "Dockside", "Long Meadow"]
    assert min(told["ranks"]) == 1
    assert len(told["pairs"]) == 3
    assert main(["compare", *sheets, "--no-bands", "--units", "imperial"]) == 0
    assert "mph" in capsys.readouterr().out


def test_a_figure_is_asked_for_by_name_and_goes_to_a_table(lineup: Any) -> None:
    assert lineup.figure("vacuum").values[1] > lineup.figure("vacuum").values[0]
    with pytest.raises(cc.InputError, match="vacuum"):
        lineup.figure("vacum")
    assert lineup.to_frame().columns[3:] == [b.name for b in lineup.builds]
