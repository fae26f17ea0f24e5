"""How readings hang on what is not known, whether they agree with the sheet at all, and which fault of the car would explain them."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri
from scipy.stats import chi2

from .design import Design, key_of
from .emulator import Emulator, Emulators, fit_emulator
from .observed import DISCREPANCIES, Observed, Quantity
from .posterior import Posterior, posterior_of, prior_draws
from .prior import FAULTS, Fault, FaultRange, standard_to_unit

__all__ = ["Agreement", "Likelihood", "agreement_of", "fault_posteriors", "likelihood_of", "likely_faults", "posterior_of_readings"]

Array = NDArray[np.float64]

# Readings that would come by chance less often than this contradict the sheet; common practice, no source.
CONTRADICTS = 0.01
# Step over a standard normal fault by which its slope is taken.
FAULT_STEP = 1e-4


class Likelihood(NamedTuple):
    """How readings hang on standard normal inputs: first the model's inputs, then the model's own errors that readings of a kind have in common."""

    readings: tuple[Observed, ...]
    keys: tuple[str, ...]
    emulators: tuple[Emulator, ...]
    together: Emulators
    values: Array
    deviations: Array
    common: Array
    kinds: tuple[Quantity, ...]
    inputs: int

    @property
    def size(self) -> int:
        """How many standard normal inputs there are."""
        return self.inputs + len(self.kinds)

    def predicted(self, z: Array) -> Array:
        """Return what the readings would be without errors of reading, shape (draws, readings)."""
        x = standard_to_unit(z[:, : self.inputs])
        return np.asarray(self.together(x) + z[:, self.inputs : self.size] @ self.common.T)

    def slopes(self, z: Array) -> Array:
        """Return how the misfit changes with each input at one set of them, shape (readings, inputs)."""
        own = z[: self.inputs]
        # An input from -1 to 1 over a standard normal one: twice its density.
        density = 2.0 * np.exp(-0.5 * own**2) / math.sqrt(2.0 * math.pi)
        inner = self.together.slopes(standard_to_unit(own)) * density
        return np.asarray(-np.hstack([inner, self.common]) / self.deviations[:, None])

    def misfit(self, z: Array) -> Array:
        """Return readings less predictions over their standard deviations, shape (draws, readings)."""
        return (self.values - self.predicted(z)) / self.deviations

    @property
    def scale(self) -> float:
        """Log of the product of the deviations."""
        return float(np.log(self.deviations).sum())


def likelihood_of(design: Design, readings: Sequence[Observed]) -> tuple[Likelihood, tuple[Observed, ...]]:
    """Return how readings hang on what is not known, and the readings that the model answers at too few cars to be used.

    Parameters
    ----------
    design : Design
    readings : sequence of Observed

    Notes
    -----
    A reading's deviation is its own closeness, the model's own error there and the emulator's, as independent; the model's error that readings of a
    kind have in common is an input, so many readings of one kind cannot squeeze it out.
    """
    used, unused, emulators = [], [], []
    for one in readings:
        emulator = fit_emulator(design.inputs, design.readings[key_of(one)])
        if emulator is None:
            unused.append(one)
        else:
            used.append(one)
            emulators.append(emulator)
    kinds = tuple(kind for kind in Quantity if any(one.quantity is kind and DISCREPANCIES[kind].common > 0.0 for one in used))
    deviations, common = np.zeros(len(used)), np.zeros((len(used), len(kinds)))
    for k, (one, emulator) in enumerate(zip(used, emulators, strict=True)):
        off = DISCREPANCIES[one.quantity]
        size = abs(emulator.centre) if off.share else 1.0
        # Rows taken at one point share the model's error there: many of them leave what one leaves.
        alike = math.sqrt(sum(other.key == one.key for other in used))
        deviations[k] = math.hypot(one.closeness, alike * off.own * size, alike * emulator.error)
        if one.quantity in kinds:
            # A vacuum reads high where the pressure reads low.
            sign = -1.0 if one.name == "manifold_vacuum" else 1.0
            common[k, kinds.index(one.quantity)] = sign * off.common * size
    values = np.array([one.value for one in used])
    inputs = design.inputs.shape[1]
    together = Emulators.of(emulators, inputs)
    keys = tuple(key_of(one) for one in used)
    found = Likelihood(tuple(used), keys, tuple(emulators), together, values, deviations, common, kinds, inputs)
    return found, tuple(unused)


def posterior_of_readings(likelihood: Likelihood) -> Posterior:
    """Return what readings leave of what was not known."""
    return posterior_of(likelihood.misfit, likelihood.slopes, likelihood.size, scale=likelihood.scale)


class Agreement(NamedTuple):
    """Whether readings agree with the sheet: how often chance would put them so far off, all together; and each reading against all the others:
    what these expect of it, how closely, and how many standard deviations it is off."""

    by_chance: float
    expected: Array
    within: Array
    off: Array

    @property
    def contradicts(self) -> bool:
        """Whether the readings contradict the sheet, or one another."""
        return self.by_chance < CONTRADICTS


def agreement_of(likelihood: Likelihood) -> Agreement:
    """Return whether readings agree with what the sheet allows.

    Notes
    -----
    Over prior draws the readings have a mean and a covariance; the readings' distance in it is chi-squared (textbook, Gaussian). Each reading given all
    others follows from the inverse of the covariance.
    """
    draws = prior_draws(likelihood.size)
    predicted = likelihood.predicted(draws)
    mean = predicted.mean(axis=0)
    covariance = np.atleast_2d(np.cov(predicted, rowvar=False)) + np.diag(likelihood.deviations**2)
    precision = np.linalg.inv(covariance)
    apart = likelihood.values - mean
    distance = float(apart @ precision @ apart)
    within = 1.0 / np.sqrt(np.diag(precision))
    off = (precision @ apart) * within
    return Agreement(float(chi2.sf(distance, len(apart))), likelihood.values - off * within, within, off)


def fault_posteriors(likelihood: Likelihood, design: Design) -> dict[Fault, tuple[Posterior, Array]]:
    """Return, for each fault, what the readings leave if it is the one there is, and the fault's sizes over the draws, in its own unit."""
    found = {}
    for fault, span in FAULTS.items():
        change = _change_of(fault, likelihood, design)
        if change is None:
            continue

        def size(z: Array, span: FaultRange = span) -> Array:
            # One that cannot be below none is the upper half of a normal distribution.
            raw = span.deviation * (ndtri(0.5 + 0.5 * np.minimum(ndtr(z), 1.0 - 1e-12)) if span.low >= 0.0 else z)
            return np.clip(raw, span.low, span.high)

        def misfit(z: Array, change: Callable[[Array], Array] = change, size: Callable[[Array], Array] = size) -> Array:
            moved = change(size(z[:, likelihood.size]))
            return (likelihood.values - likelihood.predicted(z) - moved) / likelihood.deviations

        def slopes(z: Array, misfit: Callable[[Array], Array] = misfit) -> Array:
            step = np.zeros(likelihood.size + 1)
            step[-1] = FAULT_STEP
            last = (misfit((z + step)[None, :])[0] - misfit((z - step)[None, :])[0]) / (2.0 * FAULT_STEP)
            return np.column_stack([likelihood.slopes(z[:-1]), last])

        posterior = posterior_of(misfit, slopes, likelihood.size + 1, scale=likelihood.scale, start=likelihood.size)
        found[fault] = posterior, size(posterior.draws[:, likelihood.size])
    return found


def _change_of(fault: Fault, likelihood: Likelihood, design: Design) -> Callable[[Array], Array] | None:
    """Return how the readings change with a fault's size, shape (draws, readings); None where the car cannot have it, or no reading changes."""
    readings = likelihood.readings
    if fault is Fault.GAUGE:
        # A gauge that reads a share high: of the vacuum, or of the absolute pressure that a sensor reads.
        gain = np.array([one.value if one.name in ("manifold_pressure", "manifold_vacuum") else 0.0 for one in readings])
        return None if not gain.any() else lambda s: (s / (1.0 + s))[:, None] * gain
    if fault is Fault.UNMETERED_AIR:
        # A leak that came with the new cam's fitting.
        sees = np.array([1.0 if one.name == "air_flow" and not one.before else 0.0 for one in readings])
        return None if not sees.any() else lambda s: -s[:, None] * sees
    if fault not in design.faulty:
        return None
    sizes, changes = design.faulty[fault]
    table = np.column_stack([changes[key] for key in likelihood.keys])
    known = np.isfinite(table).all(axis=1)
    if known.sum() < 2:
        return None
    at = np.concatenate([[0.0], sizes[known]])
    rows = np.vstack([np.zeros(table.shape[1]), table[known]])
    order = np.argsort(at)
    at, rows = at[order], rows[order]
    return lambda s: np.column_stack([np.interp(s, at, rows[:, k]) for k in range(rows.shape[1])])


def likely_faults(likelihood: Likelihood, plain: Posterior, found: Mapping[Fault, tuple[Posterior, Array]]) -> list[tuple[Fault, float]]:
    """Return the faults, the one first that explains the readings best, each with how many times better it explains them than none."""
    ratios = [(fault, math.exp(min(posterior.log_evidence - plain.log_evidence, 700.0))) for fault, (posterior, _) in found.items()]
    return sorted(ratios, key=lambda one: -one[1])
