"""What are my valve events, and how much overlap is there? ``python examples/questions/what_are_my_events.py [BUILD.toml]``."""

import sys
from pathlib import Path

import camcalc as cc

sheet = sys.argv[1] if len(sys.argv) > 1 else Path(__file__).parents[1] / "quarry-road" / "build.toml"
build = cc.load_build(sheet)

for cam in filter(None, (build.cam, build.replaced_cam)):
    print(f"{cam.name}: LSA {cam.lobe_separation.magnitude:g} cam deg, advanced by {cam.advance.magnitude:g} crank deg")
    for height, side in (("0.006 inch", "tappet"), ("0.050 inch", "tappet"), ("1 mm", "valve")):
        events = cam.events(at=height, measured_at=side)
        print(f"  at {height} of {side} lift, from the {events.source}:")
        print(f"    IVO      {events.intake_opens.magnitude:6.1f} deg BTDC")
        print(f"    IVC      {events.intake_closes.magnitude:6.1f} deg ABDC")
        print(f"    EVO      {events.exhaust_opens.magnitude:6.1f} deg BBDC")
        print(f"    EVC      {events.exhaust_closes.magnitude:6.1f} deg ATDC")
        print(f"    overlap  {events.overlap.magnitude:6.1f} crank deg")
    print(f"  overlap area {cam.overlap.area.magnitude:.1f} mm deg; 4 crank deg more advance: {cam.advanced('4 crank_deg').overlap.area.magnitude:.1f} mm deg")
