"""What spark to start with: idle, ceilings of the zone, a starting table. ``python examples/questions/what_spark_to_start_with.py [resolved|quick]``.

FINAL spark, table plus every adder. The quick model takes seconds and puts the ceilings of a long cam too high; the resolved one takes half a minute.
"""

import sys
from pathlib import Path

import numpy as np

import camcalc as cc

model = sys.argv[1] if len(sys.argv) > 1 else "resolved"
build = cc.load_build(Path(__file__).parents[1] / "quarry-road" / "build.toml")
brief = cc.make_brief(build, model=model, bands=False)
print(f"{build.cam.name}, {model} model; crank_deg before top dead centre, FINAL spark: table plus every adder")

around, ceilings = brief.idle_spark, brief.spark_ceilings
print("idle: " + ", ".join(f"{spark:.0f} at {speed:.0f} rpm" for speed, spark in zip(around.speed.magnitude, around.spark.magnitude, strict=True)))
if not ceilings.has_zone:
    print("no cell needs a ceiling: best torque and knock decide as ever")
    sys.exit()
for name, grid in (("ceilings", ceilings.ceiling), ("starting table", ceilings.starting_spark)):
    print(f"{name}\n  kPa \\ rpm" + "".join(f"{speed:6.0f}" for speed in ceilings.speed.magnitude))
    for load, row in zip(ceilings.manifold_pressure.magnitude[::-1], grid.magnitude[::-1], strict=True):
        print(f"{load:11.0f}" + "".join("     ." if np.isnan(spark) else f"{spark:6.0f}" for spark in row))
print(f"{int(np.isfinite(ceilings.si.ceiling).sum() - ceilings.cured.sum())} of the ceilings are the late-burn floor: not cured by spark")
print(brief.sensitivity.remark)
