"""A build sheet to fill in, and the list of keys: both written from the declarations that reading rests on."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Mapping
from typing import Any

from ..results import Measure
from ..units import range_text
from .card_keys import CARD, LOBE, CardKey
from .sections import SECTIONS, WRITTEN_BY_COMMANDS
from .typed_units import WHY_TYPED

__all__ = ["key_list", "sheet_template"]

WIDTH = 118
HEAD = """\
# camcalc build sheet. Put your figure in place of each "?". Then run: camcalc brief {name}
# Quantities are text with any unit of their kind: "4.00 inch" or "101.6 mm". Crank angles are crank_deg, cam angles cam_deg.
# A key behind # is optional, and shows its default where that is one figure: take the # away to state your own.
# In each section what is needed comes first, then what moves the answers most.
"""
ABOUT = {
    "engine": "The engine: geometry, valves, volumes, losses.",
    "idle": "Warm idle.",
    "fuel": "The fuel and how it is metered.",
    "injector": "One port injector. Leave the section out where there is none; a sequential port system needs it.",
    "vehicle": "The car: mass, gearing, road load, clutch or converter.",
    "site": "Where it runs: give the altitude or the barometer.",
    "limits": "Where camcalc draws its lines. Change them if yours are elsewhere.",
    "wanted": "What a cam must leave of the car's manners, for camcalc choose; what is left out is not asked for.",
}
# What moves the answers most, first. Measured one at a time by a fifth up and down on an invented 5.9 litre V8 with a long cam: engine, idle
# and fuel by idle vacuum, then cycle-to-cycle variation, then first knock; inertia and the vehicle by the damping and shaking of first and
# third gear. [limits] by what the brief's own table of variants shows, then ESTIMATE. Keys not named here follow as declared.
FIRST = {
    "engine": (
        "intake_valves", "exhaust_valves", "intake_valve_diameter", "exhaust_valve_diameter", "rotating_inertia", "valve_seat_angle", "intake_port_diameter",
        "friction_factor", "lift_loss", "port_heat_factor", "combustion_efficiency", "intake_runner_volume", "accessory_power", "plenum_wall", "intake_wall",
        "cylinder_wall", "leak_down",
    ),
    "idle": ("replaced_cam_speed", "mixture", "spark_reserve", "earliest_spark"),
    "fuel": ("octane", "kind", "system", "octane_sensitivity"),
    "injector": ("rated_pressure", "fuel_pressure", "regulator", "dead_time"),
    "vehicle": (
        "converter_stall_speed", "converter_stall_torque", "shaft_stiffness", "loss_factor", "tyre_slip_stiffness", "clutch_stiffness", "driveline_lash",
        "smooth_gears", "road_speed_unit",
    ),
    "limits": ("load_swing", "blow_back_share", "stability", "load_jitter", "spark_margin"),
}  # fmt: skip
CAM_ASKED = ("rocker_ratio", "lobe_separation", "intake_centreline")
LOBE_ASKED = ("valve_lift",)
IN_TABLES = ("duration", "opens", "closes")


def sheet_template(name: str = "my.toml") -> str:
    """Return a commented sheet to fill in.

    Parameters
    ----------
    name : str
        Name of the file, for the command in its first line.

    Examples
    --------
    >>> [line for line in sheet_template().splitlines() if line.startswith("bore")]
    ['bore = "? mm"']
    """
    units = _comment(f'Units of the outputs: "metric" or "imperial". Default: {WHY_TYPED}.')
    parts = [HEAD.format(name=name), f'[build]\nname = "my car"\n{units}#units = "metric"\n', _cam("cam"), _without_words(_cam("replaced_cam"))]
    for section in SECTIONS:
        if section in WRITTEN_BY_COMMANDS:
            continue
        if section == "site":
            parts.append(_comment("Your spark table (CSV), for what going from it to the ceilings costs.") + '#[spark]\n#table = "spark.csv"\n')
        parts.append(_section(section))
    return "\n".join(parts)


def key_list() -> str:
    """Return every key of a sheet as Markdown, by section, needed ones first, each with its unit.

    Examples
    --------
    >>> key_list().splitlines()[-3]
    '- `[site]`: optional: altitude (m), barometer (kPa), air_temperature (degC)'
    """
    card = [key for key in CARD if key not in (*CAM_ASKED, "intake", "exhaust")]
    lobe = [key for key in LOBE if key not in (*LOBE_ASKED, "duration")]
    lines = [
        "- `[build]`: optional: name, label, units; `[spark]`: optional: table, a CSV file",
        _line("[cam]`, `[replaced_cam]", [_listed(k, CARD[k]) for k in CAM_ASKED], [_listed(k, CARD[k]) for k in card]),
        _line("[cam.intake]`, `[cam.exhaust]", [_listed(k, LOBE[k]) for k in (*LOBE_ASKED, "duration")], [_listed(k, LOBE[k]) for k in lobe]),
    ]
    for section in SECTIONS:
        if section in WRITTEN_BY_COMMANDS:
            continue
        keys = list(_ordered(section))
        lines.append(_line(f"[{section}]", *([_listed(key, declared) for key, declared, needed in keys if needed is which] for which in (True, False))))
    return "\n".join(lines)


def _line(section: str, needed: list[str], others: list[str]) -> str:
    said = [f"{word}: {', '.join(keys)}" for word, keys in (("needed", needed), ("optional", others)) if keys]
    return f"- `{section}`: {'; '.join(said)}"


def _listed(key: str, declared: Any) -> str:
    bounds = declared.bounds if isinstance(declared, Measure | CardKey) else None
    unit = (bounds.show or bounds.unit) if bounds else ""
    marked = f"`{unit}`" if "*" in unit else unit
    return f"{key} ({marked})" if unit else key


def _ordered(section: str) -> Iterator[tuple[str, Any, bool]]:
    """Yield a section's keys with their declarations and whether they are needed: needed ones first, then those that move the answers most."""
    kind = SECTIONS[section]
    measures, inputs = kind.measures(), kind.inputs()
    needed = [key for key in inputs if (measures[key].default if key in measures else inputs[key].metadata["default"]) is None]
    first = [key for key in FIRST.get(section, ()) if key not in needed]
    for key in dict.fromkeys([*needed, *first, *inputs]):
        yield key, measures.get(key, inputs[key].metadata), key in needed


def _section(section: str) -> str:
    lines = [_comment(ABOUT[section]).rstrip(), f"[{section}]"]
    for key, declared, needed in _ordered(section):
        lines += _measured(key, declared, needed) if isinstance(declared, Measure) else _plain(key, declared, needed)
    return "\n".join(lines) + "\n"


def _measured(key: str, declared: Measure, needed: bool) -> list[str]:
    unit = declared.show
    fixed = isinstance(declared.default, str) and declared.default != "nan"
    value = f'"{declared.default}"' if fixed else f'"? {unit}"'
    words = f"{declared.doc or key.replace('_', ' ')}: {range_text(declared.bounds)}."
    return [_comment(words + _default_words(needed, str(declared.default) if fixed else "", declared.why)).rstrip(), f"{'' if needed else '#'}{key} = {value}"]


def _plain(key: str, declared: Mapping[str, Any], needed: bool) -> list[str]:
    default, choices = declared["default"], declared["choices"]
    fixed = default is not None and default != "nan" and not callable(default)
    value = (f'"{default}"' if isinstance(default, str) else f"{default}") if fixed else '"?"'
    span = " or ".join(f'"{c}"' for c in choices) if choices else _span(declared)
    words = f"{declared['doc'] or key.replace('_', ' ')}: {span}."
    return [_comment(words + _default_words(needed, str(default) if fixed else "", declared["why"])).rstrip(), f"{'' if needed else '#'}{key} = {value}"]


def _span(declared: Mapping[str, Any]) -> str:
    several = {"list": "a list, each ", "tuple": "a list of whole numbers, each "}.get(declared["kind"].__name__, "")
    zero = "0, or " if declared["or_zero"] else ""
    return f"{several}{zero}{declared['low']:g} to {declared['high']:g}" if math.isfinite(declared["high"]) else "any number"


def _default_words(needed: bool, default: str, why: str) -> str:
    if needed:
        return " Needed."
    said = [part for part in (default, why) if part]
    return f" Default: {', '.join(said)}." if said else " No default."


def _cam(section: str) -> str:
    """Return a cam card's part: keys, then both lobes with the durations most cards print."""
    about = "The cam to be fitted, as on its card." if section == "cam" else "The cam it replaces, to compare with."
    lines = [_comment(about).rstrip(), f"[{section}]"]
    for key in (*CAM_ASKED, *(k for k in CARD if k not in CAM_ASKED and k not in ("intake", "exhaust"))):
        lines += _card_key(key, CARD[key], key in CAM_ASKED)
    for kind, centre in (("intake", ("TDC", "BDC")), ("exhaust", ("BDC", "TDC"))):
        lines += ["", f"[{section}.{kind}]"]
        for key in (*LOBE_ASKED, *(k for k in LOBE if k not in LOBE_ASKED and k not in IN_TABLES)):
            lines += _card_key(key, LOBE[key], key in LOBE_ASKED) if kind == "intake" else _card_key(key, LOBE[key], key in LOBE_ASKED)[1:]
        words = "Durations by checking height: the advertised one at the height the card states, and the one at 0.050 inch. Events serve as well."
        lines += [_comment(words).rstrip()] if kind == "intake" else []
        lines += [f"[{section}.{kind}.duration]", '"0.006 inch" = "? crank_deg"', '"0.050 inch" = "? crank_deg"']
        for which, side, where in (("opens", "before", centre[0]), ("closes", "after", centre[1])):
            lines += [f"#[{section}.{kind}.{which}]", f'#"1.0 mm" = "? crank_deg {side} {where}"']
    return "\n".join(lines) + "\n"


def _card_key(key: str, item: CardKey, asked: bool) -> list[str]:
    unit = (item.bounds.show or item.bounds.unit) if item.bounds else ""
    is_default = item.example == f'"{item.default}"'
    value = f'"? {unit}"' if unit and not is_default and not item.example.startswith("{") else '"?"' if key == "rocker_ratio" else item.example
    span = f": {range_text(item.bounds)}" if item.bounds else ""
    needed = f" {item.needed}." if item.needed else ""
    default = f" Default: {item.default} ({item.why})." if item.default else ""
    return [_comment(f"{item.doc}{span}.{needed}{default}").rstrip(), f"{'' if asked else '#'}{key} = {value}"]


def _without_words(part: str) -> str:
    """Return a part with every key behind #, without the words that another part has said already."""
    head, *lines = part.splitlines()
    keys = [line.lstrip("#") for line in lines if line and not line.startswith("# ")]
    return "\n".join([head, *(f"#{line}" for line in keys)]) + "\n"


def _comment(text: str) -> str:
    return textwrap.fill(text[0].upper() + text[1:], WIDTH, initial_indent="# ", subsequent_indent="#   ", break_on_hyphens=False) + "\n"
