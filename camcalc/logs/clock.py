"""Times of a log: plain numbers, times of day with or without a date, stamps that repeat because the clock is coarse."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import polars as pl

__all__ = ["CLOCK", "Clock", "is_time_of_day", "read_clock", "spread_stamps"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

# The unit of a column of times of day.
CLOCK = "clock time"
# Hours may be left out, and parts of a second may follow a point, a comma or a colon. A date before it is compared with the row above only, so that
# no order of day and month is guessed.
_PYTHON = re.compile(
    r"^\s*(?:(?P<date>\d{1,4}[./-]\d{1,2}[./-]\d{1,4})[\sT,]+)?(?:(?P<h>\d{1,3}):)?(?P<m>\d{1,2}):(?P<s>\d{1,2})(?:[.,:](?P<f>\d{1,9}))?"
    r"\s*(?P<half>[AaPp]\.?[Mm]\.?)?\s*(?:Z|UTC|[+-]\d{2}:?\d{2})?\s*$"
)
_DAY, _HALF_DAY = 86400.0, 43200.0
# Stamps are coarse if this share of rows repeats the one before; ESTIMATE.
COARSE = 0.2


class Clock(NamedTuple):
    """Times of day [s] counted from the first, not-a-number where a cell is none; the first as written."""

    seconds: Array
    start: str


def is_time_of_day(text: str) -> bool:
    """Whether a text is a time of day, with or without a date.

    >>> [is_time_of_day(t) for t in ("12:30:01.250", "2031-05-02T08:00:00", "1:02,5", "12.5")]
    [True, True, True, False]
    """
    return _PYTHON.match(text) is not None


def read_clock(series: pl.Series) -> Clock:
    """Return times of day as seconds from the first on; past midnight they run on.

    Parameters
    ----------
    series : polars.Series
        Texts, or the library's own times, dates with times or durations.

    Examples
    --------
    >>> import polars as pl
    >>> read_clock(pl.Series(["23:59:59.5", "00:00:00,25", "x"])).seconds.tolist()
    [0.0, 0.75, nan]
    """
    import polars as pl

    if series.dtype != pl.String:
        raw = series.cast(pl.Int64).to_numpy().astype(float)
        per_second = {"ms": 1e3, "us": 1e6, "ns": 1e9}[getattr(series.dtype, "time_unit", "ns") or "ns"]
        known = series.is_not_null().to_numpy()
        seconds = np.where(known, raw, np.nan) / per_second
        return _from_first(seconds, [str(v) for v in series.drop_nulls().head(1)], wraps=series.dtype == pl.Time)
    parts = series.str.extract_groups(_PYTHON.pattern).struct.unnest()
    number = {name: parts[name].cast(pl.Float64, strict=False) for name in ("h", "m", "s")}
    fraction = ("0." + parts["f"].fill_null("0")).cast(pl.Float64, strict=False)
    hours = number["h"].fill_null(0.0)
    if parts["half"].null_count() < len(series):
        afternoon = parts["half"].str.to_lowercase().str.starts_with("p").fill_null(False).cast(pl.Float64)
        hours = hours % 12.0 + 12.0 * afternoon if afternoon.len() else hours
    seconds = (hours * 3600.0 + number["m"] * 60.0 + number["s"] + fraction).to_numpy().astype(float)
    first = series.filter(pl.Series(np.isfinite(seconds))).head(1).to_list()
    if parts["date"].null_count() < len(series):
        dates = parts["date"].fill_null(strategy="forward").fill_null(strategy="backward")
        days = (dates != dates.shift(1)).fill_null(False).cum_sum().to_numpy().astype(float)
        return _from_first(seconds + _DAY * days, first, wraps=False)
    return _from_first(seconds, first, wraps=True)


def _from_first(seconds: Array, first: list[str], *, wraps: bool) -> Clock:
    known = np.flatnonzero(np.isfinite(seconds))
    if not known.size:
        return Clock(seconds, "")
    if wraps:
        days = np.cumsum(np.diff(seconds[known], prepend=seconds[known[0]]) < -_HALF_DAY)
        seconds = seconds.copy()
        seconds[known] += _DAY * days
    # Rounded to the nanosecond, so that what the clock wrote is not blurred by the hours taken off.
    return Clock(np.round(seconds - seconds[known[0]], 9), first[0].strip() if first else "")


def spread_stamps(time: Array, usable: Mask) -> tuple[Array, float] | None:
    """Return times with rows of one stamp spread evenly up to the next, and the usual step of the stamps; nothing where the stamps are fine enough.

    Parameters
    ----------
    time : array, shape (n,) [s]
    usable : mask, shape (n,)
        Rows that count.

    Examples
    --------
    >>> spread_stamps(np.array([0.0, 0.0, 1.0, 1.0, 2.0, 2.0]), np.ones(6, dtype=bool))[0].tolist()
    [0.0, 0.5, 1.0, 1.5, 2.0, 2.5]
    """
    rows = np.flatnonzero(usable)
    stamps = time[rows]
    if len(rows) < 4 or (np.diff(stamps) < 0.0).any() or (np.diff(stamps) == 0.0).mean() < COARSE:
        return None
    starts = np.flatnonzero(np.diff(stamps, prepend=-np.inf) > 0.0)
    if len(starts) < 3:
        return None
    sizes = np.diff(np.append(starts, len(rows)))
    steps = np.diff(stamps[starts])
    usual, step = float(np.median(sizes[1:-1])), float(np.median(steps))
    if usual < 2.0:
        return None
    # The first stamp may have begun before the log, the last may go on after it: both are spread at the usual step.
    each = step / usual
    group = np.repeat(np.arange(len(starts)), sizes)
    place = np.arange(len(rows)) - starts[group]
    # A stamp before a pause lasts no longer than another.
    spacing = np.append(np.where(steps > 1.5 * step, step, steps), step) / sizes
    spacing[0], spacing[-1] = each, each
    out = time.copy()
    out[rows] = stamps + place * spacing[group]
    first = group == 0
    if sizes[0] < usual:
        out[rows[first]] = stamps[0] + steps[0] - each * (sizes[0] - place[first])
    return out, step
