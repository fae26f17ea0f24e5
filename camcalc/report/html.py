"""The brief as one self-contained HTML file."""

from __future__ import annotations

import io
import math
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..advice.bands import HEADLINES
from ..cycle.grid import simulate_map
from ..cycle.resolved import ResolvedEngine
from ..engine.atmosphere import barometer_of
from ..results import Record, text_of
from ..sources import cite
from ..units import parse

if TYPE_CHECKING:
    from ..advice.spark import SparkCeilings
    from ..brief import Brief
    from ..build import Build

__all__ = ["brief_html", "svg_text"]

MAP_SPEEDS = [f"{n} rpm" for n in range(600, 3601, 300)]
MAP_LOADS = [f"{p} kPa" for p in range(30, 96, 8)]
MAP_SPARK = "30 crank_deg"
# From the supplied table to the ceilings: field, head, decimals.
BASE_COLUMNS = (
    ("speed", "rpm", 0), ("manifold_pressure", "kPa", 0), ("table_spark", "table\nspark", 0), ("ceiling", "ceil-\ning", 0),
    ("pressure_change", "kPa\nmore", 1), ("burned_fraction", "burned\n%", 0), ("burned_fraction_change", "change\n%", 1),
    ("efficiency", "effic.\n%", 1), ("efficiency_change", "change\n%", 1), ("fuel_change", "fuel\n% more", 1),
    ("exhaust_temperature_change", "exhaust\nK hotter", 0),
)  # fmt: skip
# How a kind of load is shown: unit, factor from SI, decimals.
LOAD_UNITS = {"manifold pressure": ("kPa", 1e-3, 0), "air mass": ("mg air", 1e6, 0), "filling": ("% filling", 100.0, 0)}


def brief_html(brief: Brief) -> str:
    """Return the brief as HTML with its plots inside."""
    import jinja2

    environment = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined)
    template = environment.from_string(Path(__file__).with_name("brief.html").read_text(encoding="utf-8"))
    from ..brief import SOURCE_KEYS

    return template.render(
        brief=brief,
        plots=_plots(brief),
        field=field_text,
        grid=grid_rows,
        ceiling_rows=ceiling_rows,
        plain=lambda value, digits=0: f"{value:.{digits}f}" if math.isfinite(value) else "",
        windows=window_rows,
        number=number,
        base_columns=BASE_COLUMNS,
        window_heads=window_heads(brief),
        injection_notes=injection_notes(brief, injection_row(brief)) if brief.injection.applies else [],
        injection_row=injection_row(brief),
        sources=cite(*SOURCE_KEYS),
        headlines=HEADLINES,
        shown=brief.sure.shown() if brief.sure else {},
    )


def map_loads(build: Build) -> list[str]:
    """Return the loads of the brief's maps that lie below the barometer."""
    ambient = barometer_of(build.site)
    return [p for p in MAP_LOADS if parse(p).to("Pa").magnitude < ambient]


def field_text(record: Record, name: str) -> str:
    """Return one measured field as text with unit and band."""
    measured = type(record).measures()[name]
    return text_of(getattr(record.si, name), measured, getattr(record, "bands", {}).get(name))


def number(record: Record, name: str, digits: int = 1) -> str:
    """Return a measured field as a bare number in its shown unit, for a column whose head names the unit."""
    value = getattr(record, name).magnitude
    return f"{value:.{digits}f}" if math.isfinite(value) else "none"


def grid_rows(brief: Brief, name: str, digits: int = 0) -> list[tuple[str, list[str]]]:
    """Return a ceiling grid as rows of text, highest load first."""
    ceilings = brief.spark_ceilings
    values = getattr(ceilings, name).magnitude
    loads = ceilings.manifold_pressure.magnitude
    return [(f"{loads[k]:.0f}", [f"{v:.{digits}f}" if math.isfinite(v) else "" for v in values[k]]) for k in range(len(loads) - 1, -1, -1)]


def ceiling_rows(ceilings: SparkCeilings, load_axis: str = "manifold pressure", *, bands: bool = False) -> list[tuple[str, list[str]]]:
    """Return the ceilings over a kind of load as rows of text, greatest load first; in brackets where spark does not cure."""
    loads, values = ceilings.over(load_axis, ceilings.si.manifold_pressure if load_axis == "manifold pressure" else None)
    factor, digits = LOAD_UNITS[load_axis][1:]
    own = load_axis == "manifold pressure"
    cured = ceilings.cured
    rows = []
    for k in range(len(loads) - 1, -1, -1):
        cells = []
        for j, value in enumerate(values[k]):
            text = f"{value:.0f}" if math.isfinite(value) else ""
            if text and own and not cured[k, j]:
                text = f"({text})"
            low, high = ceilings.si.ceiling_low[k, j], ceilings.si.ceiling_high[k, j]
            if text and bands and own and math.isfinite(low + high):
                text += f" [{low:.0f} to {high:.0f}]"
            cells.append(text)
        rows.append((f"{loads[k] * factor:.{digits}f}", cells))
    return rows


def injection_row(brief: Brief) -> int:
    """Return the load row of the injection windows that is shown: the second, a cruise, if there is one."""
    return min(1, len(brief.injection.si.manifold_pressure) - 1)


def window_rows(brief: Brief, row: int) -> list[list[str]]:
    """Return injection windows at one load as rows of text."""
    w = brief.injection
    pulse = w.pulse_width.magnitude[row]
    angles = [w.in_reference(name)[row] for name in ("start_of_injection", "end_of_injection", "earliest", "latest")]
    shares = [] if w.shut_valve is None or w.open_valve is None else [100.0 * s.si.to_plenum[row] for s in (w.shut_valve, w.open_valve)]
    out = []
    for k, speed in enumerate(w.speed.magnitude):
        numbers = [f"{v[k]:.0f}" if math.isfinite(v[k]) else "none" for v in (*angles, *shares)]
        out.append([f"{speed:.0f}", f"{pulse[k]:.2f}" if math.isfinite(pulse[k]) else "none", *numbers, w.strategy[row][k]])
    return out


def window_heads(brief: Brief) -> list[str]:
    """Return the heads of ``window_rows``."""
    shares = [] if brief.injection.shut_valve is None else ["shut valve:\nto plenum, %", "open valve:\nto plenum, %"]
    return ["rpm", "pulse\nms", "begins", "ends", "window\nfrom", "to", *shares, "strategy"]


def injection_notes(brief: Brief, row: int) -> list[str]:
    """Return why each strategy is recommended at one load, each reason once, with the speeds it holds for."""
    w = brief.injection
    speeds: dict[str, list[str]] = {}
    for speed, why in zip(w.speed.magnitude, w.why[row], strict=True):
        speeds.setdefault(why, []).append(f"{speed:.0f}")
    return [f"{', '.join(at)} rpm: {why}" for why, at in speeds.items() if why]


def _plots(brief: Brief) -> dict[str, str]:
    from ..plot import plot_ceilings, plot_injection, plot_lift, plot_map, plot_residual

    build = brief.build
    models: dict[str, Any] = {b.cam.name: brief.engine(b) for b in (build, build.with_replaced_cam() if build.replaced_cam else None) if b}
    drawn = {"lift": plot_lift(build.cam, build.replaced_cam), "residual": plot_residual(models)}
    if brief.model == ResolvedEngine.name:
        for which, cam_build in (("map", build), ("replaced_map", build.with_replaced_cam() if build.replaced_cam else None)):
            if cam_build is not None:
                drawn[which] = plot_map(simulate_map(cam_build, speeds=MAP_SPEEDS, manifold_pressures=map_loads(cam_build), spark=MAP_SPARK))
    if brief.spark_ceilings.has_zone:
        drawn["ceilings"] = plot_ceilings(brief.spark_ceilings)
    if brief.injection.applies:
        drawn["injection"] = plot_injection(brief.injection, build.cam, injection_row(brief))
    return {key: svg_text(ax, key) for key, ax in drawn.items()}


def svg_text(ax: Any, name: str) -> str:
    """Return the figure of some axes as SVG, the same bytes each time."""
    import matplotlib

    buffer = io.StringIO()
    with matplotlib.rc_context({"svg.hashsalt": name, "svg.fonttype": "path"}):
        ax.figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    # Several of these share one page: every id, and every reference to one, carries the plot's name.
    text = re.sub(r'\bid="', f'id="{name}-', text)
    return re.sub(r'(xlink:href="#|href="#|url\(#)', rf"\g<1>{name}-", text)
