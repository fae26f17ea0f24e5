"""When should injection end? ``python examples/questions/when_should_injection_end.py [resolved|quick]``.

The quick model knows valve events only; the resolved one follows the fuel through the flows and takes half a minute.
"""

import sys
from pathlib import Path

import numpy as np

import camcalc as cc

model = sys.argv[1] if len(sys.argv) > 1 else "resolved"
build = cc.load_build(Path(__file__).parents[1] / "quarry-road" / "build.toml")
windows = cc.make_brief(build, model=model, bands=False).injection
if not windows.applies:
    print(f"does not apply: {windows.reason}")
    sys.exit()

print(f"{build.cam.name}, {model} model, by {windows.basis}")
print(f"end of injection in crank_deg {windows.angle_reference}, negative after it; pulse in ms")
ends = windows.in_reference("end_of_injection")
for row, load in enumerate(windows.manifold_pressure.magnitude):
    for column, speed in enumerate(windows.speed.magnitude):
        if np.isfinite(ends[row, column]):
            pulse, strategy = windows.pulse_width.magnitude[row, column], windows.strategy[row][column]
            print(f"  {load:3.0f} kPa, {speed:4.0f} rpm: ends {ends[row, column]:4.0f} crank_deg, pulse {pulse:.1f} ms, {strategy}")
