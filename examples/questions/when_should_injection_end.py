"""When must injection end? ``python examples/questions/when_should_injection_end.py [resolved|quick]``.

The quick model knows valve events only. The resolved one follows the fuel through the flows and takes a minute or two.
"""

import sys
from pathlib import Path

import numpy as np

import camcalc as cc
from camcalc.words.injection import basis_words, end_words

model = sys.argv[1] if len(sys.argv) > 1 else "resolved"
build = cc.load_build(Path(__file__).parents[1] / "quarry-road" / "build.toml")
brief = cc.make_brief(build, model=model, bands=False, cures=False, curves=False)
windows = brief.injection
if brief.not_for:
    print(f"! {cc.describe(brief.not_for)}")
if not windows.applies:
    print(cc.describe(windows))
    sys.exit()

print(f"{build.cam.name}, {model} model. {basis_words(windows)}")
for row, load in enumerate(windows.manifold_pressure.magnitude):
    for column, speed in enumerate(windows.speed.magnitude):
        if np.isfinite(windows.si.end_of_injection[row, column]):
            print(f"  {load:3.0f} kPa, {speed:4.0f} rpm: end {end_words(windows, row, column)}, pulse {windows.pulse_width.magnitude[row, column]:.1f} ms")
