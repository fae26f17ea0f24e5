"""Draw the picture of the README: lift with overlap, valve flows at idle, burned gas over speed and load, spark ceilings."""

from pathlib import Path

import matplotlib
from matplotlib.figure import Figure

import camcalc as cc
from camcalc.advice.spark import spark_ceilings
from camcalc.plot import plot_ceilings, plot_flows, plot_lift, plot_map

here = Path(__file__).parent
build = cc.load_build(here / "quarry-road" / "build.toml")

figure = Figure(figsize=(13.0, 8.6), layout="constrained")
lift, flows, burned, ceilings = figure.subplots(2, 2).flat
plot_lift(build.cam, build.replaced_cam, ax=lift).set_title("Valve lift, overlap shaded")
idle = cc.simulate_cycle(build, speed="850 rpm", manifold_pressure="62 kPa", spark="48 crank_deg")
plot_flows(idle, ax=flows).set_title("Valve flows near idle: what blows back")
speeds, loads = [f"{n} rpm" for n in range(800, 3201, 200)], [f"{p} kPa" for p in range(40, 91, 5)]
plot_map(cc.simulate_map(build, speeds=speeds, manifold_pressures=loads, spark="30 crank_deg"), ax=burned).set_title("Burned gas in the charge")
plot_ceilings(spark_ceilings(cc.ResolvedEngine(build, tolerance=2e-4)), ax=ceilings).set_title("Ceilings for FINAL spark")

with matplotlib.rc_context({"svg.hashsalt": "camcalc"}):
    figure.savefig(here / "quarry-road" / "brief.svg", metadata={"Date": None, "Creator": None})
