"""Engine, plenum, driveline and car over time: cylinders go on segment by segment with what they remember, the rest step by step in between."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from ..compiling import compiled
from ..cycle.gas_kernel import properties
from ..cycle.memory import OUTPUTS, Carried, Given, Made
from .driveline_kernel import advance, shaft_torque
from .maps_kernel import AIR, BLOW_BACK, DEVIATION, GROSS, MISS_MEASURE, NET, cycle_at, go_on, middle_of_plenum, near, spark_off, straight
from .plenum import plenum_pressure, plenum_rates
from .run_state import Cylinders, Moving, Now, Table, World

__all__ = ["close_intake", "event_begins", "make_power", "meet_fuel", "move_on", "row_of", "run_on"]

Array = NDArray[np.float64]

TURN = 2.0 * math.pi
# A cylinder's residual is turned into the pressure at which a settled cycle has as much, no further from its own than this [Pa]: ESTIMATE, three spacings
# of the tables, over which a straight line still serves.
MOST_MOVED = 15e3
# What a plenum can hold: burned fractions, temperatures [K], share of its outside pressure. ESTIMATE: wide of what engines have, so that a step that went
# astray is no end of the run; a deviation may leave a little less than no burned gas.
LEAST_BURNED, MOST_BURNED, COLDEST, HOTTEST, EMPTIEST = -0.02, 1.0, 250.0, 1200.0, 0.01
# An idle control closes the throttle no further than to so much (ESTIMATE: the plate's stop); a cylinder gets no less fresh charge, as far as its
# fuel goes (ESTIMATE: far too rich to burn, and no division by nothing): shares.
LEAST_IDLE_OPENING, LEAST_AIR = 0.7, 0.05
# What cylinders make on average is spread over the cycle, the rest falls where power does; the average is followed so slowly [s] that swings are the rest:
# ESTIMATE, a corner at 0.16 Hz, below the 0.5 Hz from which surge is felt.
MEAN_TIME = 1.0
# A run that stays so far off its maps' point (share of the furthest) for so long [s] wants others. ESTIMATE.
FAR, STAYS_FAR = 0.5, 1.0
# An idle control learns only this near its target: share of it. ESTIMATE; else a coast from speed would teach it to close the throttle.
IDLE_LEARNS = 0.25
# Columns of the noise: burn, load signal, speed signal, whether a cycle misses; standard normal.
BURN, LOAD, SPEED, MISSES = range(4)


@compiled(error_model="numpy")
def _table_at(table: Table, speed: float, load: float) -> float:
    """Return the table's spark, bilinear, edges held; speed rev/s."""
    speeds, loads, cells = table.speeds, table.loads, table.cells
    n = min(max(speed, speeds[0]), speeds[-1])
    p = min(max(load, loads[0]), loads[-1])
    i = min(max(int(np.searchsorted(speeds, n)) - 1, 0), speeds.size - 2)
    j = min(max(int(np.searchsorted(loads, p)) - 1, 0), loads.size - 2)
    a = (n - speeds[i]) / (speeds[i + 1] - speeds[i])
    b = (p - loads[j]) / (loads[j + 1] - loads[j])
    return (1.0 - a) * ((1.0 - b) * cells[i, j] + b * cells[i, j + 1]) + a * ((1.0 - b) * cells[i + 1, j] + b * cells[i + 1, j + 1])


@compiled(inline="always", error_model="numpy")
def _asked(world: World, now: Moving, speed: float, pressure: float, spark: float) -> None:
    """Look up the cycle at a crank speed [rad/s], held within the tables."""
    cycle_at(now.found, world.axes, world.values, speed, pressure, spark)


@compiled(inline="always", error_model="numpy")
def _pedal(world: World, now: Moving, i: int) -> None:
    """Set the throttle's opening: by the driver, a hold of road speed, a foot that the car moves, an idle control; and whether fuel is cut."""
    signals, limb, control, s, step = world.signals, world.limb, world.control, now.scalars, world.step
    car = now.driveline[4]
    opening = signals.opening[i]
    closed = opening <= signals.closed * 1.0001
    if signals.gain > 0.0:
        error = signals.target - car
        s[Now.TRIM] += step * (signals.gain * error + signals.integral * s[Now.TRIMMED] - s[Now.TRIM]) / signals.lag
        s[Now.TRIMMED] += step * error
        opening = max(opening * (1.0 + s[Now.TRIM]), signals.closed)
    if limb.gain > 0.0:
        push = (car - s[Now.CAR]) / step
        s[Now.PRESSING] += step * (limb.frequency**2 * (push - s[Now.PRESSED]) - 2.0 * limb.damping * limb.frequency * s[Now.PRESSING])
        s[Now.PRESSED] += step * s[Now.PRESSING]
        opening = max(opening * (1.0 - limb.gain * s[Now.PRESSED]), signals.closed)
    s[Now.CAR] = car
    if control.opening > 0.0 and closed:
        error = control.target - s[Now.SEEN]
        asked = 1.0 + s[Now.IDLE_TRIM]
        # On the way down from speed the throttle stays where it idles: closed further it would undershoot (common practice, no source).
        if error > -IDLE_LEARNS * control.target:
            asked += control.opening * error
            if error < IDLE_LEARNS * control.target and asked > LEAST_IDLE_OPENING and s[Now.CUT] == 0.0:
                s[Now.IDLE_TRIM] += step * control.integral * error
        opening *= max(asked, LEAST_IDLE_OPENING)
    omega = now.driveline[0]
    cut = closed and (omega > signals.cut_above or (s[Now.CUT] > 0.0 and omega > signals.back_below))
    s[Now.CUT], s[Now.OPENING], s[Now.CLOSED] = 1.0 if cut else 0.0, opening, 1.0 if closed else 0.0


@compiled(inline="always", error_model="numpy")
def event_begins(world: World, now: Moving) -> None:
    """Take what has been measured over the last firing interval, and what the segment is given.

    Parameters
    ----------
    world : World
    now : Moving
        Changed.
    """
    engine, signals, s, given = world.engine, world.signals, now.scalars, now.given
    angle = 2.0 * TURN / engine.segments
    s[Now.NEXT_EVENT] += angle
    for j in range(OUTPUTS):
        now.left[j] = now.amounts[j] * (1.0 - (s[Now.TURNED] - s[Now.BEGAN]) / s[Now.SPAN]) if s[Now.EVENTS] > 0.0 else 0.0
    # A step ends a little late; what it took too much is made good, and the segment is as much shorter.
    s[Now.BEGAN], s[Now.SPAN] = s[Now.TURNED], s[Now.NEXT_EVENT] - s[Now.TURNED]
    if s[Now.SUMS] > 0.0:
        k = int(s[Now.EVENTS]) % now.speeds.size
        now.speeds[k], now.loads[k], now.jitters[k] = s[Now.SUM_SPEED] / s[Now.SUMS], s[Now.SUM_LOAD] / s[Now.SUMS], s[Now.SUM_JITTER] / s[Now.SUMS]
    s[Now.SUM_SPEED], s[Now.SUM_LOAD], s[Now.SUM_JITTER], s[Now.SUMS] = 0.0, 0.0, 0.0, 0.0
    s[Now.EVENTS] += 1.0
    draw = world.noise[int(s[Now.TURNED] / (2.0 * TURN)) % world.noise.shape[0]]
    s[Now.SEEN] = max(now.speeds.mean() + signals.speed_jitter * draw[SPEED], 0.0)
    jitter = now.jitters.mean()
    s[Now.LOAD], s[Now.FUEL_LOAD] = now.loads.mean() + signals.table_jitter * jitter, now.loads.mean() + signals.fuel_jitter * jitter
    omega, p = now.driveline[0], s[Now.PRESSURE]
    at, furthest = engine.at, engine.furthest
    off = omega - at[Given.SPEED], p - at[Given.PRESSURE], 0.0, now.plenum[1] - at[Given.TEMPERATURE], now.plenum[2] - at[Given.FRACTION]
    # How far ahead the middle of the segment lies, which began a little before this step: share of it.
    ahead = s[Now.SPAN] / angle - 0.5
    far = abs(off[0]) > FAR * furthest[0] or abs(off[1]) > FAR * furthest[1]
    s[Now.FAR] = s[Now.FAR] + angle / omega if far and s[Now.CUT] == 0.0 else 0.0
    for j in range(len(off)):
        # What is given there, as it goes now.
        given[j] = near(off[j] + (ahead * (off[j] - now.before[j]) if s[Now.EVENTS] > 1.0 else 0.0), furthest[j])
        now.before[j] = off[j]
    # What the plenum loses on average: as the maps have it, and what the tables' air is more than that.
    _asked(world, now, omega, p, s[Now.SPARKED])
    share = engine.number / engine.segments
    if s[Now.CUT] > 0.0:
        # Without fuel nothing burned comes back: the plenum is drawn from as it is.
        temperature, fraction = now.plenum[1], now.plenum[2]
        mass = share * engine.made[Made.MASS] * now.found[AIR] / engine.air
        burned, energy = mass * fraction, mass * properties(world.plenum.gas, temperature, fraction)[2]
    else:
        felt = near(off[0], furthest[Given.SPEED]), near(off[1], furthest[Given.PRESSURE])
        more = engine.made[Made.MASS] * (now.found[AIR] / engine.air - 1.0) - engine.slopes[Made.MASS, 0] * felt[0] - engine.slopes[Made.MASS, 1] * felt[1]
        mass = share * (engine.made[Made.MASS] + more)
        burned, energy = share * engine.made[Made.BURNED], share * engine.made[Made.ENERGY] * (1.0 + more / engine.made[Made.MASS])
        # Where the maps follow no further, what is drawn is what the plenum holds.
        temperature, fraction = at[Given.TEMPERATURE] + near(off[3], furthest[3]), at[Given.FRACTION] + near(off[4], furthest[4])
        burned += mass * (now.plenum[2] - fraction)
        gas = world.plenum.gas
        energy += mass * (properties(gas, now.plenum[1], now.plenum[2])[2] - properties(gas, temperature, fraction)[2])
        if not engine.still:
            middle_of_plenum(world, now, (mass, burned, energy), angle / omega, ahead)
    now.amounts[:] = now.left
    now.amounts[Made.MASS] += mass
    now.amounts[Made.BURNED] += burned
    now.amounts[Made.ENERGY] += energy


@compiled(error_model="numpy")
def close_intake(world: World, now: Moving, c: int, residual_more: float) -> None:
    """Have a cylinder's intake close: its spark, and whether it burns.

    Parameters
    ----------
    world : World
    now : Moving
        Changed.
    c : int
        Which cylinder.
    residual_more : float
        Burned fraction over that of the tables at its induction's speed and pressure.
    """
    engine, signals, table, control, s = world.engine, world.signals, world.table, world.control, now.scalars
    shown = s[Now.LOAD]
    if table.load_kind > 0:
        _asked(world, now, s[Now.SEEN], s[Now.LOAD], s[Now.SPARKED])
        shown = now.found[AIR] if table.load_kind == 1 else now.found[AIR] / table.reference_air
    s[Now.SHOWN] = shown
    spark = _table_at(table, s[Now.SEEN] / TURN, shown)
    if control.spark > 0.0 and s[Now.CLOSED] > 0.0:
        spark += min(max(control.spark * (control.target - s[Now.SEEN]), -control.most_spark), control.most_spark)
    now.sparks[c], s[Now.SPARKED] = spark, spark
    own = world.noise[int(s[Now.FIRINGS]) % world.noise.shape[0]]
    s[Now.FIRINGS] += 1.0
    moved = 0.0
    if engine.fraction_by_pressure < 0.0:
        moved = min(max(residual_more / engine.fraction_by_pressure, -MOST_MOVED), MOST_MOVED)
    _asked(world, now, now.induced[c, 0], now.induced[c, 1] + moved, spark)
    cut = s[Now.CUT] > 0.0
    misses = signals.cycles_miss and not cut and own[MISSES] < now.found[MISS_MEASURE]
    s[Now.MISSES] += 1.0 if misses else 0.0
    now.missed[c], now.without_fuel[c] = misses, cut
    now.drawn[c] = signals.burns_vary * own[BURN]
    s[Now.BLOW_BACK] = now.found[BLOW_BACK]


@compiled(error_model="numpy")
def meet_fuel(world: World, now: Moving, c: int, air: float) -> None:
    """Have a cylinder's fuel meet its air: what was sent a cycle ago, less what stayed on the wall, with what came off it.

    Parameters
    ----------
    world : World
    now : Moving
        Changed.
    c : int
        Which cylinder.
    air : float
        Fresh charge over that of the settled point.
    """
    mixture, s = world.mixture, now.scalars
    if not mixture.on:
        return
    off_wall = now.wall[c] * (1.0 - math.exp(-2.0 * TURN / now.driveline[0] / mixture.film_time))
    sent = 0.0 if now.without_fuel[c] else now.sent[c]
    came = (1.0 - mixture.film_share) * sent + off_wall
    now.wall[c] += mixture.film_share * sent - off_wall
    # While fuel is cut this is what would be sent, so that its first pulse is not one of long ago; the wall dries.
    _asked(world, now, s[Now.SEEN], s[Now.FUEL_LOAD], now.sparks[c])
    now.sent[c] = now.found[AIR] / world.engine.air
    ratio = came / max(air, LEAST_AIR)
    s[Now.RATIO] = 0.0 if now.without_fuel[c] else ratio
    now.lean[c] = 1.0 + (mixture.by_lean if ratio < 1.0 else mixture.by_rich) * (ratio - 1.0)


@compiled(error_model="numpy")
def make_power(world: World, now: Moving, c: int) -> float:
    """Return what a cylinder's work [J] is more by its mixture and by how its burn varies; nothing where it misses.

    Parameters
    ----------
    world : World
    now : Moving
    c : int
        Which cylinder.
    """
    if now.missed[c] or now.without_fuel[c]:
        return 0.0
    _asked(world, now, now.induced[c, 0], now.induced[c, 1], now.sparks[c])
    gross = now.found[GROSS]
    return world.engine.swept * max((now.lean[c] - 1.0) * gross + now.drawn[c] * now.found[DEVIATION], -gross)


@compiled(inline="always", error_model="numpy")
def _over_mean(engine: Cylinders, now: Moving, net: float) -> float:
    """Have the mean of net work [Pa] follow that of a cylinder; return what the cylinder makes over it."""
    s = now.scalars
    interval = 2.0 * TURN / engine.number / now.driveline[0]
    s[Now.MEAN_NET] += (net - s[Now.MEAN_NET]) * min(interval / MEAN_TIME, 1.0)
    return net - s[Now.MEAN_NET]


@compiled(error_model="numpy")
def _cylinders(world: World, now: Moving) -> None:
    """Move every cylinder on by a segment along its maps, and add up what they make."""
    engine, given, amounts = world.engine, now.given, now.amounts
    made, work = np.zeros(OUTPUTS), np.zeros(now.states.shape[1])
    for c in range(engine.number):
        k = now.which[c]
        if k == 0:
            # Burned gas over what the maps make of a steady speed and pressure; the tables have that part.
            own = straight(engine.fraction_slopes, now.felt[c], spark_off(engine, now.sparks[c]))
            close_intake(world, now, c, now.states[c, Carried.CYLINDER_FRACTION] - own)
            given[Given.SPARK] = spark_off(engine, now.sparks[c])
        go_on(engine, k, now.states[c], given, now.missed[c], made, work)
        if k == 0:
            given[Given.SPARK] = 0.0
            if world.mixture.on:
                _asked(world, now, now.induced[c, 0], now.induced[c, 1], now.sparks[c])
                air = now.found[AIR] / engine.air
                if engine.made[Made.FRESH] > 0.0:
                    settled = straight(engine.slopes[Made.FRESH], now.felt[c], spark_off(engine, now.sparks[c]))
                    air += (made[Made.FRESH] - settled) / engine.made[Made.FRESH]
                meet_fuel(world, now, c, air)
        if now.scalars[Now.CUT] > 0.0:
            made[Made.MASS], made[Made.BURNED], made[Made.ENERGY] = 0.0, 0.0, 0.0
        if now.without_fuel[c]:
            # Its maps go on as if it burned, for when fuel comes back; its work is that of the tables without the burn.
            made[Made.WORK] = 0.0
            if k == engine.works:
                _asked(world, now, now.induced[c, 0], now.induced[c, 1], now.sparks[c])
                made[Made.WORK] = engine.swept * _over_mean(engine, now, now.found[NET] - now.found[GROSS])
        elif k == engine.works:
            made[Made.WORK] += make_power(world, now, c) - straight(engine.slopes[Made.WORK], now.felt[c], spark_off(engine, now.sparks[c]))
            _asked(world, now, now.induced[c, 0], now.induced[c, 1], now.sparks[c])
            if now.missed[c]:
                # The maps know what a missed cycle costs at the point; elsewhere it costs what the tables' burn makes.
                made[Made.WORK] += engine.swept * (engine.gross - now.found[GROSS])
            else:
                # No burn takes work.
                made[Made.WORK] = max(made[Made.WORK], -engine.swept * now.found[GROSS])
            made[Made.WORK] += engine.swept * _over_mean(engine, now, now.found[NET])
        if k == engine.induces:
            now.induced[c, 0], now.induced[c, 1] = now.driveline[0], now.scalars[Now.PRESSURE]
            for j in range(2):
                now.felt[c, j] = near(now.induced[c, j] - engine.at[j], engine.furthest[j])
        for j in range(OUTPUTS):
            amounts[j] += made[j]
        now.which[c] = (k + 1) % engine.segments


@compiled(error_model="numpy")
def row_of(world: World, now: Moving, row: Array) -> None:
    """Fill in a row of the channels; missed cycles are counted anew after it.

    Parameters
    ----------
    world : World
    now : Moving
    row : array, shape (channels,)
        Written to.
    """
    plant, s, y = world.plant, now.scalars, now.driveline
    spin = (y[1] if plant.coupling == 2 else y[0]) / plant.ratio - y[3]
    shaft = shaft_torque(y[2], spin, plant.stiffness, plant.dashpot, plant.half_lash)
    row[0], row[1], row[2], row[3], row[4], row[5] = y[0], s[Now.SPARKED], s[Now.PRESSURE], s[Now.SHOWN], s[Now.OPENING], y[4]
    row[6], row[7], row[8], row[9] = y[2], shaft, s[Now.CUT], s[Now.TORQUE]
    row[10], row[11], row[12] = s[Now.MISSES], s[Now.RATIO], now.plenum[2]
    s[Now.MISSES] = 0.0


@compiled(inline="always", error_model="numpy")
def move_on(world: World, now: Moving, i: int) -> bool:
    """Move plenum, signals and driveline on by a step; return whether a segment ends with it.

    Parameters
    ----------
    world : World
    now : Moving
        Changed.
    i : int
        Which step.
    """
    plant, engine, signals, s, y, x = world.plant, world.engine, world.signals, now.scalars, now.driveline, now.plenum
    step, omega, p = world.step, now.driveline[0], now.scalars[Now.PRESSURE]
    losses, rate = now.losses, now.rate
    for j in range(3):
        losses[j] = now.amounts[Made.MASS + j] / s[Now.SPAN] * omega
    plenum_rates(world.plenum, x, s[Now.OPENING], losses, rate)
    if engine.still:
        rate[1], rate[2] = 0.0, 0.0
    for j in range(3):
        x[j] += step * rate[j]
    x[1], x[2] = min(max(x[1], COLDEST), HOTTEST), min(max(x[2], LEAST_BURNED), MOST_BURNED)
    x[0] = max(x[0], EMPTIEST * world.plenum.ambient_pressure / plenum_pressure(world.plenum, x) * x[0])
    draw = world.noise[int(s[Now.TURNED] / (2.0 * TURN)) % world.noise.shape[0]]
    push, decay = s[Now.BLOW_BACK] * p * draw[LOAD], math.exp(-step / signals.load_filter)
    s[Now.FILTERED], s[Now.JITTER] = p + (s[Now.FILTERED] - p) * decay, push + (s[Now.JITTER] - push) * decay
    s[Now.SUM_SPEED] += omega
    s[Now.SUM_LOAD] += s[Now.FILTERED]
    s[Now.SUM_JITTER] += s[Now.JITTER]
    s[Now.SUMS] += 1.0
    s[Now.TURNED] += step * omega
    rubbing = plant.friction[0] + plant.friction[1] * omega * omega
    s[Now.TORQUE] = engine.number * engine.swept * s[Now.MEAN_NET] / (2.0 * TURN) + now.amounts[Made.WORK] / s[Now.SPAN] - rubbing
    advance(y, s[Now.TORQUE], step, plant, now.room)
    s[Now.PRESSURE] = plenum_pressure(world.plenum, x)
    _pedal(world, now, min(i + 1, signals.opening.size - 1))
    return bool(s[Now.TURNED] >= s[Now.NEXT_EVENT])


@compiled(nogil=True, error_model="numpy")
def run_on(world: World, now: Moving, every: int, first: int, rows: Array, leaves: bool) -> tuple[int, bool]:
    """Run on over the steps of ``signals.opening`` from a step on.

    Returns the step reached and whether the run stays far off the maps' point.

    Parameters
    ----------
    world : World
    now : Moving
        Where a segment begins; changed.
    every : int
        Steps for each row kept.
    first : int
        Which step.
    rows : array, shape (rows, channels)
        Written to, in the units of the channels.
    leaves : bool
        Whether to return where the run stays far off.
    """
    count = world.signals.opening.size
    ends = True
    for i in range(first, count):
        if not now.driveline[0] > world.signals.slowest:
            return i, False
        if ends:
            if leaves and now.scalars[Now.FAR] > STAYS_FAR:
                return i, True
            event_begins(world, now)
            _cylinders(world, now)
        if i % every == 0:
            row_of(world, now, rows[i // every])
        ends = move_on(world, now, i)
    return count, False
