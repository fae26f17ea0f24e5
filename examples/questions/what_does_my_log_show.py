"""What does my log show: surge, its cause, what next, and did it help? ``python examples/questions/what_does_my_log_show.py``."""

from pathlib import Path

import camcalc as cc

folder = Path(__file__).parents[1] / "steep-table"
before, steep = cc.read_log(folder / "before.csv"), cc.read_table(folder / "steep.csv")

print("BEFORE")
review = cc.review_log(before, steep)
print(cc.describe(review))
for episode in review.findings.episodes:
    print(cc.describe(episode))

print("\nAFTER, on the shaped table")
after = cc.read_log(folder / "after.csv")
print(cc.describe(cc.review_log(after, cc.read_table(folder / "shaped.csv"))))

print("\nDID IT HELP?")
print(cc.describe(cc.compare_logs(before, after)))
