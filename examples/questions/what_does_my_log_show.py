"""What does my log show: is it surging, why, what next, and did it help? ``python examples/questions/what_does_my_log_show.py``."""

from pathlib import Path

import camcalc as cc

folder = Path(__file__).parents[1] / "steep-table"
before, steep = cc.read_log(folder / "before.csv"), cc.read_table(folder / "steep.csv")

review = cc.review_log(before, steep)
print(f"before: {review.headline}")
for episode in review.findings.episodes:
    print(f"  {episode.start:.3g~P} to {episode.end:.3g~P}: {episode.frequency:.3g~P}, speed swings {episode.speed_amplitude:.3g~P} either way")
for advice in review.lower:
    print(f"  lower {advice}")

after = cc.read_log(folder / "after.csv")
print(f"after: {cc.review_log(after, cc.read_table(folder / 'shaped.csv')).headline}")
print(cc.compare_logs(before, after))
