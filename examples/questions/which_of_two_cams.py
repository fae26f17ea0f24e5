"""Which of two cams has the better street manners? ``python examples/questions/which_of_two_cams.py``.

Here the long cam against the mild one it replaces, in one engine.
"""

from pathlib import Path

import camcalc as cc
from camcalc.words.comparison import better_words, figure_label, shown_unit, unit_words

build = cc.load_build(Path(__file__).parents[1] / "quarry-road" / "build.toml")
# For build sheets of your own: cc.compare_builds(cc.load_build("a.toml"), cc.load_build("b.toml")); with three or more all are put in order.
both = cc.compare_builds(build, bands=False)

print(f"{both.model}: {both.a.name} or {both.b.name}?")
print(cc.describe(both))
names = (both.a.name, both.b.name)
for head, figures in (("WHERE THEY DIFFER", both.differing), ("OTHER FIGURES", both.others)):
    print(f"\n{head:42}" + "".join(f"{name:>24}" for name in names))
    for figure in figures:
        unit = shown_unit(figure, build.units)
        values = "".join(f"{figure.text(which, unit):>24}" for which in "ab")
        print(f"{figure_label(figure, both):42}{values}  {unit_words(unit):6} {better_words(figure.better, names)}")
