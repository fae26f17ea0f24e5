"""The brief's tables as CSV files."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..build.saving import write_atomically
from ..tables.proposed import table_to_type

if TYPE_CHECKING:
    from ..brief import Brief

__all__ = ["TABLE_NAMES", "brief_tables", "write_tables"]

GRIDS = (
    "ceiling", "ceiling_low", "ceiling_high", "least_limit", "best_spark", "knock", "floor", "burned_fraction", "imep_variation",
    "air_charge", "relative_charge",
)  # fmt: skip
TABLE_NAMES = tuple(f"{name}.csv" for name in (*GRIDS, "starting_table", "idle", "reversion", "end_of_injection"))


def brief_tables(brief: Brief) -> dict[str, str]:
    """Return every table of the brief as CSV text by file name."""
    ceilings = brief.spark_ceilings
    tables = {}
    for name in GRIDS:
        field = type(ceilings).measures()[name]
        tables[f"{name}.csv"] = _grid(
            f"manifold_pressure [kPa] \\ speed [rpm]; {name} [{field.show}]",
            ceilings.speed.magnitude,
            ceilings.manifold_pressure.magnitude,
            getattr(ceilings, name).magnitude,
        )
    tables["starting_table.csv"] = table_to_type(ceilings).text()
    tables["idle.csv"] = _records((*brief.idle.new, *brief.idle.replaced))
    tables["reversion.csv"] = _records(brief.reversion)
    windows = brief.injection
    if windows.applies:
        tables["end_of_injection.csv"] = _grid(
            f"manifold_pressure [kPa] \\ speed [rpm]; end_of_injection [crank_deg {windows.angle_reference}]",
            windows.speed.magnitude,
            windows.manifold_pressure.magnitude,
            windows.in_reference("end_of_injection"),
        )
    return tables


def write_tables(brief: Brief, folder: Path) -> list[Path]:
    """Write every table into a folder; nothing half written."""
    return [write_atomically(folder / name, text) for name, text in brief_tables(brief).items()]


def _grid(corner: str, columns: Any, rows: Any, values: Any) -> str:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow([corner, *(f"{c:g}" for c in columns)])
    for row, line in zip(rows, values, strict=True):
        writer.writerow([f"{row:g}", *(f"{v:.3f}" if math.isfinite(v) else "" for v in line)])
    return out.getvalue()


def _records(records: Any) -> str:
    out = io.StringIO()
    writer = csv.writer(out)
    for k, record in enumerate(records):
        measures = type(record).measures()
        cells = [
            (f"{n} [{measures[n].show}]", f"{v.magnitude:.4f}" if math.isfinite(v.magnitude) else "") if n in measures else (n, str(v))
            for n, v in record.items()
        ]
        if k == 0:
            writer.writerow([c[0] for c in cells])
        writer.writerow([c[1] for c in cells])
    return out.getvalue()
