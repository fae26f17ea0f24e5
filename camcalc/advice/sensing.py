"""What the sensors read at idle: the oxygen sensor with missed and partial burns, air meter and pressure sensor with reversion."""

from __future__ import annotations

import dataclasses

from ..cycle.operating import EngineModel, barometer
from ..cycle.work_variation import work_spread
from ..results import Record
from ..sheet.sections import INDIVIDUAL_THROTTLES
from .idle import IdleState
from .mixture import LoadSensing, Plenum, SensorReading, load_sensing, sensor_reading

__all__ = ["IdleSensing", "idle_sensing"]


# A charge this near to the barometer holds little residual and burns all that its flame reaches: it sets apart what crevices hide, most of which
# burns later; ``sensor_reading`` knows the rest.
NEARLY_FULL = 0.9


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class IdleSensing(Record):
    """Both readings at an idle; the load sensors need the flows in the runners and a replaced cam to compare with, None without."""

    mixture: SensorReading
    load: LoadSensing | None


def idle_sensing(engine: EngineModel, before: EngineModel | None, idle: IdleState) -> IdleSensing:
    """Return what oxygen sensor and load sensors read at an idle, missed and partial burns counted."""
    build = engine.build
    si = idle.si
    spread = work_spread(engine, si.speed, si.manifold_pressure, si.spark)
    state = spread.mean
    whole = work_spread(engine, si.speed, NEARLY_FULL * barometer(engine), si.spark).burned_share
    # What a cylinder leaves unburned partly goes round with the reversion and burns later: of the fuel that goes in, only the unburned part of what
    # the cylinder holds at exhaust opening is lost, since the exhaust carries off just that mixture.
    lost = (1.0 - state.burned_fraction) * (1.0 - min(spread.burned_share / whole, 1.0)) if whole > 0.0 else 1.0
    mixture = sensor_reading(build.idle.mixture, 1.0 - lost, build.limits.fuel_seen, engine.fuel)
    if before is None or not state.runs:
        return IdleSensing(mixture=mixture, load=None)
    flow = engine.port_flow(si.speed, si.manifold_pressure, si.spark)
    if flow is None:
        return IdleSensing(mixture=mixture, load=None)
    alone = build.engine.intake == INDIVIDUAL_THROTTLES
    cylinders = 1 if alone else build.engine.cylinders
    plenum = Plenum(build.engine.si.plenum_volume * cylinders / build.engine.cylinders, si.manifold_pressure, flow.plenum_temperature, barometer(engine))
    old = before.state(si.speed, si.manifold_pressure, before.best_spark(si.speed, si.manifold_pressure))
    if not old.runs:
        return IdleSensing(mixture=mixture, load=None)
    found = load_sensing(flow.drawn, cylinders, speed=si.speed, plenum=plenum, air_replaced=old.air, air_new=state.air)
    return IdleSensing(mixture=mixture, load=found)
