"""A drive over time in words: the verdict, and the figures that it rests on."""

from __future__ import annotations

from ..drive.drive_run import WIDEST_ROWS, DriveRun
from ..vehicle.acceleration_weighting import SurgeGrade
from .describing import describe
from .phrases import COUPLINGS, figure, graded

__all__ = ["drive_figures", "drive_next_step", "drive_title", "drive_verdict", "drive_words"]

DIGITS = 3
# Leaner than this and richer than that no flame runs through a cylinder (textbook, from memory, without residual; with it the range is narrower).
LEANEST, RICHEST = 0.6, 2.0


@describe.register
def drive_words(run: DriveRun, road_speed_unit: str = "km/h") -> str:
    """Return what came of a drive: verdict, next step, figures.

    Parameters
    ----------
    run : DriveRun
    road_speed_unit : str
        Unit of road speeds, as the sheet asks for.

    Returns
    -------
    str
    """
    head = [drive_verdict(run), drive_next_step(run), f"Drive: {drive_title(run, road_speed_unit)}"]
    figures = drive_figures(run, road_speed_unit)
    width = max(len(name) for name, _ in figures)
    return "\n".join([line for line in head if line] + [f"  {name:<{width}}  {text}" for name, text in figures])


def drive_title(run: DriveRun, road_speed_unit: str = "km/h") -> str:
    """Return gear, driver and start of a drive in one line."""
    start, driver = f"{run.si.speed[0] * 60.0:.0f} rpm", run.driver.code.replace("_", " ")
    if not run.gear:
        return f"neutral, {driver}, from {start}"
    road = f"{run.road_speed[0].to(road_speed_unit).magnitude:.0f} {road_speed_unit}"
    return f"gear {run.gear}, {COUPLINGS[run.coupling]}, {driver}, from {start}, {road}"


def drive_verdict(run: DriveRun) -> str:
    """Return the verdict on a drive in one line."""
    si = run.si
    if run.stalled:
        return f"The engine stalls after {si.time[-1]:.1f} s."
    if not run.gear:
        return f"The engine runs on for {si.time[-1]:.1f} s. Its speed swings by {60.0 * run.speed_swing:.0f} rpm r.m.s."
    if run.verdict is SurgeGrade.UNKNOWN:
        return f"No grade: rows so far apart do not show how the car shakes. {1e3 * WIDEST_ROWS:.0f} ms or less do."
    return f"{graded(run.verdict).capitalize()}: the car shakes with {figure(run.shake, DIGITS, 'm/s2')} r.m.s. along the road."


def drive_next_step(run: DriveRun) -> str:
    """Return what to do next, nothing where the car is smooth."""
    if run.stalled:
        return "Next: raise the speed, take a lower gear, or open the throttle further."
    if run.gear and run.verdict.bad:
        return f"Next: take a lower gear at this speed. {_what_shakes(run)}"
    if run.gear and run.verdict is SurgeGrade.NOTICEABLE:
        return f"Next: {_what_shakes(run)}"
    return ""


def _what_shakes(run: DriveRun) -> str:
    return f"camcalc surge with this build and table and --gear {run.gear} shows what shakes the car, and how much of it is the table's doing."


def drive_figures(run: DriveRun, road_speed_unit: str = "km/h") -> list[tuple[str, str]]:
    """Return the figures of a drive as names and texts.

    Parameters
    ----------
    run : DriveRun
    road_speed_unit : str

    Returns
    -------
    list of (str, str)
    """
    si = run.si
    last = "stalled at" if run.stalled else "ends at"
    end = f"{si.time[-1]:.1f} s, {si.speed[-1] * 60.0:.0f} rpm"
    found = [(last, f"{end}, {run.road_speed[-1].to(road_speed_unit).magnitude:.0f} {road_speed_unit}" if run.gear else end)]
    if run.gear:
        found.append(("acceleration, r.m.s.", f"{figure(run.shake, DIGITS, 'm/s2')}: {graded(run.verdict)}"))
        found.append(("acceleration, peak to peak", figure(run.peaks, DIGITS, "m/s2")))
    if run.missed.any():
        found.append(("missed cycles", f"{60.0 * run.missed_rate:.0f} a minute, all cylinders"))
    fuelled = si.mixture[(run.fuel_cut < 0.5) & (si.mixture > 0.0)]
    if fuelled.size and not LEANEST <= fuelled.min() <= fuelled.max() <= RICHEST:
        found.append(("fuel over what air asks", f"{fuelled.min():.2f} to {fuelled.max():.2f}; camcalc burns this mixture, a real engine misfires"))
    found.append(("speed, r.m.s. of its swing", f"{figure(60.0 * run.speed_swing, 0, 'rpm')}"))
    found.append(("spark, peak to peak", f"{figure(run.spark_swing, 1, 'deg')}, between {si.spark.min():.0f} and {si.spark.max():.0f} deg BTDC"))
    found.append(("MAP", f"{si.manifold_pressure.min() / 1e3:.0f} to {si.manifold_pressure.max() / 1e3:.0f} kPa absolute"))
    if run.fuel_cut.any():
        cut = si.time[run.fuel_cut > 0.5]
        found.append(("fuel cut", f"{cut[0]:.1f} to {cut[-1]:.1f} s"))
    return found
