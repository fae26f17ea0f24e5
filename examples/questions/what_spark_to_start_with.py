"""What spark to start with: idle, ceilings of the zone, a starting table. ``python examples/questions/what_spark_to_start_with.py``.

Final spark: table plus every correction. It takes some minutes: the crank-resolved cycle in every cell.
"""

from pathlib import Path

import camcalc as cc
from camcalc.cautions import BESIDE_SPARK_TABLE
from camcalc.marks import Mark, marks_in

build = cc.load_build(Path(__file__).parents[1] / "quarry-road" / "build.toml")
brief = cc.make_brief(build, bands=False, cures=False, curves=False)
print(f"{build.cam.name}, {brief.model}. Final spark (table plus every correction), deg BTDC")
for caution in BESIDE_SPARK_TABLE:
    print(f"! {caution}")

around, ceilings, starting = brief.idle_spark, brief.spark_ceilings, brief.starting_table
print("idle spark: " + ", ".join(f"{spark} at {speed} rpm" for speed, spark in zip(around.texts("speed"), around.texts("spark"), strict=True)))
print(cc.describe(around))
for head, record, name in (("spark ceilings", ceilings, "ceiling"), ("starting table", starting, "spark")):
    rows = list(zip(record.texts("manifold_pressure"), record.texts(name), strict=True))
    speeds = record.texts("speed")
    width = 2 + max(len(text) for row in (speeds, *(row for _, row in rows)) for text in row)
    print(f"{head}\n  kPa \\ rpm" + "".join(f"{speed:>{width}}" for speed in speeds))
    for load, row in reversed(rows):
        print(f"{load:>11}" + "".join(f"{text or '.':>{width}}" for text in row))
for mark in marks_in(Mark.BLANK, around.marks["spark"], ceilings.marks["ceiling"], starting.marks["spark"]):
    print(f"  {mark}" + (" (a point here)" if mark is Mark.BLANK else ""))
print(cc.describe(starting))
print(cc.describe(brief.sensitivity))
