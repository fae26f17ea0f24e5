"""What can be measured on a car: rows for its sheet, each with where and how long, ready to be filled in."""

from __future__ import annotations

import math
from typing import NamedTuple

from ..cycle.operating import EngineModel
from ..errors import NoSolutionError
from ..road_test.readings import COAST_GEAR, FASTER, ROAD, STEP, place_of
from ..sheet.measured_reading import read_measured
from ..sheet.measured_rows import COASTING, CRANKING, IDLE, MISFIRE_LIMIT, MeasuredRow
from ..sheet.measured_rows import ROAD as ON_ROAD
from ..sheet.section_reading import Problems

__all__ = ["Candidate", "candidates_of"]

# A figure of its kind in every place that is to be filled in, so that the row reads; its value counts nowhere.
ANY = {"manifold_pressure": "50 kPa", "air_flow": "9 g/s", "deceleration": "1 m/s**2", "cranking_pressure": "1200 kPa"}
UNITS = {"spark": "crank_deg", "manifold_pressure": "kPa", "air_flow": "g/s", "deceleration": "m/s**2", "cranking_pressure": "kPa"}


class Candidate(NamedTuple):
    """A row that could be measured: its figures as a sheet states them, what is to be read, how long it takes [s], and the row as read."""

    stated: dict[str, str | int]
    read: tuple[str, ...]
    seconds: float
    row: MeasuredRow

    @property
    def text(self) -> str:
        """The row for a sheet, a question mark for what is to be read."""
        lines = ["[[measured]]", *(f"{key} = {value}" if isinstance(value, int) else f'{key} = "{value}"' for key, value in self.stated.items())]
        read = self.read or ("spark",)
        return "\n".join([*lines, *(f'{name} = "? {UNITS[name]}"' for name in read)])


def candidates_of(engine: EngineModel) -> tuple[Candidate, ...]:
    """Return what can be measured on a car, at a standstill first.

    Raises
    ------
    NoSolutionError
        If the engine cannot idle.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build
    >>> found = candidates_of(QuickEngine(load_build("examples/quarry-road/build.toml")))
    >>> found[0].text.splitlines()[1]
    'what = "cranking"'
    """
    place = place_of(engine)
    idle, fast, spark = f"{round(place.idle * 60.0)} rpm", f"{round((place.idle + FASTER) * 60.0)} rpm", round(place.idle_spark)
    steady = ("manifold_pressure", "air_flow")
    vehicle = engine.build.vehicle
    # Seconds with getting there and settling; ESTIMATE, each.
    asked: list[tuple[dict[str, str | int], tuple[str, ...], float]] = [
        ({"what": CRANKING}, ("cranking_pressure",), 300.0),
        ({"what": IDLE, "speed": idle, "spark": f"{spark} crank_deg"}, steady, 40.0),
        ({"what": IDLE, "speed": fast, "spark": f"{spark} crank_deg"}, steady, 40.0),
        ({"what": IDLE, "speed": idle, "spark": f"{round(spark - STEP)} crank_deg"}, steady, 60.0),
    ]
    if not engine.teaching_only:
        asked.append(({"what": MISFIRE_LIMIT, "speed": idle}, (), 180.0))
    if math.isfinite(place.road_spark):
        where: dict[str, str | int] = {"what": ON_ROAD, "gear": place.gear, "speed": f"{round(ROAD * 60.0)} rpm"}
        asked.append(({**where, "spark": f"{round(place.road_spark)} crank_deg"}, steady, 120.0))
    if vehicle.transmission != "converter" and len(vehicle.gear_ratios) >= COAST_GEAR:
        asked.append(({"what": COASTING}, ("deceleration",), 90.0))
    found = []
    for k, (stated, read, seconds) in enumerate(asked):
        filled = {**stated, **{name: ANY[name] for name in read}}
        if stated["what"] == MISFIRE_LIMIT:
            filled["spark"] = f"{spark} crank_deg"
        problems = Problems()
        rows = read_measured([filled], problems)
        problems.raise_any("")
        found.append(Candidate(stated, read, seconds, rows[0].replace(number=k + 1)))
    if not found:
        raise NoSolutionError("nothing can be measured on this car")
    return tuple(found)
