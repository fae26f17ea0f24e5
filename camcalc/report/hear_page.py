"""Idles and drives to hear, as one self-contained HTML file: every position of a slider is a sound of its own, computed before."""

from __future__ import annotations

import base64
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..cautions import AT_IDLE_SPARK, AT_SURGE, Caution
from ..pages.dress import rendered
from ..sound.cases import DriveCase, DrivenOn, HeardBuild, IdleCase, Slider
from ..words import sound as words
from ..words.gears import skipped_lines

if TYPE_CHECKING:
    from ..sound.firings import Firings
    from ..sound.hearing import HeardDrive, HeardIdle, Lines

__all__ = ["CAUTIONS", "hear_html", "wave_files"]

Array = NDArray[np.float64]

CAUTIONS = tuple(dict.fromkeys((*AT_IDLE_SPARK, *AT_SURGE)))
# The picture of a line, in its own units; the page stretches it.
WIDTH, HEIGHT = 600.0, 60.0
# Which sound is what, beside the sounds.
LIST = "sounds.txt"


class Scale(NamedTuple):
    """What all lines of a group span, so that they compare: speed to either side of its mean [rpm], work of a burn [J], acceleration either way [m/s2]."""

    speed: float
    work: float
    acceleration: float


def hear_html(heard: HeardBuild) -> str:
    """Return the page of a build that is heard and felt.

    Parameters
    ----------
    heard : HeardBuild

    Notes
    -----
    The page computes nothing: sounds, lines and texts of all cases are in it, and a slider chooses among them.
    """
    idles, sliders = _idles(heard)
    shares, most = heard.shares, 0.0
    rows = words.share_rows(shares) if shares is not None else []
    most = max((adds for _, adds in rows if math.isfinite(adds)), default=0.0)
    return rendered(
        "hear.html",
        name=heard.name,
        cam=heard.cam,
        cautions=[str(caution) for caution in CAUTIONS],
        law=str(Caution.LAW),
        trap=words.trap_words(heard),
        honest=[*words.HONEST, words.level_words(heard)],
        idles=idles,
        sliders=sliders,
        has_old=heard.idle(Slider.REPLACED_CAM) is not None,
        drives=_drives(heard),
        steepness=_steepness(heard),
        has_shaped=any(case.on is DrivenOn.SHAPED for case in heard.drives),
        gear=heard.gear,
        shares=[(name, words.share_text(adds), 100.0 * adds / most if most > 0.0 and math.isfinite(adds) else 0.0) for name, adds in rows],
        shares_words=words.shares_words(shares) if shares is not None else "",
        adds_note=words.ADDS_NOTE,
        speeds_words=words.speeds_words(heard),
        gears=words.gear_rows(heard.gears, heard.road_speed_unit),
        skipped=skipped_lines(heard.no_answer),
        width=WIDTH,
        height=HEIGHT,
    )


def wave_files(heard: HeardBuild) -> dict[str, bytes]:
    """Return every sound as a WAV file, by a name that says what it is of, and the list of them in words."""
    sounds: dict[str, bytes] = {}
    listed = [*words.HONEST, words.level_words(heard), ""]
    cases: list[tuple[str, str, str, HeardIdle | HeardDrive | None]] = []
    cases += [(_idle_file(case), words.idle_name(case), words.idle_head(case), case.heard) for case in heard.idles]
    cases += [(_drive_file(case), words.drive_name(case), words.drive_head(case), case.heard) for case in heard.drives]
    for name, what, head, one in cases:
        if one is not None:
            sounds[f"{name}.wav"] = one.sound.wave(heard.gain)
            listed.append(f"{name}.wav: {what}. {head}")
    return {**sounds, LIST: ("\n".join(listed) + "\n").encode()}


def _idle_file(case: IdleCase) -> str:
    """Return the name of an idle's file: what is changed, and to which figure, so that a name has one meaning whatever else was computed."""
    si = case.si
    figures = {
        Slider.LOBE_SEPARATION: case.lobe_separation.to("cam_deg").magnitude, Slider.ADVANCE: si.advance, Slider.IDLE_SPEED: 60.0 * si.speed,
        Slider.IDLE_SPARK: si.spark_change,
    }  # fmt: skip
    if case.slider is Slider.NONE:
        return "idle"
    sign = "+" if case.slider in (Slider.ADVANCE, Slider.IDLE_SPARK) else ""
    return f"idle-{case.slider.code}" + (f"{'' if sign else '-'}{figures[case.slider]:{sign}.4g}" if case.slider in figures else "")


def _drive_file(case: DriveCase) -> str:
    """Return the name of a drive's file: what the driver does, on which table, with how much of its slopes in per cent."""
    return f"{case.driver.code}-shaped" if case.on is DrivenOn.SHAPED else f"{case.driver.code}-yours-{100.0 * case.si.steepness:.0f}"


def _order(heard: HeardBuild, slider: Slider) -> list[int]:
    """Return which idles a slider goes through, from the least, the sheet's own among them."""

    def place(k: int) -> tuple[float, ...]:
        si = heard.idles[k].si
        return si.lobe_separation, si.advance, si.speed, si.spark_change

    return sorted((k for k, case in enumerate(heard.idles) if case.slider in (Slider.NONE, slider)), key=place)


def _idle_keys(heard: HeardBuild) -> list[str]:
    """Return the name of each idle: what is changed, and its place on the slider from 1."""
    keys = []
    for k, case in enumerate(heard.idles):
        place = "" if case.slider in (Slider.NONE, Slider.REPLACED_CAM) else f"-{_order(heard, case.slider).index(k) + 1}"
        keys.append("idle" if case.slider is Slider.NONE else f"idle-{case.slider.code}{place}")
    return keys


def _drive_key(heard: HeardBuild, k: int) -> str:
    """Return the name of a drive: what the driver does, on which table, how steep from 1."""
    case = heard.drives[k]
    if case.on is DrivenOn.SHAPED:
        return f"{case.driver.code}-shaped"
    steep = sorted({other.si.steepness for other in heard.drives if other.on is DrivenOn.YOURS})
    return f"{case.driver.code}-yours-{steep.index(case.si.steepness) + 1}"


def _idles(heard: HeardBuild) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Return the idles as the page shows them, and the sliders that choose among them."""
    keys, found = _idle_keys(heard), [case.heard for case in heard.idles if case.heard is not None]
    scale = _scale([one.lines for one in found], [one.firings for one in found])
    cases = []
    for key, case in zip(keys, heard.idles, strict=True):
        about: dict[str, Any] = {"key": key, "name": words.idle_name(case), "head": words.idle_head(case), "figures": [], "strips": [], "audio": ""}
        if case.heard is not None:
            about["figures"] = words.idle_figures(case.heard, heard.units)
            about["strips"] = _strips(case.heard.lines, case.heard.firings, scale)
            about["audio"] = _audio(heard, case.heard)
        cases.append(about)
    sliders = []
    for slider, label in words.SLIDERS.items():
        order = _order(heard, slider)
        if len(order) < 2:
            continue
        texts = [words.own_text(slider, heard.idles[0]) if k == 0 else words.position_text(heard.idles[k]) for k in order]
        sliders.append(_slider(slider.code, label, texts, [keys[k] for k in order], order.index(0)))
    return cases, sliders


def _slider(code: str, label: str, texts: list[str], keys: list[str], own: int) -> dict[str, Any]:
    positions = [{"key": key, "text": text, "words": words.positions_words(texts, k)} for k, (key, text) in enumerate(zip(keys, texts, strict=True))]
    return {"code": code, "label": label, "positions": positions, "own": own}


def _drives(heard: HeardBuild) -> list[dict[str, Any]]:
    """Return the drives as the page shows them, all that the driver does alike on one scale."""
    scales = {}
    for driver in {case.driver for case in heard.drives}:
        found = [case.heard for case in heard.drives if case.heard is not None and case.driver is driver]
        scales[driver] = _scale([one.lines for one in found], [one.firings for one in found])
    cases = []
    for k, case in enumerate(heard.drives):
        about: dict[str, Any] = {"key": _drive_key(heard, k), "name": words.drive_name(case), "head": words.drive_head(case)}
        about |= {"figures": [], "strips": [], "audio": ""}
        if case.heard is not None:
            about["figures"] = words.drive_figures(case.heard, heard.road_speed_unit)
            about["strips"] = _strips(case.heard.lines, case.heard.firings, scales[case.driver])
            about["audio"] = _audio(heard, case.heard)
        cases.append(about)
    return cases


def _steepness(heard: HeardBuild) -> dict[str, Any] | None:
    """Return the slider of the table's steepness; nothing where it has one position."""
    steep = sorted({case.si.steepness for case in heard.drives if case.on is DrivenOn.YOURS})
    if len(steep) < 2:
        return None
    texts = [words.steepness_text(share) for share in steep]
    return _slider("steepness", words.STEEPNESS, texts, [f"yours-{k + 1}" for k in range(len(steep))], steep.index(1.0))


def _audio(heard: HeardBuild, one: HeardIdle | HeardDrive) -> str:
    """Return a sound as an address that holds it."""
    return "data:audio/wav;base64," + base64.b64encode(one.sound.wave(heard.gain)).decode("ascii")


def _scale(lines: Sequence[Lines], firings: Sequence[Firings]) -> Scale:
    """Return what the lines of a group span; a little more than the widest of them."""
    speeds = [60.0 * float(np.abs(one.si.speed - one.si.speed.mean()).max()) for one in lines if one.si.speed.size]
    work = [float(one.si.burn.max()) for one in firings if one.si.burn.size]
    accelerations = [float(np.abs(one.si.acceleration).max()) for one in lines if one.si.acceleration.size and np.isfinite(one.si.acceleration).all()]
    return Scale(*(1.05 * max(values, default=1.0) or 1.0 for values in (speeds, work, accelerations)))


def _strips(lines: Lines, firings: Firings, scale: Scale) -> list[dict[str, Any]]:
    """Return the lines beside a sound as paths, each with its text."""
    duration = firings.duration
    time, speed, burn = lines.si.time, 60.0 * lines.si.speed, firings.si.burn
    if time.size < 2 or burn.size == 0:
        return []
    middle = float(speed.mean())
    strips = [
        {
            "label": words.strip_head("Crank speed", f"{middle:.0f} rpm", f"{scale.speed:.0f} rpm"),
            "text": words.strip_words("Crank speed", float(speed.min()), float(speed.max()), "rpm", duration),
            "line": _line(time / duration, (speed - middle) / scale.speed),
            "bars": "",
            "missed": "",
        },
        {
            "label": words.bars_head(scale.work),
            "text": words.strip_words("Work of each burn", float(burn.min()), float(burn.max()), "J", duration),
            "line": "",
            "bars": _bars(firings.si.time / duration, burn / scale.work),
            "missed": _marks(firings.si.time[firings.missed > 0.0] / duration),
        },
    ]
    acceleration = lines.si.acceleration
    if np.isfinite(acceleration).all():
        low, high = float(acceleration.min()), float(acceleration.max())
        strips.append(
            {
                "label": words.strip_head("Acceleration of the car", "0", f"{scale.acceleration:.2f} m/s2"),
                "text": words.strip_words("Acceleration of the car", low, high, "m/s2", duration),
                "line": _line(time / duration, acceleration / scale.acceleration),
                "bars": "",
                "missed": "",
            }
        )
    return strips


def _line(along: Array, up: Array) -> str:
    """Return a line as the points of a picture; ``along`` 0 to 1, ``up`` -1 to 1."""
    points = zip(WIDTH * along, 0.5 * HEIGHT * (1.0 - up), strict=True)
    return " ".join(f"{x:.0f},{y:.1f}" for x, y in points)


def _bars(along: Array, up: Array) -> str:
    return "".join(f"M{x:.1f} {HEIGHT:.0f}V{y:.1f}" for x, y in zip(WIDTH * along, HEIGHT * (1.0 - up), strict=True) if y < HEIGHT)


def _marks(along: Array) -> str:
    return "".join(f"M{x:.1f} 0V{HEIGHT:.0f}" for x in WIDTH * along)
