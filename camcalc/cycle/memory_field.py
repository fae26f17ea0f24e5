"""What cycles leave to those after them, over speed, pressure and spark: computed at the nodes of a fixed net, when asked, and interpolated."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

from .memory import CycleMemory
from .memory_maps import cycle_memory

if TYPE_CHECKING:
    from .resolved import ResolvedEngine

__all__ = ["MemoryField", "memory_field"]

# Spacing of the net: crank speed [rev/s], pressure [Pa], spark [crank deg]. Memory changes slowly; what is settled is corrected at each point. ESTIMATE,
# checked with the memory of the points themselves, four halfway between nodes of the long V8: frequency within 1.1 %, damping within 0.007.
NET = (200.0 / 60.0, 10e3, 12.0)
# A point this close to a node, in spacings, is the node: for rounding.
AT_NODE = 1e-6
# Below this no engine runs [Pa]. ESTIMATE.
LEAST_PRESSURE = 5e3
# Of the nodes about a point those that run must have so much of the weight. ESTIMATE.
LEAST_WEIGHT = 0.2

MIXED = ("settled", "made", "plenum", "a", "b", "c", "d", "follows", "missed_carried", "missed_made")

Node = tuple[int, int, int]


class MemoryField:
    """The memory of an engine's cycles; no answer depends on what was asked before.

    Parameters
    ----------
    engine : ResolvedEngine
    net : bool
        Whether points are interpolated between nodes; else each is computed where it is asked for.
    """

    def __init__(self, engine: ResolvedEngine, *, net: bool = True) -> None:
        self.engine, self.net = engine, net
        self._known: dict[tuple[float, float, float], CycleMemory | None] = engine.answers.memories if net else {}

    def at(self, speed: float, pressure: float, spark: float) -> CycleMemory | None:
        """Return the memory at a point; None where the engine does not run about there.

        Parameters
        ----------
        speed : float
            Crank speed [rev/s].
        pressure : float
            Mean of the plenum [Pa], absolute.
        spark : float
            Before top dead centre [crank deg].
        """
        if not self.net:
            return self._computed(speed, pressure, spark)
        total, parts = 0.0, []
        for node, weight in _nodes_about(speed, pressure, spark):
            found = self._computed(*(float(k * step) for k, step in zip(node, NET, strict=True)))
            if found is not None:
                total += weight
                parts.append((weight, found))
        if total < LEAST_WEIGHT:
            return None
        first = parts[0][1]
        mixed = {name: sum(w / total * getattr(m, name) for w, m in parts) for name in MIXED}
        return dataclasses.replace(first, speed=speed, pressure=pressure, spark=spark, **mixed)

    def prepare(self, points: Iterable[tuple[float, float, float]], progress: Callable[[float], None] = lambda share: None) -> None:
        """Compute, on all cores, what some points will ask for; ``progress`` is called with the share done."""
        import os
        from concurrent.futures import ThreadPoolExecutor

        wanted: list[tuple[float, ...]] = sorted(set(points))
        if self.net:
            nodes = {node for point in wanted for node, _ in _nodes_about(*point)}
            wanted = [tuple(float(k * step) for k, step in zip(node, NET, strict=True)) for node in sorted(nodes)]
        with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
            for k, _ in enumerate(pool.map(lambda at: self._computed(*at), wanted)):
                progress((k + 1) / len(wanted))

    def _computed(self, speed: float, pressure: float, spark: float) -> CycleMemory | None:
        key = speed, pressure, spark
        if key not in self._known:
            self._known.setdefault(key, cycle_memory(self.engine, *key) if speed > 0.0 and LEAST_PRESSURE < pressure < self.engine.ambient else None)
        return self._known[key]


def memory_field(engine: object, *, net: bool = True) -> MemoryField | None:
    """Return the memory of an engine model; None for one whose cycles are not integrated, or whose cylinders share no plenum.

    Parameters
    ----------
    engine : EngineModel
    net : bool
        Whether points are interpolated between nodes.
    """
    from .resolved import ResolvedEngine

    if not isinstance(engine, ResolvedEngine) or not engine.setup.has_runner or engine.plenum_cylinders == 1 or engine.instantaneous:
        return None
    return MemoryField(engine, net=net)


def _nodes_about(speed: float, pressure: float, spark: float) -> list[tuple[Node, float]]:
    """Return the nodes about a point with their weights, trilinear."""
    each = []
    for value, step in zip((speed, pressure, spark), NET, strict=True):
        low = math.floor(value / step + AT_NODE)
        share = value / step - low
        each.append([(low, 1.0)] if share < AT_NODE else [(low, 1.0 - share), (low + 1, share)])
    return [((a[0], b[0], c[0]), a[1] * b[1] * c[1]) for a, b, c in itertools.product(*each)]
