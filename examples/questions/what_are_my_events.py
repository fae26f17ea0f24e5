"""What are my valve events, and how much overlap is there? ``python examples/questions/what_are_my_events.py [BUILD.toml]``."""

import sys
from pathlib import Path

import camcalc as cc

sheet = sys.argv[1] if len(sys.argv) > 1 else Path(__file__).parents[1] / "quarry-road" / "build.toml"
build = cc.load_build(sheet)

for cam in filter(None, (build.cam, build.replaced_cam)):
    print(f"{cam.name}: lobe separation {cam.lobe_separation}, advance {cam.advance}")
    for height, side in (("0.006 inch", "tappet"), ("0.050 inch", "tappet"), ("1 mm", "valve")):
        events = cam.events(at=height, measured_at=side)
        print(f"  at {height} of {side} lift, from the {events.source}:")
        print(f"    intake opens    {events.intake_opens.magnitude:6.1f} crank_deg before top dead centre")
        print(f"    intake closes   {events.intake_closes.magnitude:6.1f} crank_deg after bottom dead centre")
        print(f"    exhaust opens   {events.exhaust_opens.magnitude:6.1f} crank_deg before bottom dead centre")
        print(f"    exhaust closes  {events.exhaust_closes.magnitude:6.1f} crank_deg after top dead centre")
        print(f"    overlap         {events.overlap.magnitude:6.1f} crank_deg")
    print(f"  overlap area {cam.overlap.area:.4g~P}; installing it 4 crank_deg earlier leaves that at {cam.advanced('4 crank_deg').overlap.area:.4g~P}")
