"""Which of two cams has the better street manners? ``python examples/questions/which_of_two_cams.py``.

Here the long cam (A) against the mild one it replaces (B), in one engine.
"""

from pathlib import Path

import camcalc as cc

build = cc.load_build(Path(__file__).parents[1] / "quarry-road" / "build.toml")
# For two build sheets of your own: cc.compare_builds(cc.load_build("a.toml"), cc.load_build("b.toml")).
both = cc.compare_builds(build, bands=False)

print(f"{both.model}; A: {both.a.cam.name}, B: {both.b.cam.name}")
for caution in both.cautions:
    print(f"! {caution}")
for figure in both.figures:
    better = {"a": "A is better", "b": "B is better"}.get(figure.better, figure.better)
    print(f"{figure.what:50}{figure.text('a'):>12}{figure.text('b'):>12}  {figure.unit or 'to 1':14}  {better}")
for verdict in both.verdicts:
    print(verdict)
for note in both.notes:
    print(f"note: {note}")
