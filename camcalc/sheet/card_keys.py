"""What a cam card may say: each key with its unit, range, default and where the default comes from."""

from __future__ import annotations

from typing import NamedTuple

from ..units import Bounds

__all__ = ["ADVANCE", "CARD", "CENTRELINE", "DIRECT", "DURATION", "EVENT", "HEIGHT", "LASH", "LOBE", "LOBE_LIFT", "NOSE", "OVERLAP", "RATIO", "SEPARATION"]
__all__ += ["VALVE_LIFT", "CardKey"]

SEPARATION = Bounds("crank_deg", 190.0, 250.0, "cam_deg")
CENTRELINE = Bounds("crank_deg", 80.0, 145.0)
ADVANCE = Bounds("crank_deg", -20.0, 20.0)
DURATION = Bounds("crank_deg", 60.0, 350.0)
OVERLAP = Bounds("crank_deg", -120.0, 180.0)
EVENT = Bounds("crank_deg", -140.0, 140.0)
NOSE = Bounds("crank_deg", 70.0, 150.0)
HEIGHT = Bounds("m", 1e-5, 10e-3, "mm")
VALVE_LIFT = Bounds("m", 4e-3, 20e-3, "mm")
LOBE_LIFT = Bounds("m", 2.5e-3, 18e-3, "mm")
LASH = Bounds("m", 0.01e-3, 1.5e-3, "mm", True)
RATIO = (0.8, 2.5)
# A tappet, bucket or finger without lever that works on the valve itself.
DIRECT = "direct"


class CardKey(NamedTuple):
    """One key of a card: how it is written, its range, what is assumed without it and why, and what it is.

    ``example`` is what is written right of the equals sign; ``needed`` says when a card cannot do without the key.
    """

    example: str
    doc: str
    needed: str = ""
    default: str = ""
    why: str = ""
    bounds: Bounds | None = None


PLACES = "Two of these place the lobes, unless events do"
CARD = {
    "name": CardKey('"my cam"', "what outputs call it", default="the section's name", why="used in outputs only"),
    "tappet": CardKey('"hydraulic"', 'or "solid", which needs lash', default="hydraulic", why="most common"),
    "measured_at": CardKey('"tappet"', 'or "valve": the side that the checking heights are measured on', default="tappet", why="most common"),
    "rocker_ratio": CardKey(
        "1.6",
        f'valve over tappet lift, {RATIO[0]:g} to {RATIO[1]:g}; "{DIRECT}" where the tappet works on the valve itself; in [cam] or for each lobe',
        needed='Needed unless every lift and height is given at the valve (measured_at = "valve", valve_lift)',
    ),
    "lobe_separation": CardKey('"112 cam_deg"', "angle between both lobe centrelines", needed=PLACES, bounds=SEPARATION),
    "intake_centreline": CardKey('"108 crank_deg"', "after overlap TDC", needed=PLACES, bounds=CENTRELINE),
    "exhaust_centreline": CardKey('"116 crank_deg"', "before overlap TDC", needed=PLACES, bounds=CENTRELINE),
    "advance": CardKey('"4 crank_deg"', "how far the cam is installed early; minus for late", needed=PLACES, bounds=ADVANCE),
    "overlap": CardKey('{"0.050 inch" = "9 crank_deg"}', "at a checking height that both lobes have figures for", needed=PLACES, bounds=OVERLAP),
    "intake": CardKey("", "section [cam.intake]", needed="Needed"),
    "exhaust": CardKey("", "section [cam.exhaust]", needed="Needed"),
}
LOBE = {
    "valve_lift": CardKey('"0.560 inch"', "lobe lift times rocker ratio, before lash", needed="Needed, or lobe_lift, or lift_table", bounds=VALVE_LIFT),
    "lobe_lift": CardKey('"0.350 inch"', "lift at the tappet", needed="Needed, or valve_lift, or lift_table", bounds=LOBE_LIFT),
    "duration": CardKey(
        '{"0.006 inch" = "280 crank_deg", "0.050 inch" = "230 crank_deg"}',
        "durations by checking height; the advertised one at its own height",
        needed="Needed, or opens and closes, or lift_table",
        bounds=DURATION,
    ),
    "opens": CardKey('{"1.0 mm" = "10 crank_deg before TDC"}', "opening by checking height: intake from TDC, exhaust from BDC", bounds=EVENT),
    "closes": CardKey('{"1.0 mm" = "42 crank_deg after BDC"}', "closing by checking height: intake from BDC, exhaust from TDC", bounds=EVENT),
    "rocker_ratio": CardKey("1.6", "where the lobes differ", default="as in [cam]", why="one ratio for both"),
    "lash": CardKey('"0.016 inch"', "running lash at the valve", needed='Needed with tappet = "solid"', bounds=LASH),
    "lash_state": CardKey('"hot"', 'or "cold"', default="hot", why="common practice, no source"),
    "lash_growth": CardKey(
        '"0.10 mm"',
        "how much cold lash grows until warm",
        default="0.10 mm",
        why='used with lash_state = "cold" only; ESTIMATE: iron block, aluminium heads',
        bounds=LASH,
    ),
    "max_lift_at": CardKey('"108 crank_deg"', "where the nose is, from overlap TDC", default="the centreline", why="a symmetric lobe", bounds=NOSE),
    "lift_table": CardKey('"lobe.csv"', "measured tappet lift over angle, instead of lift and durations"),
}
