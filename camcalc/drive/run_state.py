"""What a run over time is made of, and where it stands; one home for cylinders on their maps and cylinders that are integrated."""

from __future__ import annotations

import enum
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..cycle.memory import INPUTS, OUTPUTS, Given
from .driveline_kernel import Plant
from .plenum import PlenumGas, plenum_pressure

__all__ = ["CHANNELS", "MAPS", "Control", "Cylinders", "Limb", "Mixture", "Moving", "Now", "Signals", "Table", "World", "begun"]

Array = NDArray[np.float64]

TURN = 2.0 * math.pi
# The maps of a cylinder's segments, by their names.
MAPS = ("a", "b", "c", "d", "missed_carried", "missed_made")
CHANNELS = (
    *("speed", "spark", "pressure", "load", "opening", "road_speed", "twist", "shaft_torque", "fuel_cut", "crank_torque"),
    *("missed", "mixture", "burned"),
)


class Cylinders(NamedTuple):
    """An engine's cylinders about a point: maps of the segments, what the settled cycle makes, and what tables say there.

    Attributes
    ----------
    number, segments : int
    a, b, c, d, missed_carried, missed_made : array
        As ``CycleMemory``.
    at : array, shape (5,)
        What is given at the point, as ``Given``.
    furthest : array, shape (5,)
        How far off that the maps follow.
    made : array, shape (outputs,)
        By one cylinder in a settled cycle, as ``Made``.
    slopes : array, shape (outputs, 3)
        Of that by speed, pressure and spark, as the maps have it; the mass by speed and pressure as the tables have it.
    fraction_slopes : array, shape (3,)
        Of the burned fraction at intake closing.
    fraction_by_pressure : float [1/Pa]
        Of the tables' burned fraction.
    net, gross, air : float
        Of the tables at the point [Pa], [Pa], [kg].
    swept : float [m3]
        Of one cylinder.
    induces, works : int
        Segments in which the middle of induction and of power lie.
    plenum_own, plenum_losses, plenum_seen : array, shape (3, 3)
        As ``PlenumSlopes``, at the point.
    still : bool
        Whether the plenum's gas keeps its temperature and holds no burned gas: without memory.
    """

    number: int
    segments: int
    a: Array
    b: Array
    c: Array
    d: Array
    missed_carried: Array
    missed_made: Array
    at: Array
    furthest: Array
    made: Array
    slopes: Array
    fraction_slopes: Array
    fraction_by_pressure: float
    net: float
    gross: float
    air: float
    swept: float
    induces: int
    works: int
    plenum_own: Array
    plenum_losses: Array
    plenum_seen: Array
    still: bool


class Table(NamedTuple):
    """A spark table: speeds [rev/s], loads [inner unit], cells [crank deg]; its load 0 for manifold pressure, 1 for air charge, 2 for relative
    charge; full cylinder of reference air [kg]."""

    speeds: Array
    loads: Array
    cells: Array
    load_kind: int
    reference_air: float


class Mixture(NamedTuple):
    """How fuel follows air: share that goes by the wall, its time constant [s], work per mixture when lean and when rich; nothing with ``on`` false."""

    on: bool
    film_share: float
    film_time: float
    by_lean: float
    by_rich: float


class Limb(NamedTuple):
    """A foot that the car's acceleration moves on the pedal: share of the opening per m/s2, its own frequency [rad/s] and damping."""

    gain: float
    frequency: float
    damping: float


class Control(NamedTuple):
    """An idle control: share of the opening per rad/s, and per rad/s and second; spark per rad/s, most spark either way; target [rad/s]. None with zeros."""

    opening: float
    integral: float
    spark: float
    most_spark: float
    target: float


class Signals(NamedTuple):
    """What the driver and the engine control do: opening of the throttle by step [m2], what counts as closed, speed-hold gains (zero for
    none) and lag, target road speed, fuel cut above and back below [rad/s]; load filter [s]; how far the load signal jitters for the table and for fuel
    (share of the blow-back's) and the speed signal [rad/s]; how far burns vary, whether cycles miss; speed below which the engine stalls [rad/s]."""

    opening: Array
    closed: float
    gain: float
    integral: float
    lag: float
    target: float
    cut_above: float
    back_below: float
    load_filter: float
    table_jitter: float
    fuel_jitter: float
    speed_jitter: float
    burns_vary: float
    cycles_miss: bool
    slowest: float


class World(NamedTuple):
    """All that does not change over a run; axes (speeds [rev/s], pressures [Pa], sparks [crank deg]) and values are of the engine's tables, the share
    that misses as its normal measure; noise has a row of four standard normal draws for each firing; step [s]."""

    plant: Plant
    engine: Cylinders
    plenum: PlenumGas
    signals: Signals
    table: Table
    axes: tuple[Array, Array, Array]
    values: Array
    mixture: Mixture
    limb: Limb
    control: Control
    noise: Array
    step: float


class Now(enum.IntEnum):
    """Where each single number of a run stands: SI, angles in rad, ``SEEN`` and ``LOAD`` as the control has measured them."""

    OPENING = 0
    TRIM = 1
    TRIMMED = 2
    IDLE_TRIM = 3
    CUT = 4
    PRESSED = 5
    PRESSING = 6
    FILTERED = 7
    JITTER = 8
    SUM_SPEED = 9
    SUM_LOAD = 10
    SUM_JITTER = 11
    SUMS = 12
    TURNED = 13
    NEXT_EVENT = 14
    FIRINGS = 15
    EVENTS = 16
    MISSES = 17
    TORQUE = 18
    LOAD = 19
    FUEL_LOAD = 20
    SEEN = 21
    CAR = 22
    RATIO = 23
    BLOW_BACK = 24
    SPARKED = 25
    PRESSURE = 26
    SHOWN = 27
    CLOSED = 28
    BEGAN = 29
    SPAN = 30
    MEAN_NET = 31
    FAR = 32


class Moving(NamedTuple):
    """All that moves in a run: driveline, plenum, single numbers as ``Now``; by cylinder what is carried, its next segment, spark, speed and pressure of its
    induction, how far the maps take those to be off, whether it misses or got no fuel, work by its mixture, fuel sent and on the wall, how its burn
    varies; means of the events in a firing interval; what is given in this segment and was before; what all make in it, and what is left of the segment
    before, which a step cut long or short; room to work in, the plenum's losses and rates among it."""

    driveline: Array
    plenum: Array
    scalars: Array
    states: Array
    which: NDArray[np.int64]
    sparks: Array
    induced: Array
    felt: Array
    missed: NDArray[np.bool_]
    without_fuel: NDArray[np.bool_]
    lean: Array
    sent: Array
    wall: Array
    drawn: Array
    speeds: Array
    loads: Array
    jitters: Array
    given: Array
    before: Array
    amounts: Array
    left: Array
    found: Array
    room: Array
    losses: Array
    rate: Array


def begun(world: World, driveline: Array, plenum: Array) -> Moving:
    """Return a run at its start.

    Parameters
    ----------
    world : World
    driveline : array, shape (5,) [SI]
        Settled.
    plenum : array, shape (3,) [SI]
        Mass, temperature, burned fraction.
    """
    engine, mixture = world.engine, world.mixture
    n, each = engine.number, engine.segments // engine.number
    speed, pressure = engine.at[Given.SPEED], float(plenum_pressure(world.plenum, plenum))
    scalars = np.zeros(len(Now))
    scalars[[Now.FILTERED, Now.LOAD, Now.FUEL_LOAD, Now.PRESSURE]] = pressure
    scalars[Now.SEEN], scalars[Now.CAR], scalars[Now.RATIO], scalars[Now.SPARKED] = driveline[0], driveline[4], 1.0, engine.at[Given.SPARK]
    scalars[Now.OPENING], scalars[Now.CLOSED] = world.signals.opening[0], world.signals.opening[0] <= world.signals.closed * 1.0001
    scalars[Now.SHOWN], scalars[Now.MEAN_NET] = pressure, engine.net
    scalars[Now.TORQUE] = n * engine.swept * engine.net / (2.0 * TURN) - world.plant.friction[0] - world.plant.friction[1] * driveline[0] ** 2
    wall = mixture.film_share / (1.0 - math.exp(-2.0 * TURN / speed / mixture.film_time))
    full, ones, none = np.full, np.ones, np.zeros(n, dtype=np.bool_)
    return Moving(
        driveline.copy(), plenum.copy(), scalars, np.zeros((n, engine.a.shape[1])), np.arange(n) * each, full(n, engine.at[Given.SPARK]),
        np.tile(engine.at[:2], (n, 1)), np.zeros((n, 2)), none, none.copy(), ones(n), ones(n), full(n, wall), np.zeros(n),
        full(each, driveline[0]), full(each, pressure), np.zeros(each),
        np.zeros(INPUTS), np.zeros(INPUTS), np.zeros(OUTPUTS), np.zeros(OUTPUTS), np.zeros(world.values.shape[0]), np.zeros((3, 5)), np.zeros(3),
        np.zeros(3),
    )  # fmt: skip
