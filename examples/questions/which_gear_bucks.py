"""Which gear bucks on the level road, and below which speed? ``python examples/questions/which_gear_bucks.py [resolved|quick]``.

The quick model answers in seconds; it knows less of how a long cam's charge varies. The table is taken as FINAL spark.
"""

import sys
from pathlib import Path

import camcalc as cc
from camcalc.cautions import AT_SURGE
from camcalc.cycle.engine_tables import engine_tables
from camcalc.marks import marked

folder = Path(__file__).parents[1] / "quarry-road"
model = sys.argv[1] if len(sys.argv) > 1 else "resolved"
build, table = cc.load_build(folder / "build.toml"), cc.read_table(folder / "spark.csv")
tables = engine_tables({"resolved": cc.ResolvedEngine, "quick": cc.QuickEngine}[model](build))  # once for all gears

print(f"{build.cam.name}, the table of the cam before it, {model} model")
for caution in AT_SURGE:
    print(f"! {caution}")
for gear in range(1, len(build.vehicle.gear_ratios) + 1):
    try:
        risk = cc.surge_risk(build, table, gear=gear, engine_tables=tables)
    except cc.NoSolutionError as error:
        print(f"  gear {gear}: {error.args[0]}")
        continue
    worst = min(range(len(risk.verdict)), key=lambda k: risk.si.damping[k])
    at = f"{risk.speed[worst]:.0f~P} ({risk.road_speed[worst].to('mph').magnitude:.0f} mph)"
    print(f"  gear {gear}: least damping {risk.si.damping[worst]:.3f} of critical at {at}, mode {risk.frequency[worst]:.1f~P}: {risk.verdict[worst]}")
    bad = marked(f"{risk.bad_below * 60:.0f} rpm", risk.bad_below_mark)
    print("          nowhere disturbing" if bad == "none" else f"          disturbing or worse up to {bad}")
