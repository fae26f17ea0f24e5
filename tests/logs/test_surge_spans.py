"""Rows and times that the surge finder cuts out of a log: by hand."""

from __future__ import annotations

import numpy as np
import pytest

from camcalc.logs import DriveLog
from camcalc.logs.signals import Stretch
from camcalc.logs.spans import Spans
from camcalc.logs.surge_finder import _looked_at, _spans, _swings, between_manoeuvres, find_surge, speed_step
from camcalc.logs.swing_kind import SwingKind, folded_to_nothing


def stretch(seconds: float, *, begins: float = 100.0, step: float = 0.1) -> Stretch:
    time = begins + step * np.arange(round(seconds / step) + 1)
    return Stretch(slice(7, 7 + time.size), time, step, {"speed": np.arange(time.size, dtype=float)})


def test_a_span_goes_from_its_first_row_to_its_last() -> None:
    mask = np.zeros(11, dtype=bool)
    mask[[0, 1, 4, 6, 7, 8, 10]] = True
    # A row alone is no span.
    assert _spans(mask, stretch(1.0)) == [pytest.approx((100.0, 100.1)), pytest.approx((100.6, 100.8))]


def test_between_manoeuvres_is_what_begins_after_one_and_ends_half_a_second_before_the_next() -> None:
    piece = stretch(60.0)
    parts = between_manoeuvres(piece, Spans([(110.0, 112.0), (140.0, 141.0), (400.0, 401.0)]))
    assert [(p.time[0], p.time[-1]) for p in parts] == [pytest.approx(ends) for ends in ((100.0, 109.4), (112.1, 139.4), (141.1, 160.0))]
    for part in parts:
        assert part.values["speed"] == pytest.approx((part.time - 100.0) / 0.1)
    # One that begins within half a second of the end cuts it short.
    (only,) = between_manoeuvres(stretch(10.0), Spans([(110.3, 115.0)]))
    assert only.time[-1] == pytest.approx(109.7)


def test_rows_are_looked_at_from_two_seconds_after_a_manoeuvre_or_where_the_ringing_no_longer_shrinks_six_at_most() -> None:
    piece = stretch(30.0)
    since = piece.time - 110.0
    for size, first in ((np.ones(piece.time.size), 112.0), (np.exp(-np.clip(since, 0.0, 3.5)), 113.9), (np.exp(-np.clip(since, 0.0, 20.0)), 116.0)):
        looked = _looked_at(piece, size, Spans([(109.0, 110.0)]))
        assert piece.time[~looked][0] == pytest.approx(108.5)
        assert np.flatnonzero(np.diff(looked.astype(int))).size == 2
        # Half a second back is where a size is compared with: the step in which it stops shrinking may count either way.
        assert piece.time[looked & (piece.time > 109.0)][0] == pytest.approx(first, abs=0.15)


def test_swings_near_each_other_are_one_if_all_between_was_looked_at() -> None:
    piece = stretch(40.0)
    size, looked = np.zeros(piece.time.size), np.ones(piece.time.size, dtype=bool)
    at = piece.time - 100.0
    size[((at > 4.95) & (at < 8.05)) | ((at > 8.75) & (at < 12.05)) | ((at > 19.95) & (at < 21.05)) | ((at > 29.95) & (at < 33.05))] = 1.0
    assert _swings(looked, size, 0.5, piece) == [pytest.approx((105.0, 112.0)), pytest.approx((130.0, 133.0))]
    looked[(at > 8.35) & (at < 8.45)] = False
    assert _swings(looked, size, 0.5, piece) == [pytest.approx(ends) for ends in ((105.0, 108.0), (108.8, 112.0), (130.0, 133.0))]
    # Over six tenths of the least throughout, but over the least itself for less than a second.
    size[(at > 4.95) & (at < 12.05)] = 0.4
    size[(at > 6.95) & (at < 7.75)] = 0.6
    assert _swings(np.ones_like(looked), size, 0.5, piece) == [pytest.approx((130.0, 133.0))]


@pytest.mark.parametrize("step", [0.5, 10.0, 25.0])
def test_steps_are_seen_whatever_speed_they_begin_at(step: float) -> None:
    speed = 1303.0 + step * np.round(np.random.default_rng(3).uniform(0.0, 40.0, 400))
    assert 60.0 * speed_step(DriveLog.of(time=np.arange(400.0), speed=speed / 60.0)) == pytest.approx(step, rel=1e-9)
    assert speed_step(DriveLog.of(time=np.arange(400.0), speed=(speed + np.random.default_rng(5).normal(0.0, 3.0, 400)) / 60.0)) == 0.0


def test_time_in_pieces_too_short_is_told_to_the_second() -> None:
    # A piece of 30 s, a gap, and one of half a second; then nothing but such pieces.
    long, short = np.arange(0.0, 30.01, 0.02), 60.0 + np.arange(0.0, 1.21, 0.02)
    time = np.concatenate([long, short])
    found = find_surge(DriveLog.of(time=time, speed=np.full(time.size, 22.0), pedal=np.full(time.size, 0.2)))
    assert found.si.looked_at == pytest.approx(30.0, abs=0.1)


@pytest.mark.parametrize(
    ("speed", "rate", "line"),
    [
        # Crank speed [rev/s] and rows a second: a line at half or a quarter of the speed that falls on a multiple of the rate looks like nothing.
        (20.0, 10.0, SwingKind.ONCE_PER_CYCLE),
        (20.0, 5.0, SwingKind.ONCE_PER_CYCLE),
        (40.4, 10.0, SwingKind.ONCE_PER_CYCLE),
        (28.0, 7.0, SwingKind.ONCE_PER_CYCLE),
        (28.0, 6.4, SwingKind.ALTERNATE_CYCLES),
        (20.0, 50.0, None),
        (24.0, 10.0, None),
        # A slow line that is resolved is no line folded.
        (1.6, 10.0, None),
    ],
)
def test_a_line_on_the_rate_of_the_rows_folds_to_nothing(speed: float, rate: float, line: SwingKind | None) -> None:
    time = np.arange(40.0) / rate
    piece = Stretch(slice(0, 40), time, 1.0 / rate, {"speed": np.full(40, speed)})
    assert folded_to_nothing(0.3, piece, np.ones(40, dtype=bool)) is line
    # A faster swing than that is none of it.
    assert folded_to_nothing(2.0, piece, np.ones(40, dtype=bool)) is None
