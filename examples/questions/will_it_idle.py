"""Will it idle, rough or steady, on what spark, with how much vacuum? ``python examples/questions/will_it_idle.py [resolved|quick]``.

The quick model takes seconds, and its vacuum is too good with a long cam. The resolved one takes a minute or two.
"""

import sys
from pathlib import Path

import camcalc as cc
from camcalc.cautions import AT_BRAKES, AT_IDLE_SPARK
from camcalc.words.idle import idle_verdict, lowest_speed_words

model = sys.argv[1] if len(sys.argv) > 1 else "resolved"
build = cc.load_build(Path(__file__).parents[1] / "quarry-road" / "build.toml")
try:
    brief = cc.make_brief(build, model=model, bands=False, cures=False, curves=False)
except cc.NoSolutionError as error:  # such a cam has no idle at the speed asked for; the lowest found is in the text
    raise SystemExit(f"no: {error}") from None

print(f"{build.cam.name}, warm, {model} model")
for caution in (*AT_IDLE_SPARK, *AT_BRAKES, *([cc.describe(brief.not_for)] if brief.not_for else [])):
    print(f"! {caution}")
if brief.not_for:  # no spark and no throttle opening from a model for learning
    print(idle_verdict(brief.idle), lowest_speed_words(brief.idle), sep="\n")
    sys.exit()
print(cc.describe(brief.idle))
for state in brief.idle.new:
    print(f"  {cc.describe(state)}")
