"""Which gear bucks on the level road, and below which speed? ``python examples/questions/which_gear_bucks.py [resolved|quick]``.

The quick model answers in seconds; it knows less of how a long cam's charge varies. The table is taken as final spark.
"""

import sys
from pathlib import Path

import camcalc as cc
from camcalc.cautions import AT_SURGE
from camcalc.cycle.operating import ModelUse

folder = Path(__file__).parents[1] / "quarry-road"
model = sys.argv[1] if len(sys.argv) > 1 else "resolved"
build, table = cc.load_build(folder / "build.toml"), cc.read_table(folder / "spark.csv")
engine = {"resolved": cc.ResolvedEngine, "quick": cc.QuickEngine}[model](build)

print(f"{build.cam.name}, the spark table of the cam before it, {model} model")
for caution in (*AT_SURGE, *([cc.describe(ModelUse.TEACHING_ONLY)] if engine.teaching_only else [])):
    print(f"! {caution}")
found = cc.surge_in_gears(build, table, engine=engine)
if not engine.teaching_only:  # no verdict from a model for learning
    print(cc.describe(found))
for gear in found.gears:
    worst = min(range(len(gear.verdict)), key=lambda k: gear.si.damping[k])
    at = f"{gear.speed.magnitude[worst]:.0f} rpm ({gear.road_speed[worst].to('mph').magnitude:.0f} mph)"
    print(f"gear {gear.gear}: least damping ratio {gear.si.damping[worst]:.3f} at {at}, {gear.frequency.magnitude[worst]:.1f} Hz")
