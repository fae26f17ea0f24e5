"""Invented driving logs whose true cause is known: a two-inertia driveline, a spark table looked up, burn noise, sensors, a logger.

Driveline: the engine's inertia, a drive shaft with stiffness and damping, the car's inertia; J_m 0.17, J_t 0.014, J_f 0.031 kg m2,
k 5000 N m/rad, wheel 0.32 m, 1400 kg, first gear 3.5 with final drive 3.7 (a published passenger-car set, read). Its damping of 65 N m s/rad
is an argument. Second and third gear (3.5 x 0.6^k), engine torque, manifold, tables, noise and sensors are invented. Nothing in here imports the package.
"""

from __future__ import annotations

import csv
import math
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numba
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEP = 0.002
FINAL, WHEEL, MASS, STIFFNESS, WHEELS = 3.7, 0.32, 1400.0, 5000.0, 1.0
RATIOS = {0: 3.5, 1: 3.5, 2: 2.1, 3: 1.26}
TORQUE_PER_KPA, NO_TORQUE_KPA, LAG, SENSOR_LAG = 1.6, 32.0, 0.2, 0.05
RAD_PER_RPM = math.pi / 30.0
CYLINDERS = 4

SPEEDS = tuple(float(n) for n in range(600, 3001, 200))
LOADS = tuple(float(p) for p in range(20, 101, 10))
# Torque per degree is a constant here: the drive stays well before best torque.
TORQUE_PER_DEGREE, SPARK_OF_TORQUE = 1.5, 25.0


def table(step: float = 0.0, at: float = 1300.0, base: float = 24.0, per_kpa: float = 0.0) -> list[list[float]]:
    """Cells over SPEEDS [rpm] and LOADS [kPa]: level, but for a step between the two speeds around ``at``, and a slope along load."""
    return [[base + (step if n > at else 0.0) - per_kpa * (p - 40.0) for p in LOADS] for n in SPEEDS]


def look_up(cells: list[list[float]], speed: float, load: float) -> float:
    """Bilinear between cells, the edge's own beyond it."""
    i = min(max(bisect_right(SPEEDS, speed) - 1, 0), len(SPEEDS) - 2)
    j = min(max(bisect_right(LOADS, load) - 1, 0), len(LOADS) - 2)
    s = min(max((speed - SPEEDS[i]) / (SPEEDS[i + 1] - SPEEDS[i]), 0.0), 1.0)
    t = min(max((load - LOADS[j]) / (LOADS[j + 1] - LOADS[j]), 0.0), 1.0)
    below = (1.0 - t) * cells[i][j] + t * cells[i][j + 1]
    above = (1.0 - t) * cells[i + 1][j] + t * cells[i + 1][j + 1]
    return (1.0 - s) * below + s * above


def mode(gear: int, damping: float = 65.0) -> tuple[float, float]:
    """Frequency [Hz] and damping ratio of the driveline alone."""
    engine, car = inertias(gear)
    root = math.sqrt(STIFFNESS * (1.0 / engine + 1.0 / car))
    return root / (2.0 * math.pi), damping * root / (2.0 * STIFFNESS)


def inertias(gear: int) -> tuple[float, float]:
    """Engine and car [kg m2], both at the wheels."""
    ratio = RATIOS[gear]
    return (0.17 + 0.014 / ratio**2 + 0.031 / (ratio * FINAL) ** 2) * (ratio * FINAL) ** 2, WHEELS + MASS * WHEEL**2


@dataclass
class Drive:
    """What is driven. Speeds in rpm, pressures in kPa, angles in crank degrees, torques in N m, times in s;

    ``creep`` in rpm per s is how fast the driver lets the speed rise; ``converter`` is times and N m per rad/s of slip.
    """

    cells: list[list[float]] = field(default_factory=table)
    speed: float = 1300.0
    gear: int = 1
    damping: float = 65.0
    burn_noise: float = 0.0
    weak_cylinder: float = 0.0
    load_noise: float = 0.0
    adder: float = 0.0
    idle_gain: float = 0.0
    idle_lag: float = 0.1
    knock: float = 0.0
    pedal_steps: tuple[tuple[float, float], ...] = ()
    shifts: tuple[tuple[float, int], ...] = ()
    overrun: tuple[tuple[float, float], ...] = ()
    cut_above: float = math.inf
    closed_pedal: bool = False
    fall_per_rpm: float = 0.034
    creep: float = 0.0
    converter: tuple[tuple[float, float], ...] = ()
    seconds: float = 30.0


@dataclass
class Log:
    """What was logged, and what was true at every step: both by channel; rpm, kPa, crank degrees, m/s, m/s2, pedal 0 to 1."""

    logged: dict[str, Array]
    true: dict[str, Array]
    drive: Drive

    def truth(self, start: float, end: float, channel: str = "speed") -> tuple[float, float]:
        """True frequency [Hz], by zero crossings of the shaft's twist, and amplitude of a channel over a stretch, its slow part taken off."""
        time = self.true["time"]
        frequency = _crossings(_swing(self.true["twist"], time, start, end))
        return frequency, math.sqrt(2.0) * float(np.std(_swing(self.true[channel], time, start, end, 1.0 / frequency)))

    def write_csv(self, path: Path, names: dict[str, str], decimals: int = 4) -> Path:
        """Write the channels named, under these names."""
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(names.values())
            writer.writerows(zip(*([f"{v:.{decimals}f}" for v in self.logged[c]] for c in names), strict=True))
        return path


def _swing(values: Array, time: Array, start: float, end: float, period: float = 1.0) -> Array:
    """The values less their mean over a period around each, inside the stretch."""
    width = max(round(period / STEP), 1)
    mean = np.convolve(np.pad(values, width, mode="edge"), np.ones(width) / width, mode="same")[width:-width]
    return (values - mean)[(time >= start) & (time <= end)]


def _crossings(swing: Array) -> float:
    up = np.flatnonzero((swing[:-1] < 0.0) & (swing[1:] >= 0.0))
    at = up + swing[up] / (swing[up] - swing[up + 1])
    return float((len(at) - 1) / ((at[-1] - at[0]) * STEP))


def run(drive: Drive, *, seed: int = 0, rate: float = 50.0, uneven: float = 0.0, gaps: tuple[tuple[float, float], ...] = (), noise: float = 1.0) -> Log:
    """Drive it and log it. ``uneven`` scatters the time stamps by so much of a step; ``noise`` scales that of the sensors."""
    true = _integrate(drive, np.random.default_rng(seed))
    rng = np.random.default_rng(seed + 1000)
    count = int(drive.seconds * rate)
    at = (np.arange(count) + uneven * rng.uniform(-0.5, 0.5, count)) / rate
    at = np.unique(np.round(np.clip(at, 0.0, drive.seconds - STEP), 4))
    for start, end in gaps:
        at = at[(at < start) | (at >= end)]
    spread = {"speed": 1.5, "road_speed": 0.004, "acceleration": 0.02}
    held = ("gear", "clutch", "fuel_cut", "pedal", "load", "spark", "knock_retard")
    logged = {"time": at}
    for name, values in true.items():
        if name in ("time", "twist"):
            continue
        if name in held:
            logged[name] = values[np.minimum((at / STEP).astype(int), len(values) - 1)]
        else:
            logged[name] = np.interp(at, true["time"], values) + noise * spread.get(name, 0.0) * rng.normal(size=len(at))
    return Log(logged, true, drive)


def _balance(drive: Drive, ratio: float) -> float:
    """Manifold pressure [kPa] that holds the speed on the level."""
    omega = drive.speed * RAD_PER_RPM
    need = _road(omega * WHEEL / ratio) * WHEEL / ratio
    pressure = 40.0
    for _ in range(50):
        spark = look_up(drive.cells, drive.speed, pressure) + drive.adder
        pressure = NO_TORQUE_KPA + (need - TORQUE_PER_DEGREE * (spark - SPARK_OF_TORQUE)) / TORQUE_PER_KPA
    return pressure


def _integrate(drive: Drive, rng: np.random.Generator) -> dict[str, Array]:
    steps = round(drive.seconds / STEP)
    time = STEP * np.arange(steps)
    base = _balance(drive, RATIOS[drive.gear] * FINAL)
    pedal_of, shift_of = _pedal(drive, base), _shifts(drive)
    pedal = np.array([pedal_of(t) for t in time.tolist()])
    clutch, gear = np.array([shift_of(t) for t in time.tolist()]).T
    gears = sorted(RATIOS)
    ratio = np.array([RATIOS[g] * FINAL for g in gears])
    engine, car = np.array([inertias(g) for g in gears]).T
    knocks = rng.random(steps) < 12.0 * STEP
    coupling = np.interp(time, *np.transpose(drive.converter)) if drive.converter else 0.0 * time
    noise = (drive.burn_noise * rng.normal(size=steps), drive.load_noise * math.sqrt(2.0 * STEP / SENSOR_LAG) * rng.normal(size=steps))
    about = np.array([
        drive.speed, drive.damping, drive.weak_cylinder, drive.adder, drive.idle_gain, drive.idle_lag, drive.knock,
        min(drive.cut_above, 1e9), float(drive.closed_pedal), drive.fall_per_rpm, drive.creep, base,
    ])  # fmt: skip
    axes = np.array(SPEEDS), np.array(LOADS), np.array(drive.cells)
    columns = _steps(about, axes, pedal, clutch, gear.astype(np.int64), ratio, engine, car, coupling, knocks, *noise)
    names = ("speed", "spark", "load", "road_speed", "acceleration", "fuel_cut", "knock_retard", "twist")
    return {"time": time, "pedal": pedal, "gear": gear, "clutch": clutch} | dict(zip(names, columns.T.copy(), strict=True))


@numba.njit
def _road(v: float) -> float:
    return (200.0 + 0.5 * v * v) * min(1.0, max(v, 0.0))


@numba.njit
def _cell(axes: tuple[Array, Array, Array], speed: float, load: float) -> float:
    speeds, loads, cells = axes
    i = min(max(np.searchsorted(speeds, speed, side="right") - 1, 0), len(speeds) - 2)
    j = min(max(np.searchsorted(loads, load, side="right") - 1, 0), len(loads) - 2)
    s = min(max((speed - speeds[i]) / (speeds[i + 1] - speeds[i]), 0.0), 1.0)
    t = min(max((load - loads[j]) / (loads[j + 1] - loads[j]), 0.0), 1.0)
    below = (1.0 - t) * cells[i, j] + t * cells[i, j + 1]
    above = (1.0 - t) * cells[i + 1, j] + t * cells[i + 1, j + 1]
    return (1.0 - s) * below + s * above


@numba.njit
def _steps(about, axes, pedals, clutches, gears, ratios, engines, cars, couplings, knocks, burn_noise, load_noise):  # type: ignore[no-untyped-def]
    at_speed, damping, weak, adder, idle_gain, idle_lag, knock, cut_above, closed_pedal, fall_per_rpm, creep, base = about
    gear, cut, out = gears[0], False, np.empty((len(pedals), 8))
    ratio, engine, car = ratios[gear], engines[gear], cars[gear]
    pressure, seen = base, base
    omega = at_speed * RAD_PER_RPM
    wheel = omega / ratio
    twist = _road(wheel * WHEEL) * WHEEL / STIFFNESS
    if couplings[0] > 0.0:
        wheel = (omega - _road(wheel * WHEEL) * WHEEL / ratio / couplings[0]) / ratio
    follows, retard, turned, fired, extra = 0.0, 0.0, 0.0, 0, 0.0
    for k in range(len(pedals)):
        rpm, pedal, clutch = omega / RAD_PER_RPM, pedals[k], clutches[k] > 0.5
        wanted = at_speed + creep * k * STEP
        if gears[k] != gear and clutch:
            gear = gears[k]
            ratio, engine, car = ratios[gear], engines[gear], cars[gear]
        cut = pedal < 0.01 and closed_pedal < 0.5 and rpm > (cut_above - 300.0 if cut else cut_above)
        goal = base + 120.0 * (pedal - pedals[0]) - fall_per_rpm * (rpm - wanted)
        pressure += STEP / LAG * (max(goal, 15.0) - pressure)
        # What the pressure sensor makes of blow-back: noise that lives for some 50 ms.
        seen += STEP / SENSOR_LAG * (pressure - seen) + load_noise[k]
        follows += STEP / idle_lag * ((wanted - rpm) - follows)
        if knock > 0.0 and (omega - wheel * ratio) > 0.5 and knocks[k]:
            retard = min(retard + 3.0, knock)
        retard = max(retard - 6.0 * STEP, 0.0)
        spark = _cell(axes, rpm, seen) + adder + idle_gain * follows - retard
        turned += omega * STEP * CYLINDERS / (4.0 * math.pi)
        if int(turned) != fired:
            fired = int(turned)
            extra = burn_noise[k] - (weak if fired % CYLINDERS == 0 else 0.0)
        torque = TORQUE_PER_KPA * (pressure - NO_TORQUE_KPA) + TORQUE_PER_DEGREE * (spark - SPARK_OF_TORQUE) + extra
        if cut:
            torque = -18.0
        elif clutch:
            torque = 0.0
        turbine = omega
        if clutch:
            shaft = 0.0
        elif couplings[k] > 0.0:
            c = couplings[k]
            turbine = (c * ratio * omega - STIFFNESS * twist + damping * wheel) / (c * ratio + damping / ratio)
            shaft = c * ratio * (omega - turbine)
        else:
            shaft = STIFFNESS * twist + damping * (omega / ratio - wheel)
        if clutch:
            omega += STEP / 0.12 * (wheel * ratio - omega)
            twist = 0.0
        else:
            omega += STEP * (torque - shaft / ratio) * ratio**2 / engine
        force = (shaft - _road(wheel * WHEEL) * WHEEL) / car
        wheel += STEP * force
        if not clutch:
            twist += STEP * ((omega if couplings[k] == 0.0 else turbine) / ratio - wheel)
        row = (rpm, spark, seen, wheel * WHEEL, force * WHEEL, 1.0 if cut else 0.0, retard, twist)
        for i in range(8):
            out[k, i] = row[i]
    return out


def _pedal(drive: Drive, pressure: float) -> Callable[[float], float]:
    """Pedal over time: what holds the pressure, steps on top of it, closed on the overrun."""
    hold = 0.0 if drive.closed_pedal else max((pressure - 10.0) / 150.0, 0.02)

    def pedal(t: float) -> float:
        if any(start <= t < end for start, end in drive.overrun):
            return 0.0
        return hold + sum(size for at, size in drive.pedal_steps if t >= at)

    return pedal


def _shifts(drive: Drive) -> Callable[[float], tuple[float, int]]:
    """Clutch (1 while it is open, half a second) and gear over time."""

    def shift(t: float) -> tuple[float, int]:
        gear, clutch = drive.gear, 0.0
        for at, into in drive.shifts:
            if t >= at:
                gear, clutch = into, 1.0 if t < at + 0.5 else 0.0
        return clutch, gear

    return shift


STEEP = table(step=9.0)
FLAT = table()
OTHER = table(step=-6.0, base=30.0, per_kpa=0.3)

# The kinds of drive, by what is true of them.
DRIVES = {
    "table": Drive(cells=STEEP, damping=45.0, burn_noise=1.0),
    "table and adder": Drive(cells=STEEP, damping=45.0, burn_noise=1.0, adder=4.0),
    "table by load": Drive(cells=table(per_kpa=0.8), damping=20.0, burn_noise=1.0, load_noise=1.5),
    "another table": Drive(cells=OTHER, damping=16.0, burn_noise=6.0),
    "burn": Drive(cells=FLAT, damping=16.0, burn_noise=6.0),
    "idle correction": Drive(cells=FLAT, damping=30.0, speed=900.0, idle_gain=0.2, idle_lag=0.3, closed_pedal=True, burn_noise=4.0),
    "knock retard": Drive(cells=FLAT, damping=20.0, knock=9.0, burn_noise=8.0),
    "clean": Drive(cells=FLAT, burn_noise=1.0),
    "tip-ins": Drive(cells=FLAT, burn_noise=1.0, damping=50.0, pedal_steps=tuple((4.0 + 5.0 * k, 0.1 * (-1) ** k) for k in range(5))),
    "gear changes": Drive(cells=FLAT, burn_noise=1.0, speed=1900.0, shifts=((8.0, 2), (18.0, 3))),
    "overrun": Drive(cells=FLAT, burn_noise=1.0, speed=2100.0, overrun=((6.0, 10.0), (20.0, 24.0))),
    "fuel cut": Drive(cells=FLAT, burn_noise=1.0, speed=2100.0, overrun=((6.0, 9.0), (20.0, 23.0)), cut_above=1400.0),
    "weak cylinder": Drive(cells=FLAT, weak_cylinder=60.0, speed=1300.0, gear=3),
    "converter": Drive(cells=FLAT, burn_noise=1.0, speed=1500.0, gear=2, converter=((8.0, 1.0), (9.5, 6.0), (18.0, 6.0), (19.0, 1.0))),
}


def own_frequency(drive: Drive) -> float:
    """Frequency [Hz] of the drive about its balance, table level and no correction: shaft, engine, car and manifold, exactly, by eigenvalues."""
    ratio = RATIOS[drive.gear] * FINAL
    engine, car = inertias(drive.gear)
    fall = drive.fall_per_rpm / RAD_PER_RPM
    k, c = STIFFNESS, drive.damping
    # States: twist, engine speed, wheel speed, manifold pressure. The road's own damping is left out: it is far slower.
    matrix = np.array([
        [0.0, 1.0 / ratio, -1.0, 0.0],
        [-k * ratio / engine, -c / engine, c * ratio / engine, TORQUE_PER_KPA * ratio**2 / engine],
        [k / car, c / ratio / car, -c / car, 0.0],
        [0.0, -fall / LAG, 0.0, -1.0 / LAG],
    ])  # fmt: skip
    return float(np.abs(np.linalg.eigvals(matrix).imag).max() / (2.0 * math.pi))
