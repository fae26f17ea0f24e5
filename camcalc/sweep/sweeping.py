"""A sweep over builds on any executor: threads of this machine, processes, or a cluster; the same rows to the last bit."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Iterable
from concurrent.futures import Executor, Future, ThreadPoolExecutor, as_completed
from typing import TYPE_CHECKING, Any

from ..array_record import frame_of
from ..cautions import AT_IDLE_SPARK
from ..errors import CamcalcError, InputError
from ..sheet.sheet import Build
from .rows import SweepRow, row_of
from .variants import Variant

if TYPE_CHECKING:
    import polars

__all__ = ["Sweep", "run_sweep"]


@dataclasses.dataclass(frozen=True, kw_only=True)
class Sweep:
    """The rows of a sweep, in the order of its builds; how many of them were done again here, after whoever worked them out was lost."""

    rows: tuple[SweepRow, ...]
    model: str
    done_again: int = 0

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON."""
        return {"model": self.model, "cautions": list(AT_IDLE_SPARK), "rows": [row.to_dict() for row in self.rows]}

    def to_frame(self) -> polars.DataFrame:
        """Return a row for each build: what was varied, then the figures with their units in the columns' names."""
        import polars

        keys = dict.fromkeys(key for row in self.rows for key in row.varied)
        varied = polars.DataFrame({key: [row.varied.get(key, "") for row in self.rows] for key in keys})
        return polars.concat([varied, frame_of(self.rows)], how="horizontal") if keys else frame_of(self.rows)


def run_sweep(
    builds: Iterable[Build | Variant],
    *,
    model: str = "resolved",
    executor: Executor | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> Sweep:
    """Work out idle and road of many builds, a row each.

    Parameters
    ----------
    builds : iterable of Build or Variant
        ``varied_builds`` makes variants of a sheet.
    model : str
        ``"resolved"`` or ``"quick"``, as for ``make_brief``.
    executor : concurrent.futures.Executor
        Who works: threads of this machine when left out; a pool of processes, or the executor of a cluster's client. The rows are the same.
    progress : callable
        Told the share done.

    Raises
    ------
    InputError
        Without builds.

    Notes
    -----
    What a worker that was lost had to do is done again here. A build that does not idle is a row like any other, with its outcome.

    Examples
    --------
    >>> from camcalc.sweep import varied_builds
    >>> found = run_sweep(varied_builds("examples/quarry-road/build.toml", {"cam.lobe_separation": ["108 cam_deg", "114 cam_deg"]}), model="quick")
    >>> bool(found.rows[1].rough_below < found.rows[0].rough_below)
    True
    """
    asked = [one if isinstance(one, Variant) else Variant(one, {}) for one in builds]
    if not asked:
        raise InputError("sweep", came="no builds", expected="one or more")
    own = ThreadPoolExecutor(os.cpu_count() or 1) if executor is None else None
    futures: dict[Future[SweepRow], int] = {}
    rows: dict[int, SweepRow] = {}
    try:
        pool = own or executor
        assert pool is not None
        for k, variant in enumerate(asked):
            try:
                futures[pool.submit(row_of, k + 1, variant, model)] = k
            except CamcalcError:
                raise
            except Exception:
                # The executor is lost, whatever its own error is called.
                break
        for future in as_completed(futures):
            try:
                rows[futures[future]] = future.result()
            except CamcalcError:
                raise
            except Exception:
                # A lost worker; an error of the work itself comes again below.
                continue
            progress(len(rows) / len(asked))
    finally:
        for future in futures:
            future.cancel()
        if own is not None:
            own.shutdown(cancel_futures=True)
    lost = [k for k in range(len(asked)) if k not in rows]
    for k in lost:
        rows[k] = row_of(k + 1, asked[k], model)
        progress(len(rows) / len(asked))
    return Sweep(rows=tuple(rows[k] for k in range(len(asked))), model=model, done_again=len(lost))
