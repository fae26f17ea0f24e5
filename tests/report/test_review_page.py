"""The page of a reviewed log: complete by itself, the five answers first, cautions before the cells, long logs thinned without losing a peak."""

from __future__ import annotations

import itertools
from pathlib import Path

import html5lib
import numpy as np
import pytest

from camcalc import load_build, read_log, read_table
from camcalc.cautions import OVER_SPARK_TABLE, Caution
from camcalc.cli.main import main
from camcalc.logs import DriveLog, LogReview, compare_logs, find_surge, review_curves, review_for_build, review_log
from camcalc.logs.drawn import COLUMNS, log_trace
from camcalc.report.review_page import review_html
from camcalc.words.review_glance import GLANCE_HEADS

ROOT = Path(__file__).parents[2]
STEEP = ROOT / "examples" / "steep-table"
SHEET = ROOT / "examples" / "quarry-road" / "build.toml"


@pytest.fixture(scope="module")
def review() -> LogReview:
    return review_for_build(read_log(STEEP / "before.csv"), load_build(SHEET), read_table(STEEP / "steep.csv"), ceilings=False)


@pytest.fixture(scope="module")
def page(review: LogReview) -> str:
    return review_html(review, review_curves(review))


def flat(text: str) -> str:
    return " ".join(text.split())


def test_the_page_needs_nothing_else_and_opens_with_the_five_answers(page: str, review: LogReview) -> None:
    assert "Content-Security-Policy" in page
    assert not any(word in page for word in ('src="', "url(http", "@import", "<link", 'href="http'))
    tree = html5lib.parse(page, namespaceHTMLElements=False)
    answers = [flat("".join(e.itertext())) for e in tree.iter("li") if e.find("h3") is not None]
    assert [text.startswith(head) for text, head in zip(answers, GLANCE_HEADS, strict=True)] == [True] * 5
    assert "Lower 17 cells" in answers[-1]
    assert "The table" in answers[3]
    assert len(review.lower) == 17


def test_the_page_warns_before_its_cells_and_lists_every_change(page: str, review: LogReview) -> None:
    text = flat("".join(html5lib.parse(page, namespaceHTMLElements=False).itertext()))
    cells = text.index("Cells of the table, deg BTDC")
    assert [caution for caution in OVER_SPARK_TABLE if caution not in text[:cells]] == []
    assert Caution.LAW in text[cells:]
    assert all(f"{advice.place}: {advice.then:g} (was {advice.now:g})" in text[cells:] for advice in review.lower)


def test_every_plot_is_there_with_its_figures_on_hover(page: str) -> None:
    for name in ("trace", "driven", "spectrum", "path"):
        assert f'id="review-{name}-title"' in page
    assert page.count("<svg") == 4
    assert "2.3 Hz at 1300 rpm" in page
    assert "driven 11.0 s, in surge" in page


def test_two_logs_stand_side_by_side_on_the_same_axes(review: LogReview) -> None:
    build = load_build(SHEET)
    after = review_for_build(read_log(STEEP / "after.csv"), build, read_table(STEEP / "shaped.csv"), ceilings=False)
    found = review_html(after, review_curves(after, review.log), compare_logs(review.log, after.log))
    text = flat("".join(html5lib.parse(found, namespaceHTMLElements=False).itertext()))
    assert "Better: the swing is" in text
    assert "The same cruise in both logs" in text
    assert 'id="review-trace_before-title"' in found
    assert 'id="review-trace_after-title"' in found
    assert "Before: before.csv" in text
    assert "After: after.csv" in text
    assert review_html(after, review_curves(after, review.log), compare_logs(review.log, after.log)) == found


def test_a_page_of_a_log_without_anything_to_draw_is_a_page() -> None:
    log = DriveLog.of(time=np.arange(0.0, 1.0, 0.05), speed=np.full(20, 20.0))
    review = review_log(log)
    curves = review_curves(review)
    assert (curves.table, curves.worst, curves.spectrum) == (None, None, None)
    assert "No answer" in review_html(review, curves)


def test_a_long_log_is_thinned_to_columns_that_keep_every_peak() -> None:
    rng = np.random.default_rng(8)
    time = np.delete(np.arange(0.0, 3000.0, 0.05), slice(20000, 26000))
    speed = 22.0 + rng.normal(size=time.size)
    speed[777] = 99.0
    log = DriveLog.of(time=time, speed=speed, spark=np.where(time < 10.0, np.nan, 24.0))
    trace = log_trace(log, find_surge(log))
    si = trace.si
    assert len(si.time) == COLUMNS
    assert trace.row_count == len(time)
    edges = np.linspace(time[0], time[-1], COLUMNS + 1)
    inside = [speed[(time >= a) & (time < b)] for a, b in itertools.pairwise(edges)]
    inside[-1] = speed[time >= edges[-2]]
    assert np.array_equal(si.speed_high, [part.max() if part.size else np.nan for part in inside], equal_nan=True)
    assert np.array_equal(si.speed_low, [part.min() if part.size else np.nan for part in inside], equal_nan=True)
    assert np.nanmax(si.speed_high) == 99.0
    assert np.isnan(si.speed_low).sum() >= 90
    assert np.isnan(si.spark_low[0])


def test_a_short_log_is_drawn_row_by_row_with_its_breaks() -> None:
    time = np.concatenate([np.arange(0.0, 5.0, 0.1), np.arange(8.0, 12.0, 0.1)])
    log = DriveLog.of(time=time, speed=np.linspace(20.0, 22.0, time.size))
    trace = log_trace(log, find_surge(log))
    assert len(trace.si.time) == len(time) + 1
    assert np.isnan(trace.si.speed_low).sum() == 1
    assert np.array_equal(trace.si.speed_low[np.isfinite(trace.si.speed_low)], log.si.speed)


def test_the_command_writes_the_page_and_refuses_before_the_work(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "review.html"
    words = ["review", str(STEEP / "before.csv"), str(SHEET), "--table", str(STEEP / "steep.csv"), "--no-ceilings", "--html", str(out)]
    assert main(words) == 0
    assert "Log review: before.csv" in out.read_text()
    first = out.read_bytes()
    assert main(["review", "no such log", *words[2:]]) == 1
    assert "--force" in capsys.readouterr().err
    assert main([*words, "--force"]) == 0
    assert out.read_bytes() == first
    assert main([*words[:-1], str(STEEP / "before.csv"), "--force"]) == 1
    assert "no input of this command" in capsys.readouterr().err


def test_text_from_a_log_is_text_on_the_page() -> None:
    t = np.arange(0.0, 20.0, 0.02)
    log = DriveLog.of(time=t, speed=22.0 + np.sin(15.0 * t), spark=20.0 + np.sin(15.0 * t), source="<script>$x$.csv")
    review = review_log(log)
    page = review_html(review, review_curves(review, log), compare_logs(log, log))
    assert "<script>" not in page
    assert "&lt;script&gt;" in page
