"""A drive over time with every cylinder integrated as the cycle has it: slow, and what the maps of the quick way are held against."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from ..cycle.layout import PLENUM
from ..cycle.memory import OUTPUTS, Carried, Given, Made
from .event_kernel import close_intake, event_begins, make_power, meet_fuel, move_on, row_of
from .maps_kernel import BURNED_FRACTION, cycle_at
from .run_state import CHANNELS, MAPS, Moving, Now, World

if TYPE_CHECKING:
    from ..cycle.segmented import Segmented

__all__ = ["ResolvedCylinders", "without_maps"]

Array = NDArray[np.float64]

# Cycles at a held speed before a run, and between two corrections of the throttle that bring the torque to that of the start; how far each goes. ESTIMATE.
SETTLING, CORRECTED_EVERY, OPENING_BY_TORQUE = 64, 8, 0.7


class ResolvedCylinders:
    """The cylinders of an engine, each at its own place in its own cycle, on one plenum; all are integrated at once, segment by segment.

    Parameters
    ----------
    segmented : Segmented
        The engine's cycle, segment by segment.
    settled : array, shape (segments + 1, carried)
        What the settled cycle at the start carries at the ends of its segments.
    world : World
        As ``without_maps`` gives it.
    """

    def __init__(self, segmented: Segmented, settled: Array, world: World) -> None:
        self.world, self.count, self.segmented = world, world.engine.number, segmented
        self.each = self.segmented.segments // self.count
        self.states = [settled[c * self.each].copy() for c in range(self.count)]
        self.plenum: Array | None = None
        # By how much the throttle is opened for a plenum that breathes.
        self.factor = 1.0

    def go_on(self, now: Moving) -> None:
        """Integrate every cylinder and the plenum over a segment."""
        world, s, segmented = self.world, now.scalars, self.segmented
        engine = world.engine
        if self.plenum is not None:
            now.plenum[:] = self.plenum
        mass, temperature, fraction = now.plenum
        given = np.array([now.given[Given.SPEED] + engine.at[Given.SPEED], 0.0, 0.0, temperature, fraction])
        for c in range(self.count):
            if now.which[c] == 0:
                state = self.states[c]
                cycle_at(now.found, world.axes, world.values, float(now.induced[c, 0]), float(now.induced[c, 1]), float(now.sparks[c]))
                close_intake(world, now, c, float(state[Carried.CYLINDER_FRACTION] - now.found[BURNED_FRACTION]))
                meet_fuel(world, now, c, float(state[Carried.CYLINDER_MASS] * (1.0 - state[Carried.CYLINDER_FRACTION]) / engine.made[Made.FRESH]))
                given[Given.SPARK] = now.sparks[c]
                self.states[c] = segmented.latched(0, state, given)
        without = [bool(m or w) for m, w in zip(now.missed, now.without_fuel, strict=True)]
        end = segmented.together(int(now.which[0]), self.states, given, without, (mass, temperature, fraction), s[Now.OPENING])
        made = np.zeros(OUTPUTS)
        for c in range(self.count):
            part = int(now.which[c])
            new, out, left = segmented.ended(part, self.states[c], end[c])
            self.states[c] = segmented.book(part, new, left, self.states[c], float(given[Given.SPEED]))
            made += out
            if part == engine.works:
                made[Made.WORK] += make_power(world, now, c)
            if part == engine.induces:
                now.induced[c] = now.driveline[0], s[Now.PRESSURE]
            now.which[c] = (part + 1) % engine.segments
        mass, temperature, burned = end[0, PLENUM]
        self.plenum = np.array([mass, temperature, burned / mass])
        made[Made.WORK] -= engine.number * engine.swept * engine.net / engine.segments
        now.amounts[:] = made + now.left

    def run(self, now: Moving, every: int) -> tuple[Array, int]:
        """Run over the steps of the opening, as ``run_anew``, after settling at a held speed.

        Parameters
        ----------
        now : Moving
            The start; changed.
        every : int
            Steps for each row kept.
        """
        world, s = self.world, now.scalars
        start, held, opening = now.driveline.copy(), now.driveline.copy(), world.signals.opening.copy()
        held[0] = world.engine.at[Given.SPEED]
        shaken = world.signals
        still = shaken._replace(cycles_miss=False, burns_vary=0.0, gain=0.0, table_jitter=0.0, fuel_jitter=0.0, speed_jitter=0.0)
        self.world = world._replace(signals=still, limb=world.limb._replace(gain=0.0), control=world.control._replace(opening=0.0, spark=0.0))
        factor = self.factor = self._settled(now, held)
        # What the throttle must be open for a plenum that breathes; the pedal's own moves, and where it is closed, stay in proportion.
        shaken.opening[:] = factor * opening
        shaken = shaken._replace(closed=factor * shaken.closed)
        world = self.world = world._replace(signals=shaken)
        now.driveline[:] = start
        s[Now.CAR], s[Now.OPENING] = start[4], shaken.opening[0]
        rows = np.zeros((len(opening) // every, len(CHANNELS)))
        ends = True
        for i in range(len(opening)):
            if not now.driveline[0] > shaken.slowest:
                return rows, i // every
            if ends:
                event_begins(world, now)
                self.go_on(now)
            if i % every == 0:
                row_of(world, now, rows[i // every])
            ends = move_on(world, now, i)
        return rows, len(opening) // every

    def _settled(self, now: Moving, held: Array) -> float:
        """Settle at a held driveline; return by how much the throttle was opened to make the start's torque with a plenum that breathes."""
        world, first = self.world, float(self.world.signals.opening[0])
        engine, friction = world.engine, world.plant.friction
        each = engine.number * engine.swept / (4.0 * math.pi)
        wanted = each * engine.net - friction[0] - friction[1] * held[0] ** 2
        for _ in range(SETTLING // CORRECTED_EVERY):
            total, steps = 0.0, 0
            for _ in range(CORRECTED_EVERY * engine.segments):
                event_begins(world, now)
                self.go_on(now)
                ends = False
                while not ends:
                    now.driveline[:] = held
                    ends = move_on(world, now, 0)
                    total, steps = total + now.scalars[Now.TORQUE], steps + 1
            # Gross torque grows somewhat faster than the opening.
            world.signals.opening[:] *= 1.0 + OPENING_BY_TORQUE * (wanted - total / steps) / (each * engine.gross)
        return float(world.signals.opening[0]) / first


def without_maps(world: World, finer: int) -> World:
    """Return a run's world for cylinders that are integrated: maps that say nothing, and steps so many times as short."""
    engine, signals = world.engine, world.signals
    nothing = {name: np.zeros_like(getattr(engine, name)) for name in MAPS}
    opening = np.repeat(signals.opening, finer)
    # They follow as far as it goes.
    engine = engine._replace(**nothing, furthest=np.full_like(engine.furthest, np.inf))
    return world._replace(engine=engine, signals=signals._replace(opening=opening), step=world.step / finer)
