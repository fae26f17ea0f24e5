"""Learning from a car: its readings taken into what the sheet allows, and what that leaves of every headline figure."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from ..advice.bands import HEADLINES, TOLERANCES
from ..cycle.models import sampled_kind
from ..cycle.operating import EngineModel
from ..errors import InputError
from ..marks import ends_of_search
from ..sheet import Build
from ..sheet.learned import Learned
from ..sheet.measured_rows import Measured
from ..units import quantity
from .candidates import Candidate, candidates_of
from .design import HEADLINE_NAMES, Design, design_of, key_of
from .emulator import Emulator, fit_emulator
from .likelihood import Agreement, Likelihood, agreement_of, fault_posteriors, likelihood_of, likely_faults, posterior_of_readings
from .observed import CLOSENESS, DISCREPANCIES, Observed, Quantity, observed_of
from .posterior import Posterior, prior_draws
from .prior import FAULTS, multipliers, standard_to_unit
from .records import FaultFound, LearnedFigure, LearnedInput, Learning, LearningOutcome, NextReading, ReadingFound

__all__ = ["learn_build", "learned_sheet"]

Array = NDArray[np.float64]
Kind = Callable[..., EngineModel]

LOW, HIGH = 0.1, 0.9
# How many points' own errors a headline figure holds, as the root of their count.
POINTS = {"vacuum": 1.0, "vacuum_penalty": math.sqrt(2.0)}
# So many draws go into what is sampled afterwards with the engine itself.
DRAWS = 16
FAULT_UNITS = {"crank_deg": "crank_deg", "": "percent", "m": "mm", "kg/s": "g/s"}
# Over a fault's own reach this many times better is worth a word: "substantial" to "strong" of the usual scale (Kass & Raftery 1995, from memory).
WORTH_A_WORD = 3.0
# So many times better, and nothing is written into a sheet: "strong" of the same scale.
STRONG = 10.0


class _Draws(NamedTuple):
    """Standard normal inputs with weights: what the sheet allows, or what readings have left of it."""

    z: Array
    weights: Array

    def band(self, values: Array) -> tuple[float, float, float]:
        """Return the 10 %, 50 % and 90 % points of values of the draws."""
        order = np.argsort(values)
        below = np.cumsum(self.weights[order]) - 0.5 * self.weights[order]
        low, middle, high = np.interp((LOW, 0.5, HIGH), below / self.weights.sum(), values[order])
        return float(low), float(middle), float(high)

    def deviation(self, values: Array) -> float:
        """Return the standard deviation of values of the draws."""
        mean = float(self.weights @ values)
        return math.sqrt(max(float(self.weights @ (values - mean) ** 2), 0.0))


def learn_build(
    build: Build, *, model: str = "resolved", draws: int = DRAWS, headlines: bool = True, progress: Callable[[float], None] | None = None
) -> Learning:
    """Learn from the readings of a sheet.

    Parameters
    ----------
    build : Build
        With rows of ``[[measured]]``.
    model : str
        ``"resolved"``, or ``"quick"`` for teaching.
    draws : int
        How many cars of equal weight the answer holds, for what is sampled afterwards.
    headlines : bool
        Whether headline figures and what to read next are worked out, which takes most of the time; all else is the same without.
    progress : callable
        Told the share done.

    Returns
    -------
    Learning

    Raises
    ------
    InputError
        If the sheet has no reading, or a row names what the car has not.
    NoSolutionError
        If the sheet's own engine cannot idle.

    Notes
    -----
    Inputs are as likely anywhere within their tolerances (``advice/bands.py``). Cars that the sheet allows are run through the engine once; smooth stand-ins
    for its figures, with the error they were seen to have, are asked from then on. The model's own error that all readings of a kind have in common is
    learned beside the inputs (Kennedy & O'Hagan 2001, from memory), so that readings cannot squeeze bands to nothing.

    Examples
    --------
    >>> from camcalc import load_build
    >>> from camcalc.sheet.measured_reading import read_measured
    >>> from camcalc.sheet.section_reading import Problems
    >>> rows = read_measured([{"what": "cranking", "cranking_pressure": "1330 kPa"}], Problems())
    >>> found = learn_build(load_build("examples/quarry-road/build.toml").replace(measured=rows), model="quick")
    >>> found.outcome.code
    'agrees'
    """
    if not build.measured:
        fix = "camcalc road-test BUILD --sheet prints rows to be filled in"
        raise InputError("[[measured]]", came="nothing", expected="rows of what was measured on the car", fix=fix)
    from .from_log import rows_with_logs

    say = progress or (lambda share: None)
    kind, own = sampled_kind(model), build.replace(learned=None)
    readings = observed_of(own, rows_with_logs(own))
    candidates = candidates_of(kind(own)) if headlines else []
    possible = [observed_of(own, (c.row,)) for c in candidates]
    design = design_of(kind, own, [*readings, *(one for several in possible for one in several)], headlines=headlines, progress=say)
    return _learned(own, model, design, readings, list(zip(candidates, possible, strict=True)), draws)


def _learned(
    build: Build, model: str, design: Design, readings: Sequence[Observed], possible: Sequence[tuple[Candidate, list[Observed]]], draws: int = DRAWS
) -> Learning:
    likelihood, unused = likelihood_of(design, readings)
    if not likelihood.readings:
        raise InputError("[[measured]]", came="readings that the model answers for too few cars", expected="a point at which the engine runs")
    agreement, posterior = agreement_of(likelihood), posterior_of_readings(likelihood)
    heads = {name: fit_emulator(design.inputs, values) for name, values in design.headlines.items()}
    emulators = {name: one for name, one in heads.items() if one is not None}
    before = _Draws(prior_draws(likelihood.size), np.full(2**13, 2.0**-13))
    after = _Draws(posterior.draws, posterior.weights)
    figures = _figures(emulators, likelihood, before, after)
    contradicts = agreement.contradicts
    faults = _faults(likelihood, design, posterior)
    inputs = _inputs(design, before, after)
    return Learning(
        name=build.name,
        model=model,
        outcome=LearningOutcome.CONTRADICTS if contradicts else LearningOutcome.AGREES,
        by_chance=agreement.by_chance,
        readings=(*_readings(build, likelihood, agreement, before), *(_unused(one) for one in unused)),
        figures=figures,
        inputs=inputs,
        faults=tuple(one for one in faults if one.times_better >= WORTH_A_WORD),
        next=_next(design, likelihood, after, emulators, possible),
        learned=None if contradicts or any(one.times_better >= STRONG for one in faults) else learned_sheet(inputs),
        cars=len(design.inputs),
        effective=posterior.effective,
        draws=tuple(_factors(design, z) for z in posterior.resampled(draws)),
    )


def learned_sheet(inputs: Sequence[LearnedInput]) -> Learned:
    """Return what a sheet then says of the inputs.

    >>> learned_sheet([]).friction
    nan
    """
    from ..sheet.section_reading import Problems, read_section

    problems = Problems()
    read = read_section("learned", Learned, {one.name: round(one.factor, 4) for one in inputs}, problems, [])
    problems.raise_any("")
    assert read is not None
    return read


def _factors(design: Design, z: Array) -> dict[str, float]:
    unit = standard_to_unit(z[: len(design.names)])
    return {name: float(getattr(multipliers(design.names, unit), name)) for name in design.names}


def _shown_unit(name: str) -> tuple[str, str]:
    declared = Measured.measures()[name]
    return declared.unit, declared.show


def _shown(value: float, unit: str, show: str, *, difference: bool = False) -> float:
    if not math.isfinite(value):
        return value
    found = float(quantity(value, unit, show).magnitude)
    return found - float(quantity(0.0, unit, show).magnitude) if difference else found


def _readings(build: Build, likelihood: Likelihood, agreement: Agreement, before: _Draws) -> list[ReadingFound]:
    predicted, found = likelihood.predicted(before.z), []
    for k, one in enumerate(likelihood.readings):
        unit, show = _shown_unit(one.name)
        spread = math.hypot(before.deviation(predicted[:, k]), likelihood.deviations[k])
        # The band with the errors of reading: a normal one of the same spread about the same middle.
        middle, reach = before.band(predicted[:, k])[1], 1.2816 * spread
        found.append(
            ReadingFound(
                row=one.row,
                name=one.name,
                quantity=one.quantity,
                unit=show,
                value=_shown(one.value, unit, show),
                closeness=_shown(one.closeness, unit, show, difference=True),
                allowed_low=_shown(middle - reach, unit, show),
                allowed_high=_shown(middle + reach, unit, show),
                expected=_shown(float(agreement.expected[k]), unit, show),
                within=_shown(float(agreement.within[k]), unit, show, difference=True),
                off=float(agreement.off[k]),
                used=True,
            )
        )
    return found


def _unused(one: Observed) -> ReadingFound:
    unit, show = _shown_unit(one.name)
    nothing = dict.fromkeys(("allowed_low", "allowed_high", "expected", "within", "off"), math.nan)
    value, closeness = _shown(one.value, unit, show), _shown(one.closeness, unit, show, difference=True)
    return ReadingFound(row=one.row, name=one.name, quantity=one.quantity, unit=show, value=value, closeness=closeness, used=False, **nothing)


def _headline_values(name: str, emulator: Emulator, likelihood: Likelihood, z: Array) -> Array:
    """Return a headline figure of draws: with the model's own error where it is a manifold pressure, and the emulator's, as noise.

    The error that pressures at a standstill have in common cancels between two cams, the error of each point does not.
    """
    values = emulator(standard_to_unit(z[:, : likelihood.inputs]))
    if name == "vacuum" and Quantity.IDLE_PRESSURE in likelihood.kinds:
        values = values - DISCREPANCIES[Quantity.IDLE_PRESSURE].common * z[:, likelihood.inputs + likelihood.kinds.index(Quantity.IDLE_PRESSURE)]
    noise = prior_draws(1, power=max(int(math.log2(len(z))), 1))[: len(z), 0]
    off = DISCREPANCIES[Quantity.IDLE_PRESSURE]
    unread = off.common if name == "vacuum" and Quantity.IDLE_PRESSURE not in likelihood.kinds else 0.0
    deviation = math.hypot(emulator.error, unread, POINTS.get(name, 0.0) * off.own)
    return np.asarray(values + deviation * np.random.default_rng(1).permutation(noise))


def _figures(emulators: dict[str, Emulator], likelihood: Likelihood, before: _Draws, after: _Draws) -> tuple[LearnedFigure, ...]:
    predicted = likelihood.predicted(before.z)
    covariance = np.atleast_2d(np.cov(predicted, rowvar=False)) + np.diag(likelihood.deviations**2)
    found = []
    for name in HEADLINE_NAMES:
        emulator = emulators.get(name)
        if emulator is None:
            continue
        unit, show, headline = HEADLINES[name]
        own = [_headline_values(name, emulator, likelihood, draws.z) for draws in (before, after)]
        was, now = before.band(own[0]), after.band(own[1])
        gain = np.array([float(np.cov(own[0], predicted[:, k])[0, 1]) for k in range(predicted.shape[1])])
        variance = max(float(np.var(own[0])), 1e-300)
        promised = math.sqrt(max(1.0 - float(gain @ np.linalg.solve(covariance, gain)) / variance, 0.0))
        shown = [_shown(v, unit, show) for v in (*was, *now)]
        width = was[2] - was[0]
        found.append(
            LearnedFigure(
                headline=headline,
                name=name,
                unit=show,
                before_low=shown[0],
                before=shown[1],
                before_high=shown[2],
                after_low=shown[3],
                after=shown[4],
                after_high=shown[5],
                narrowed=(now[2] - now[0]) / width if width > 0.0 else math.nan,
                promised=promised,
            )
        )
    return tuple(found)


def _inputs(design: Design, before: _Draws, after: _Draws) -> tuple[LearnedInput, ...]:
    found = []
    for k, name in enumerate(design.names):
        width, which = TOLERANCES[name]
        was, now = (1.0 + width * standard_to_unit(draws.z[:, k]) for draws in (before, after))
        low, _, high = after.band(now)
        spread, middle = before.deviation(was), float(after.weights @ now)
        found.append(
            LearnedInput(
                input=which,
                name=name,
                factor=middle,
                low=low,
                high=high,
                moved=(middle - 1.0) / spread,
                narrowed=after.deviation(now) / spread,
            )
        )
    return tuple(sorted(found, key=lambda one: one.narrowed))


def _faults(likelihood: Likelihood, design: Design, plain: Posterior) -> tuple[FaultFound, ...]:
    found = fault_posteriors(likelihood, design)
    rows = []
    for fault, times in likely_faults(likelihood, plain, found):
        posterior, sizes = found[fault]
        unit = FAULTS[fault].unit
        low, middle, high = (_shown(float(v), unit, FAULT_UNITS[unit], difference=True) for v in posterior.quantiles(sizes, (LOW, 0.5, HIGH)))
        ends = [_shown(end, unit, FAULT_UNITS[unit], difference=True) for end in (FAULTS[fault].low, FAULTS[fault].high)]
        left = likelihood_left(likelihood, posterior)
        found_sizes = {"size": middle, "low": low, "high": high}
        marks = {name: ends_of_search(value, least=ends[0] if ends[0] < 0.0 else -math.inf, most=ends[1]) for name, value in found_sizes.items()}
        rows.append(FaultFound(fault=fault, times_better=times, by_chance=left, unit=FAULT_UNITS[unit], **found_sizes, marks=marks))
    return tuple(rows)


def likelihood_left(likelihood: Likelihood, posterior: Posterior) -> float:
    """Return how often chance would leave readings so far off with the most likely inputs and fault: their misfit and how unlikely these are, together."""
    return float(chi2.sf(2.0 * posterior.cost, len(likelihood.readings)))


def _next(
    design: Design, likelihood: Likelihood, after: _Draws, emulators: dict[str, Emulator], possible: Sequence[tuple[Candidate, list[Observed]]]
) -> tuple[NextReading, ...]:
    """Return what to measure next, that first which narrows the headline figures most per minute; straight lines through the draws tell how far."""
    done = {key_of(one) for one in likelihood.readings}
    root = np.sqrt(after.weights)[:, None]

    def centred(values: Array) -> Array:
        return np.asarray(root * (values - after.weights @ values))

    names = [name for name in HEADLINE_NAMES if name in emulators]
    if not names:
        return ()
    heads = centred(np.column_stack([_headline_values(name, emulators[name], likelihood, after.z) for name in names]))
    variance = np.maximum((heads**2).sum(axis=0), 1e-300)
    found = []
    for candidate, several in possible:
        fresh = [one for one in several if key_of(one) not in done]
        own, _ = likelihood_of(design, [one._replace(closeness=_usual(one, design)) for one in fresh])
        if not own.readings:
            continue
        x = standard_to_unit(after.z[:, : likelihood.inputs])
        columns = [emulator(x) for emulator in own.emulators]
        for k, one in enumerate(own.readings):
            if one.quantity in own.kinds:
                share = own.common[k, own.kinds.index(one.quantity)]
                # An error of the model's that was met already is known as far as it is; one of another kind is as wide as ever.
                if one.quantity in likelihood.kinds:
                    columns[k] = columns[k] + share * after.z[:, likelihood.inputs + likelihood.kinds.index(one.quantity)]
                else:
                    own.deviations[k] = math.hypot(float(own.deviations[k]), float(share))
        read = centred(np.column_stack(columns))
        covariance = read.T @ read + np.diag(own.deviations**2)
        gains = read.T @ heads
        left = np.sqrt(np.maximum(1.0 - np.einsum("ij,ij->j", gains, np.linalg.solve(covariance, gains)) / variance, 0.0))
        helps = HEADLINES[names[int(np.argmin(left))]][2]
        found.append(NextReading(row=candidate.text, what=str(candidate.stated["what"]), seconds=candidate.seconds, leaves=float(left.mean()), helps=helps))
    return tuple(sorted(found, key=lambda one: -(1.0 - one.leaves) / one.seconds))


def _usual(one: Observed, design: Design) -> float:
    """Return how closely a reading is usually taken, about what the sheet's cars would read."""
    absolute, share = CLOSENESS[one.name]
    return math.hypot(absolute, share * abs(float(np.nanmean(design.readings[key_of(one)]))))
