"""Figures as the trade writes them where they mean one thing: octane on three scales, tyre sizes, injectors rated by volume."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from types import SimpleNamespace
from typing import Any

from ..engine.gas import GASOLINE_DENSITY
from ..errors import InputError
from ..units import Bounds, to_si
from .sheet import Assumption

__all__ = ["FORMS", "ROLLING_OVER_UNLOADED", "SENSITIVITY", "Form", "read_flow", "read_octane", "read_tyre"]

# Research less motor octane number of a fuel sold at pumps: usual, least, most. ESTIMATE: 8 to 12 for gasoline and more for ethanol, from memory, medium.
SENSITIVITY = {"gasoline": (10.0, 8.0, 12.0), "E10": (10.0, 8.0, 12.0), "E85": (16.0, 14.0, 19.0)}
_OCTANE = re.compile(r"\s*(?P<number>\d+(?:\.\d+)?)\s*(?P<scale>RON|MON|AKI|\(R\+M\)/2|R\+M/2)\s*$", re.IGNORECASE)
# How far AKI = (RON + MON)/2 and MON lie below RON, in sensitivities.
_BELOW_RESEARCH = {"RON": 0.0, "AKI": 0.5, "MON": 1.0}

# Rolling over unloaded radius of a radial tyre: rolling circumference 3.05 times the diameter, the tyre makers' standard figure (from memory, medium).
ROLLING_OVER_UNLOADED = 3.05 / math.pi
# What may follow a size: C for vans, load index with speed letter, extra load, mud and snow.
_AFTER = r"C?(?:\s+\d{2,3}(?:/\d{2,3})?\s*\(?[A-Z]\)?)?(?:\s+(?:XL|RF|M\+S))*\s*$"
_METRIC = re.compile(r"\s*(?:P|LT)?\s*(?P<width>\d{3})\s*/\s*(?P<aspect>\d{2})\s*[- ]?\s*Z?[RBD]?\s*(?P<rim>\d{2}(?:\.5)?)" + _AFTER, re.IGNORECASE)
_INCHES = re.compile(r"\s*(?P<diameter>\d{2}(?:\.\d+)?)\s*x\s*\d{1,2}(?:\.\d+)?\s*[- ]?\s*[RBD-]\s*\d{2}(?:\.5)?(?:LT)?" + _AFTER, re.IGNORECASE)
_LIKE_A_SIZE = re.compile(r"\d{2,3}\s*/\s*\d{2}|\d\s*[RBD]\s*\d{2}|\d\s*x\s*\d", re.IGNORECASE)
_RADIUS = Bounds("m", 0.22, 0.5, "mm")

_BY_VOLUME = re.compile(r"(cc|cm3|cm\^3|ml|l)\s*/\s*(min|minute|h|hr|s)\s*$", re.IGNORECASE)
# Share that the rating liquid's density may differ by; ESTIMATE: gasoline and test liquids of 680 to 780 kg/m3.
_DENSITY_RANGE = (680.0, 780.0)


def read_octane(value: Any, where: str, draft: SimpleNamespace, assumed: list[Assumption]) -> Any:
    """Return an octane number on the research scale, from ``"98 RON"``, ``"93 AKI"`` or ``"88 MON"``; a bare number is refused.

    Parameters
    ----------
    value : str or quantity [octane]
        As the sheet has it.
    where : str
        The key, for errors.
    draft : SimpleNamespace
        The section's keys read so far; gets the sensitivity that was assumed.
    assumed : list of Assumption
        Added to.

    Examples
    --------
    >>> listed = []
    >>> read_octane("93 AKI", "[fuel] octane", SimpleNamespace(kind="gasoline", octane_sensitivity=math.nan), listed)
    '98.0 RON'
    >>> listed[0].key
    '[fuel] octane_sensitivity'
    """
    if hasattr(value, "_units"):
        return value
    match = _OCTANE.match(value) if isinstance(value, str) else None
    if match is None:
        raise _no_octane(value, where)
    number = float(match["number"])
    scale = "AKI" if "/" in match["scale"] else match["scale"].upper()
    below = _BELOW_RESEARCH[scale]
    if below == 0.0:
        return f"{match['number']} RON"
    if math.isnan(draft.octane_sensitivity):
        usual, least, most = SENSITIVITY[draft.kind]
        draft.octane_sensitivity = usual
        why = (
            f"ESTIMATE, {least:g} to {most:g} (from memory, medium): research less motor octane; so {number:g} {scale} is read as "
            f"{number + below * usual:g} RON ({number + below * least:g} to {number + below * most:g})"
        )
        assumed.append(Assumption("[fuel] octane_sensitivity", f"{usual:g}", why))
    return f"{number + below * draft.octane_sensitivity!r} RON"


def _no_octane(value: Any, where: str) -> InputError:
    expected = 'an octane number with its scale: "98 RON", "93 AKI" or "88 MON"'
    try:
        number = float(str(value).strip())
    except ValueError:
        number = math.nan
    if isinstance(value, bool) or not math.isfinite(number):
        return InputError(where, came=repr(value), expected=expected, fix="say which scale the pump shows")
    usual = SENSITIVITY["gasoline"][0]
    fix = (
        f'write "{number:g} RON" if the pump shows research octane, "{number:g} AKI" if it shows (R+M)/2, as in North America: '
        f"that is about {number + 0.5 * usual:g} RON"
    )
    return InputError(where, came=f"{value} (a bare number: RON or AKI?)", expected=expected, fix=fix)


def read_tyre(value: Any, where: str, draft: SimpleNamespace, assumed: list[Assumption]) -> Any:
    """Return the rolling radius of a tyre from its size; a length is the radius itself, and one that can only be a diameter is refused.

    Parameters
    ----------
    value : str or quantity [length]
        As the sheet has it.
    where : str
        The key, for errors.
    draft : SimpleNamespace
        The section's keys read so far.
    assumed : list of Assumption
        Added to.

    Examples
    --------
    >>> read_tyre("195/50R15", "[vehicle] tyre_radius", SimpleNamespace(), [])[:6]
    '0.2796'
    """
    if not isinstance(value, str):
        return value
    metric, inches = _METRIC.match(value), _INCHES.match(value)
    if metric:
        unloaded = int(metric["width"]) * 1e-3 * int(metric["aspect"]) / 100.0 + 0.5 * float(metric["rim"]) * 0.0254
    elif inches:
        unloaded = 0.5 * float(inches["diameter"]) * 0.0254
    else:
        if _LIKE_A_SIZE.search(value):
            expected = 'one whole size as on the sidewall, such as "195/50R15" or "31x10.5R15", or a rolling radius such as "300 mm"'
            raise InputError(where, came=value, expected=expected, fix="write width, aspect ratio and rim of the driven tyre")
        _refuse_diameter(value, where)
        return value
    radius = ROLLING_OVER_UNLOADED * unloaded
    why = f"{value}: {unloaded * 1e3:.0f} mm unloaded, times {ROLLING_OVER_UNLOADED:.3f} for a rolling radial tyre (from memory, medium)"
    assumed.append(Assumption(where, f"{radius * 1e3:.0f} mm", why))
    return f"{radius!r} m"


def _refuse_diameter(value: str, where: str) -> None:
    length = float(to_si(value, where, Bounds("m", show="mm")))
    if _RADIUS.high < length and _RADIUS.holds(0.5 * length):
        number, unit = re.findall(r"^\s*([\d.eE+]+)\s*(.*?)\s*$", value)[0]
        half = f"{0.5 * float(number):.4g} {unit}"
        fix = f'as a diameter it makes tyre_radius = "{half}"; or write the size from the sidewall, e.g. "195/50R15"'
        raise InputError(where, came=f"{value}, more than a radius", expected="220 to 500 mm from the hub to the road", fix=fix)


def read_flow(value: Any, where: str, draft: SimpleNamespace, assumed: list[Assumption]) -> Any:
    """Return an injector's flow by mass, from a flow by volume and the density of the liquid it was rated with.

    Parameters
    ----------
    value : str or quantity [mass flow or volume flow]
        As the sheet has it.
    where : str
        The key, for errors.
    draft : SimpleNamespace
        The section's keys read so far; gets the density that was assumed.
    assumed : list of Assumption
        Added to.

    Examples
    --------
    >>> read_flow("440 cc/min", "[injector] flow", SimpleNamespace(flow_density=math.nan), [])[:8]
    '0.005463'
    """
    if not isinstance(value, str) or not _BY_VOLUME.search(value):
        return value
    volume = float(to_si(value, where, Bounds("m**3/s", show="cc/min")))
    density = draft.flow_density
    if math.isnan(density):
        density = draft.flow_density = GASOLINE_DENSITY
        least, most = (volume * d * 1e3 for d in _DENSITY_RANGE)
        why = (
            f"density of gasoline: makers rate on it or on a test liquid of {_DENSITY_RANGE[0]:g} to {_DENSITY_RANGE[1]:g} (common practice, no source); "
            f"so {value} is read as {volume * density * 1e3:.3g} g/s ({least:.3g} to {most:.3g})"
        )
        assumed.append(Assumption("[injector] flow_density", f"{density:g} kg/m**3", why))
    return f"{volume * density!r} kg/s"


Form = Callable[[Any, str, SimpleNamespace, list[Assumption]], Any]
FORMS: Mapping[tuple[str, str], Form] = {("fuel", "octane"): read_octane, ("injector", "flow"): read_flow, ("vehicle", "tyre_radius"): read_tyre}
