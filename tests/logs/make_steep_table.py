"""Make the shaped table and both logs of ``examples/steep-table``.

Run from the repository root with ``python -m tests.logs.make_steep_table``; shaping takes half a minute. The logs come from the independent
simulation of ``tests/oracles/drive_log.py``: its drive on a steep table, once on ``steep.csv`` and once, all else equal, on what shaping makes of it.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

from camcalc import read_table
from camcalc.cli.main import main as camcalc
from tests.oracles.drive_log import DRIVES, LOADS, SPEEDS, run

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
FOLDER = EXAMPLES / "steep-table"
# Of both drives: how much burns vary [N m]; rows a second; and a seed for each log.
BURN_NOISE, RATE, BEFORE, AFTER = 0.4, 25.0, 1, 2
COLUMNS = {
    "time": "time [s]",
    "speed": "engine speed [rpm]",
    "spark": "spark [crank_deg]",
    "load": "manifold pressure [kPa]",
    "pedal": "pedal [%]",
    "road_speed": "road speed [m/s]",
    "gear": "gear",
}


def cells_of(path: Path) -> list[list[float]]:
    """Return the cells of a table that lies on the simulation's own axes."""
    table = read_table(path)
    assert np.allclose(table.si.speed * 60.0, SPEEDS)
    assert np.allclose(table.loads / 1e3, LOADS)
    return [[float(cell) for cell in row] for row in table.si.cells]


def write_log(path: Path, *, table: Path, seed: int) -> Path:
    """Drive on a table for half a minute and write what a logger sees, the pedal in percent."""
    log = run(dataclasses.replace(DRIVES["table"], cells=cells_of(table), burn_noise=BURN_NOISE), seed=seed, rate=RATE)
    log.logged["pedal"] = 100.0 * log.logged["pedal"]
    return log.write_csv(path, COLUMNS, decimals=3)


def shape(out: Path) -> Path:
    """Shape the steep table as the scenario's README does; the car of the logs is none of the sheet's, so a step per cell stands for its slopes."""
    build, steep = EXAMPLES / "quarry-road" / "build.toml", FOLDER / "steep.csv"
    assert camcalc(["shape", str(build), "--table", str(steep), "--per-cell", "3 crank_deg", "--out", str(out)]) == 0
    return out


def main() -> None:
    """Write the three files, and the cautions beside the table."""
    steep, shaped = FOLDER / "steep.csv", FOLDER / "shaped.csv"
    for path in (shaped, shaped.with_suffix(".txt")):
        path.unlink(missing_ok=True)
    shape(shaped)
    write_log(FOLDER / "before.csv", table=steep, seed=BEFORE)
    write_log(FOLDER / "after.csv", table=shaped, seed=AFTER)


if __name__ == "__main__":
    main()
