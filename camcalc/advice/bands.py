"""How sure the headline numbers are: quasi-random sampling over the tolerances of what the model does not know well."""

from __future__ import annotations

import dataclasses
import math
import os
import time
import warnings
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Self

import numpy as np

from ..codes import Code
from ..cycle.best_torque import EARLIEST, LATEST
from ..data_reading import inner_figure
from ..errors import CamcalcError
from ..marks import Mark, ends_of_search, mark_codes
from ..results import Band, plain_data
from ..units import quantity
from .reversion import FASTEST, SLOWEST

__all__ = ["TOLERANCES", "Headline", "HeadlineBands", "Uncertain", "sample_bands"]


class Uncertain(Code):
    """What an engine model does not know well; ``code`` is its field of ``Tolerances``."""

    OVERLAP = "flow through barely open valves: grinding, checking and valve-train tolerance, discharge coefficients"
    RESIDUAL_KEPT = "residual kept in the clearance"
    RESIDUAL_TEMPERATURE = "temperature of the residual"
    FRICTION = "rubbing friction"
    EFFICIENCY = "indicated efficiency"
    BURN = "burn angles"
    DILUTION = "how much residual slows the flame"
    KERNEL_TURBULENCE = "share of the turbulence that a young kernel feels"
    SPARK_ENERGY = "spark energy that reaches the charge"
    PLUG_SCATTER = "spread of the residual at the plug"
    TURBULENCE_SCATTER = "spread of turbulence at the plug from cycle to cycle"
    RESIDUAL_SCATTER = "spread of the residual from cycle to cycle"
    BACK_PRESSURE = "exhaust back-pressure"
    PORT_HEAT = "cooling of reversion in the port"
    WALL_HEAT = "heat to the cylinder walls"
    PLENUM_HEAT = "heat from the gas in the plenum to its walls"
    LIFT_LOSS = "valve lift lost to bending and leak-down of the valve train"
    EXHAUST_PULSE = "exhaust pulses of the other cylinders while both valves are open"
    OCTANE = "octane of the fuel in the tank, and the knock estimate itself"


class Headline(Code):
    """A headline number that is sampled."""

    VACUUM = "idle vacuum, neutral, accessories off"
    BURNED_FRACTION = "residual in the charge at idle"
    VACUUM_PENALTY = "vacuum loss, new cam against the old one"
    UNSTABLE_BELOW = "rough below, in the gear nearest to direct drive"
    BLOW_BACK_BELOW = "reversion below, in the same gear"
    SHUT_EARLIEST = "closed-valve injection may end from, before overlap TDC, at 1600 rpm and 60 kPa"
    SHUT_LATEST = "closed-valve injection must end by, before overlap TDC, at the same point"
    CEILING = "spark ceiling at the worst cell of the low-speed zone"


# Half-widths of uniform tolerances on the model's multipliers; ESTIMATE, each.
TOLERANCES: dict[str, tuple[float, Uncertain]] = {
    "overlap": (0.15, Uncertain.OVERLAP),
    "residual_kept": (0.15, Uncertain.RESIDUAL_KEPT),
    "residual_temperature": (0.10, Uncertain.RESIDUAL_TEMPERATURE),
    "friction": (0.15, Uncertain.FRICTION),
    "efficiency": (0.05, Uncertain.EFFICIENCY),
    "burn": (0.10, Uncertain.BURN),
    # Fuels differ by 0.9 to 1.1 in the exponent (computed); engine data ask for less loss than most laws give (SAE 03-12-02-0015, abstract read).
    # About 0.8 this is 0.68 to 0.92: the chemistry's own 1.0, and the published end of 1, lie outside.
    "dilution": (0.15, Uncertain.DILUTION),
    # Ranges behind the next four are in burn/ignition.py; of the first, the anchor's own spread over three engines, the cautious set beside it.
    "kernel_turbulence": (0.25, Uncertain.KERNEL_TURBULENCE),
    "spark_energy": (0.70, Uncertain.SPARK_ENERGY),
    "plug_scatter": (0.50, Uncertain.PLUG_SCATTER),
    "turbulence_scatter": (0.40, Uncertain.TURBULENCE_SCATTER),
    "residual_scatter": (0.40, Uncertain.RESIDUAL_SCATTER),
    "back_pressure": (0.50, Uncertain.BACK_PRESSURE),
    # Published fits spread from 1.4 to 2.6 about 1.9 times the pipe law.
    "port_heat": (0.35, Uncertain.PORT_HEAT),
    "wall_heat": (0.20, Uncertain.WALL_HEAT),
    "octane": (0.02, Uncertain.OCTANE),
    # The pipe law's spread, the wall's area (6 to 15 sides of a cube), and slower or jet-like flow in the plenum.
    "plenum_heat": (0.70, Uncertain.PLENUM_HEAT),
    # 0.05 to 0.18 mm about 0.10.
    "lift_loss": (0.60, Uncertain.LIFT_LOSS),
    # 3 kPa of 101 either way: a third of an idle charge of 0.2 g at 900 K let at once into 3 litres of log manifold raises it by 7 kPa,
    # and half of that has left before the overlap's middle. In an uneven firing order some cylinders meet two pulses of their bank, some none.
    "exhaust_pulse": (0.03, Uncertain.EXHAUST_PULSE),
}
SEED = 20240
# Headline numbers that are sampled: inner unit, unit shown, what they are.
HEADLINES: dict[str, tuple[str, str, Headline]] = {
    "vacuum": ("Pa", "inHg", Headline.VACUUM),
    "burned_fraction": ("", "percent", Headline.BURNED_FRACTION),
    "vacuum_penalty": ("Pa", "inHg", Headline.VACUUM_PENALTY),
    "unstable_below": ("crank_rps", "rpm", Headline.UNSTABLE_BELOW),
    "blow_back_below": ("crank_rps", "rpm", Headline.BLOW_BACK_BELOW),
    "shut_earliest": ("crank_deg", "crank_deg", Headline.SHUT_EARLIEST),
    "shut_latest": ("crank_deg", "crank_deg", Headline.SHUT_LATEST),
    "ceiling": ("crank_deg", "crank_deg", Headline.CEILING),
}
# Ends of the searches behind them, inner unit.
ENDS = {"unstable_below": (SLOWEST, FASTEST), "blow_back_below": (SLOWEST, FASTEST), "ceiling": (LATEST, EARLIEST)}


@dataclasses.dataclass(frozen=True, kw_only=True)
class HeadlineBands:
    """Bands of headline numbers in their inner units, and which inputs matter most to each."""

    nominal: Mapping[str, float]
    bands: Mapping[str, Band]
    no_answer: Mapping[str, float]
    matters: Mapping[str, tuple[Uncertain, ...]]
    samples: int
    seconds: float = dataclasses.field(default=0.0, compare=False)
    grids: Mapping[str, tuple[Any, Any]] = dataclasses.field(default_factory=dict, compare=False, repr=False)

    def shown(self) -> dict[str, tuple[float | None, float, float, str]]:
        """Return every banded number in the unit it is shown in: value (None where it has none), low, high, unit."""
        out = {}
        for name, band in self.bands.items():
            unit, show, _ = HEADLINES[name]
            value, low, high = (float(quantity(edge, unit, show).magnitude) for edge in (self.nominal.get(name, math.nan), *band))
            out[name] = (value if math.isfinite(value) else None, low, high, show)
        return out

    def marks_of(self, name: str) -> tuple[Mark | None, Mark | None, Mark | None]:
        """Return the marks of a banded number, its low and its high: which of them are an end of the search for it."""
        least, most = ENDS.get(name, (-math.inf, math.inf))
        found = ends_of_search([self.nominal.get(name, math.nan), *self.bands[name]], least=least, most=most)
        assert isinstance(found, tuple)
        return found[0], found[1], found[2]

    def to_dict(self) -> dict[str, Any]:
        """Return plain data for JSON: bands, share of samples without an answer, and the inputs that matter most."""
        return {
            "samples": self.samples,
            "seed": SEED,
            "seconds": round(self.seconds, 1),
            "headlines": {
                name: {"what": HEADLINES[name][2].meaning, "value": value, "unit": show, "low": low, "high": high}
                | dict(zip(("mark", "low_mark", "high_mark"), mark_codes(self.marks_of(name)), strict=True))
                for name, (value, low, high, show) in self.shown().items()
            },
            "no_answer_share": dict(self.no_answer),
            "matters_most": {name: plain_data(inputs) for name, inputs in self.matters.items()},
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """Return the bands that plain data were written from; whole grids of samples are not among them."""
        nominal, bands = {}, {}
        for name, line in data["headlines"].items():
            unit, show, _ = HEADLINES[name]
            nominal[name] = inner_figure(line["value"], unit, show)
            bands[name] = Band(*(inner_figure(line[edge], unit, show) for edge in ("low", "high")))
        matters = {name: tuple(Uncertain.of(one["code"]) for one in inputs) for name, inputs in data["matters_most"].items()}
        return cls(nominal=nominal, bands=bands, no_answer=dict(data["no_answer_share"]), matters=matters, samples=data["samples"], seconds=data["seconds"])


def sample_bands(
    headline: Callable[[Mapping[str, float]], Mapping[str, Any]],
    uncertain: Sequence[str],
    *,
    power: int = 4,
    seed: int = SEED,
    draws: Sequence[Mapping[str, float]] = (),
    nominal: Mapping[str, float] | None = None,
    progress: Callable[[float], None] | None = None,
) -> HeadlineBands:
    """Sample headline numbers over the tolerances.

    Parameters
    ----------
    headline : callable
        From multipliers by name to numbers by name; NaN or a ``CamcalcError`` is "no answer". An array is banded
        element by element.
    uncertain : sequence of str
        Which tolerances to sample.
    power : int
        ``2**power`` Sobol points.
    seed : int
        The same seed gives the same bands.
    draws : sequence of mappings
        Multipliers by name to sample instead, equally likely: what readings of the car have left of the tolerances.
    nominal : mapping
        Multipliers of the nominal, where they are not all one.
    progress : callable
        Told the share done.
    """
    from scipy.stats import qmc

    names = list(uncertain)
    widths = np.array([TOLERANCES[n][0] for n in names])
    if draws:
        factors = np.array([[draw[name] for name in names] for draw in draws])
        points = 0.5 + 0.5 * (factors - 1.0) / widths
    else:
        points = qmc.Sobol(len(names), rng=np.random.default_rng(seed)).random_base2(power)
        factors = 1.0 + widths * (2.0 * points - 1.0)
    rows: list[Mapping[str, Any]] = []
    began = time.perf_counter()

    def one(row: Any) -> Mapping[str, Any]:
        try:
            return headline(dict(zip(names, map(float, row), strict=True)))
        except CamcalcError:
            return {}

    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        for k, found in enumerate(pool.map(one, factors)):
            rows.append(found)
            if progress:
                progress((k + 1) / len(factors))
    keys = sorted({key for row in rows for key in row})
    middle = one(np.array([1.0 if nominal is None else nominal[name] for name in names]))
    arrays = [key for key in keys if any(isinstance(row.get(key), np.ndarray) for row in rows)]
    grids = {key: _edges([row[key] for row in rows if key in row]) for key in arrays}
    values = {key: np.array([row.get(key, math.nan) for row in rows]) for key in keys if key not in arrays}
    bands, missing, matters = {}, {}, {}
    for key, column in values.items():
        found = np.isfinite(column)
        missing[key] = float(1.0 - found.mean())
        if found.sum() >= 8:
            bands[key] = Band(*(float(v) for v in np.percentile(column[found], [10.0, 90.0])))
            matters[key] = _most_important(points[found], column[found], names)
    return HeadlineBands(
        nominal={key: value for key, value in middle.items() if key not in arrays},
        bands=bands,
        no_answer=missing,
        matters=matters,
        samples=len(factors),
        seconds=time.perf_counter() - began,
        grids=grids,
    )


def _edges(sampled: list[Any]) -> tuple[Any, Any]:
    """Return the 10 and 90 % edges element by element; NaN where fewer than half of the samples have an answer."""
    stack = np.array(sampled)
    enough = np.isfinite(stack).sum(axis=0) * 2 >= len(sampled)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # elements without any answer
        low, high = np.nanpercentile(stack, [10.0, 90.0], axis=0)
    return np.where(enough, low, np.nan), np.where(enough, high, np.nan)


def _most_important(points: Any, column: Any, names: list[str]) -> tuple[Uncertain, ...]:
    """Return the three inputs with the largest share in a linear fit of the sampled numbers."""
    design = np.column_stack([np.ones(len(column)), 2.0 * points - 1.0])
    slopes = np.abs(np.linalg.lstsq(design, column, rcond=None)[0][1:])
    order = np.argsort(slopes)[::-1][:3]
    return tuple(TOLERANCES[names[k]][1] for k in order if slopes[k] > 0.0)
