"""Invented drives as logs of the package, and their tables; each is driven once."""

from __future__ import annotations

import functools
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc import SparkTable
from camcalc.logs import DriveLog
from tests.oracles import drive_log

INNER = {"speed": 1.0 / 60.0, "load": 1e3}


def as_log(drive: drive_log.Log, *skipped: str) -> DriveLog:
    """The logged channels in inner units."""
    channels: dict[str, Any] = {name: values * INNER.get(name, 1.0) for name, values in drive.logged.items() if name not in skipped}
    return DriveLog.of(load_kind="manifold pressure" if "load" in channels else "", **channels)


def as_table(cells: list[list[float]]) -> SparkTable:
    """Cells of the generator as a table."""
    axes: dict[str, Any] = {"speed": np.array(drive_log.SPEEDS) / 60.0, "loads": np.array(drive_log.LOADS) * 1e3}
    return SparkTable(load_kind="manifold pressure", **axes, cells=np.array(cells), increment=1.0)


@pytest.fixture(scope="session")
def driven() -> Callable[..., drive_log.Log]:
    """Drive one of the kinds, by name; arguments as for ``run``."""

    @functools.cache
    def drive(kind: str, **how: Any) -> drive_log.Log:
        return drive_log.run(drive_log.DRIVES[kind], **how)

    return drive
