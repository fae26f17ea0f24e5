"""Which cells of a table a log drove through without surge."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..tables.table import SparkTable
from .causes import cell_weights
from .drive_log import DriveLog
from .surge_finder import SurgeFindings

__all__ = ["CLEAN_FOR", "clean_cells"]

# A cell counts as driven from so much time [s] of its weight in the lookup; nothing said of it so close [s] to a surge. ESTIMATE.
CLEAN_FOR, BESIDE = 3.0, 1.0


def clean_cells(log: DriveLog, table: SparkTable, findings: SurgeFindings) -> NDArray[np.bool_]:
    """Return the cells that steady driving used for a few seconds and no surge touched; a row for each speed, a column for each load."""
    surging = [(e.si.start - BESIDE, e.si.end + BESIDE) for e in findings.episodes]
    driven = cell_weights(log, table, findings.windows)
    return np.asarray((driven > CLEAN_FOR) & (cell_weights(log, table, surging) < 1e-9))
