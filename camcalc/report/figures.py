"""The brief's plots as SVG that says in words what it shows."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from ..plain_text import visible
from .engine_sections import shown_load

if TYPE_CHECKING:
    from ..brief import Brief

__all__ = ["Plot", "described", "draw_plots", "map_plots", "svg_text"]


class Plot(NamedTuple):
    """A drawn plot: its SVG with title and description inside, and the title."""

    svg: str
    title: str


def draw_plots(brief: Brief) -> dict[str, Plot]:
    """Return the plots of a brief by name."""
    drawn = {**_cam_plots(brief), **map_plots(brief), **_advice_plots(brief)}
    return {name: Plot(described(svg_text(ax, name), name, title, text, crank=_crank_frame(ax, name)), title) for name, (ax, title, text) in drawn.items()}


def _cam_plots(brief: Brief) -> dict[str, tuple[Any, str, str]]:
    from ..plot import plot_lift, plot_residual

    if brief.curves is None:
        return {}
    curves, overlap = brief.curves, brief.cam.overlap
    lifts, *others = curves.lifts
    beside = f", and thin beside them those of {others[0].cam}" if others else ""
    lift = (
        f"Lift of the intake and exhaust valves of {lifts.cam} over crank angle{beside}. "
        f"Both valves are open for {overlap.angle.magnitude:.0f} crank degrees around top dead centre; that overlap is hatched."
    )
    residual = (
        f"Residual in the charge over engine speed at one manifold pressure, a line for each of {' and '.join(one.cam for one in curves.residual)}. "
        "The band above 40 % lies beyond any measured data."
    )
    return {
        "lift": (plot_lift(lifts, others[0] if others else None), "Valve lift over crank angle, overlap hatched", lift),
        "residual": (plot_residual(curves.residual), "Residual over engine speed at one manifold pressure", residual),
    }


def map_plots(brief: Brief) -> dict[str, tuple[Any, str, str]]:
    """Return the maps of residual, both on one scale; only a brief by the crank-resolved cycle has them."""
    from ..plot import plot_map

    maps = brief.curves.maps if brief.curves is not None else ()
    shares = [found.burned_fraction.magnitude for found in maps]
    ends = (min(map(np.nanmin, shares)), max(map(np.nanmax, shares))) if shares else None
    drawn = {}
    for name, found, share in zip(("map", "replaced_map"), maps, shares, strict=False):
        text = (
            f"Contours of residual over engine speed and manifold pressure with {found.cam}, spark 30 degrees before top dead "
            f"centre: from {np.nanmin(share):.0f} to {np.nanmax(share):.0f} %, most at low speed and low pressure. Blank where the engine does not run. "
            "The maps of both cams have the same scale."
        )
        drawn[name] = (plot_map(found, ends=ends), f"{found.cam}: residual over speed and load", text)
    return drawn


def _advice_plots(brief: Brief) -> dict[str, tuple[Any, str, str]]:
    from ..plot import plot_ceilings, plot_idle_spark, plot_injection
    from ..plot.trade_off import plot_trade_off

    drawn = {}
    if np.isfinite(brief.idle_spark.si.manifold_vacuum).any():
        text = (
            "Strips one under the other over spark at the idle speed: vacuum, variation of cycles, missed cycles, partial burns, residual. "
            "Lines through all mark the idle spark and the misfire limit, its range shaded. The figures are in the table."
        )
        drawn["idle_spark"] = (plot_idle_spark(brief.idle_spark), "What an idle does over spark", text)
    ceilings, windows = brief.spark_ceilings, brief.injection
    if ceilings is not None and ceilings.has_zone:
        values = ceilings.si.ceiling
        text = (
            f"Grid of spark ceilings over engine speed and manifold pressure, from {np.nanmin(values):.0f} to {np.nanmax(values):.0f} crank degrees before top "
            "dead centre. Darker is lower. In brackets: not cured by spark. With ~: direction, not degrees. Blank: not computed. Figures as in the table."
        )
        drawn["ceilings"] = (plot_ceilings(ceilings), "Ceilings for final spark over speed and load", text)
    if windows.applies and brief.curves is not None:
        row = shown_load(brief)
        text = (
            f"For each engine speed at {windows.manifold_pressure.magnitude[row]:.0f} kPa the crank angles in which injection may end, and the pulse "
            "recommended. Behind them the spans in which the valves are open. The recommended ends stand in the table."
        )
        drawn["injection"] = (plot_injection(windows, brief.curves.lifts[0], row), "Injection windows along the crank", text)
    if brief.trade_off is not None:
        text = (
            "Strips one under the other over spark at equal torque: vacuum, variation of cycles, missed cycles, partial burns, residual, exhaust "
            "temperature, fuel, torque per degree. "
            "Lines through all mark best torque, knock and the ceiling where there are any. The figures stand in the table."
        )
        drawn["trade_off"] = (plot_trade_off(brief.trade_off), "What spark trades at equal torque", text)
    return drawn


def svg_text(ax: Any, name: str) -> str:
    """Return the figure of some axes as SVG, the same bytes each time."""
    import matplotlib

    from ..plot.hover import add_titles

    buffer = io.StringIO()
    with matplotlib.rc_context({"svg.hashsalt": name, "svg.fonttype": "path"}):
        ax.figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    text = re.sub(r"<!--.*?-->\s*|<metadata>.*?</metadata>\s*", "", text[text.index("<svg") :], flags=re.DOTALL)
    text = add_titles(text, ax.figure)
    # Several of these share one page: every id, and every reference to one, carries the plot's name.
    text = re.sub(r'\bid="', f'id="{name}-', text)
    return re.sub(r'(xlink:href="#|href="#|url\(#)', rf"\g<1>{name}-", text)


def described(svg: str, name: str, title: str, text: str, *, crank: str = "") -> str:
    """Return an SVG with its title and description inside, read out as one picture.

    Parameters
    ----------
    svg : str
        The picture as SVG text.
    name : str
        Makes the ids of title and description its own.
    title, text : str
        What is read out.
    crank : str
        Further attributes of the picture.

    Examples
    --------
    >>> described("<svg><path/></svg>", "lift", "Lift", "Both valves.")[:72]
    '<svg role="img" aria-labelledby="lift-title" aria-describedby="lift-desc'
    """
    from markupsafe import escape

    opened = f'<svg role="img" aria-labelledby="{name}-title" aria-describedby="{name}-desc"{crank}'
    end = svg.index(">")
    inside = f'><title id="{name}-title">{escape(visible(title))}</title><desc id="{name}-desc">{escape(visible(text))}</desc>'
    return opened + svg[len("<svg") : end] + inside + svg[end + 1 :]


# Plots along the crank, and what their zero is: the cursor of the page ties these together.
# Which way each axis counts the angle after overlap top dead centre that the cursor goes by.
ALONG_THE_CRANK = {"lift": 1.0, "injection": -1.0}


def _crank_frame(ax: Any, name: str) -> str:
    """Return where the axes of a plot along the crank lie in its SVG, and which angles they span; empty for other plots."""
    if name not in ALONG_THE_CRANK:
        return ""
    width, height = (72.0 * side for side in ax.figure.get_size_inches())
    box = ax.get_position()
    numbers = (box.x0 * width, box.x1 * width, (1.0 - box.y1) * height, (1.0 - box.y0) * height, *(ALONG_THE_CRANK[name] * edge for edge in ax.get_xlim()))
    return ' data-crank="' + " ".join(f"{n:.2f}" for n in numbers) + '"'
