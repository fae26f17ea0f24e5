"""The five lines that a review opens with, and whose doing a surge is in shares."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from camcalc.logs import DriveLog, LogReview, review_log
from camcalc.logs.causes import Cause
from camcalc.logs.doing import whose_doing
from camcalc.logs.taken_away import Remedy, TakenAway
from camcalc.words.review import review_data, review_glance, review_next_step
from camcalc.words.review_glance import glance_lines
from tests.oracles import drive_log

from .conftest import as_log, as_table

Driven = Callable[..., drive_log.Log]


def steady(swing: float, seconds: float = 30.0) -> DriveLog:
    t = np.arange(0.0, seconds, 0.02)
    return DriveLog.of(time=t, speed=(1300.0 + swing * np.sin(2.0 * np.pi * 2.5 * t)) / 60.0, pedal=0.2 + 0.0 * t)


def lines(review: LogReview) -> tuple[str, ...]:
    return glance_lines(review, review_next_step(review))


def test_the_five_lines_say_whether_where_how_hard_whose_doing_and_what_next(driven: Driven) -> None:
    drive = driven("table", seed=1)
    review = review_log(as_log(drive), as_table(drive.drive.cells))
    whether, where, how_hard, whose, then = lines(review)
    assert whether.startswith("Surge in 9")
    assert whether.endswith("steady driving.")
    hardest = max(review.findings.episodes, key=lambda e: e.si.speed_amplitude)
    assert where.startswith(f"Where: gear {hardest.gear:.0f}, hardest at {60.0 * hardest.si.speed:.0f} rpm, {hardest.si.frequency:.1f} Hz")
    assert "(our grade)" in how_hard
    assert f"{100.0 * review.findings.share:.0f} % of the time looked at" in how_hard
    share = whose_doing(review.findings.episodes, review.causes)[0]
    assert whose.startswith(f"Whose doing: the table {100.0 * share.share:.0f} %")
    assert share.share > 0.7
    assert then.startswith("Next: lower ")
    assert review_data(review)["glance"] == [whether, where, how_hard, whose, then]
    assert max(map(len, review_glance(review).splitlines())) <= 100


@pytest.mark.parametrize(("log", "first", "whose"), [(steady(0.5), "No surge in 30 s", "no surge, no cause"), (steady(0.5, 2.0), "No answer", "no answer")])
def test_five_lines_where_there_is_nothing_to_tell(log: DriveLog, first: str, whose: str) -> None:
    said = lines(review_log(log))
    assert len(said) == 5
    assert said[0].startswith(first)
    assert said[3] == f"Whose doing: {whose}."


def test_without_acceleration_and_road_speed_no_grade_is_made_up() -> None:
    said = lines(review_log(steady(60.0)))
    assert "Grade not known" in said[2]
    assert "119 rpm peak to peak" in said[2] or "120 rpm peak to peak" in said[2]
    assert "gear not known" in said[1]
    assert said[3].startswith("Whose doing: not known 100 %.")


def test_shares_go_by_energy_and_what_is_not_told_comes_last(driven: Driven) -> None:
    drive = driven("table", seed=1)
    review = review_log(as_log(drive), as_table(drive.drive.cells))
    # What spark follows alone, as where a swing is too short to be weighed.
    (episode, cause) = review.findings.episodes[0], review.causes[0].replace(taken=())
    double = episode.replace(speed_amplitude=2.0 * episode.si.speed_amplitude)
    burn = cause.replace(cause=Cause.BURN, explained=math.nan, table_explained=math.nan)
    shares = {one.cause: one.share for one in whose_doing([episode, double], [cause.replace(explained=0.8), burn])}
    assert shares == pytest.approx({Cause.BURN: 0.8, Cause.TABLE: 0.16, None: 0.04})
    assert [one.cause for one in whose_doing([episode], [cause.replace(explained=0.2)])] == [Cause.TABLE, None]
    knock = cause.replace(cause=Cause.KNOCK_RETARD, explained=0.75, table_explained=0.5)
    assert {one.cause: one.share for one in whose_doing([episode], [knock])} == pytest.approx({Cause.KNOCK_RETARD: 0.75, Cause.TABLE: 0.25})
    assert whose_doing([], []) == ()


def test_shares_of_a_swing_that_was_weighed_are_taken_one_after_another(driven: Driven) -> None:
    drive = driven("table", seed=1)
    review = review_log(as_log(drive), as_table(drive.drive.cells))
    episode, cause = review.findings.episodes[0], review.causes[0]

    def taken(remedy: Remedy, share: float) -> TakenAway:
        return TakenAway(remedy=remedy, share=share, low=share, high=share)

    def shares(*away: TakenAway) -> dict[Cause | None, float]:
        return {one.cause: one.share for one in whose_doing([episode], [cause.replace(taken=away)])}

    # A table that makes nine tenths of what burns begin: burns have the tenth that a level table leaves.
    table, burn = taken(Remedy.TABLE_LEVEL, 0.9), taken(Remedy.BURN_HALVED, 0.5)
    assert shares(table, burn) == pytest.approx({Cause.TABLE: 0.9, Cause.BURN: 0.1})
    # One that damps the swing has no share in it, and what nothing takes away is not known.
    assert shares(taken(Remedy.TABLE_LEVEL, -0.3), taken(Remedy.BURN_HALVED, 0.4)) == pytest.approx({Cause.BURN: 0.8, None: 0.2})
    assert shares(taken(Remedy.PEDAL_HELD, 0.6), taken(Remedy.TABLE_LEVEL, 0.5)) == pytest.approx({Cause.DRIVER: 0.6, Cause.TABLE: 0.2, None: 0.2})
