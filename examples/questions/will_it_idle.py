"""Will it idle, how evenly, on what spark, with how much vacuum? ``python examples/questions/will_it_idle.py [resolved|quick]``.

The quick model takes seconds and reads too much vacuum for a long cam; the resolved one takes half a minute.
"""

import sys
from pathlib import Path

import camcalc as cc
from camcalc.cautions import AT_BRAKES, AT_IDLE_SPARK

model = sys.argv[1] if len(sys.argv) > 1 else "resolved"
build = cc.load_build(Path(__file__).parents[1] / "quarry-road" / "build.toml")
try:
    idle = cc.make_brief(build, model=model, bands=False).idle
except cc.NoSolutionError as error:  # such a cam has no idle at the speed asked for; the lowest found is in the text
    raise SystemExit(f"no: {error}") from None

print(f"{build.cam.name}, warm, {model} model")
for caution in (*AT_IDLE_SPARK, *AT_BRAKES):
    print(f"! {caution}")
for state in idle.new:
    spark = f"{state.texts('spark')} crank_deg"
    print(f"  {state.gearbox}, accessories {state.accessories}: {state.speed:.4g~P}, {state.manifold_vacuum:.3g~P} of vacuum, spark {spark},")
    print(
        f"    burned gas {state.burned_fraction:.3g~P} of the charge, work of the cycles varies {state.imep_variation:.3g~P}; {state.flag or 'within the data'}"
    )
for text in idle.unreachable:
    print(f"  no idle: {text}")
if build.replaced_cam is not None:
    print(f"vacuum given up against {build.replaced_cam.name}: {idle.vacuum_penalty:.3g~P}")
print(idle.lowest_speeds)
print(idle.brakes)
