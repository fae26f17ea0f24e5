"""Families of cards: one card's lobes made longer, moved apart, advanced, lifted; and what of a card the cycles depend on."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..cam.card import FLANK_HEIGHT, SEAT_HEIGHT, CamCard, CheckedHeight, Lobe, build_curve
from ..engine.geometry import effective_compression, geometry_of
from ..errors import InputError
from ..units import Bounds, to_si
from .candidates import read_cards

if TYPE_CHECKING:
    from ..sheet import Build
    from ..sheet.sections import Engine

__all__ = ["INTAKE_CLOSES", "CardFamily", "CardPoint", "card_features", "compression_closing", "compression_of", "main_height", "read_cards"]

Array = NDArray[np.float64]

# How far a family reaches to either side of the sheet's card where no range is given: duration [crank deg], sum of centrelines [crank deg], advance
# [crank deg]; ESTIMATE, what a maker would grind for one engine.
REACH = {"duration": 30.0, "lobe_separation": 10.0, "advance": 4.0}
# How finely cards are told apart: a card prints whole crank degrees and half cam degrees; lift [m].
STEPS = {"duration": 1.0, "lobe_separation": 1.0, "advance": 1.0, "lift": 0.25e-3, "split": 2.0}
BOUNDS = {
    "duration": Bounds("crank_deg", 120.0, 330.0), "lobe_separation": Bounds("crank_deg", 190.0, 250.0, "cam_deg"),
    "advance": Bounds("crank_deg", -20.0, 20.0), "lift": Bounds("m", 4e-3, 20e-3, "mm"), "split": Bounds("crank_deg", -20.0, 30.0),
}  # fmt: skip
# Checking height of the seat that compression is counted from, at the valve [m].
SEAT = 0.15e-3
# Where intake closing is among a card's features.
INTAKE_CLOSES = 1


class CardPoint(NamedTuple):
    """A card of a family: intake duration at the family's checking height, sum of centrelines, advance, exhaust less intake duration [crank deg], lift [m]."""

    duration: float
    lobe_separation: float
    advance: float
    split: float
    lift: float


def main_height(cam: CamCard) -> CheckedHeight:
    """Return the intake's checked height that a card's duration is taken at: of those both lobes have, the one nearest to 0.050 inch at the tappet.

    A measured lobe without checked heights is read at 0.050 inch.
    """
    both = {(round(c.si.height, 9), c.side) for c in cam.exhaust.checks if not c.assumed}
    own = [c for c in cam.intake.checks if not c.assumed and (round(c.si.height, 9), c.side) in both]
    if own:
        return min(own, key=lambda check: abs(cam.intake.tappet_height(check) - FLANK_HEIGHT))
    opens, closes = _edges(cam.intake, cam.tappet, FLANK_HEIGHT)
    return CheckedHeight(height=FLANK_HEIGHT, side="tappet", opens=opens, closes=closes)


def _edges(lobe: Lobe, tappet: str, height: float) -> tuple[float, float]:
    found = build_curve(lobe, tappet).edges(height, side="tappet")
    if found is None:
        raise InputError(f"[cam.{lobe.kind}]", came="a lobe below its checking height", expected=f"more than {height * 1e3:.2f} mm of lift")
    return found


class CardFamily:
    """Cards that share the lobe design of one card: every checked duration longer by the same degrees, so ramps and flanks stay as they are.

    Parameters
    ----------
    cam : CamCard
        The card whose figures are scaled. A measured lobe is taken at the seat and at 0.050 inch.
    ranges : mapping of str to (str, str)
        Ends by name: ``duration`` of the intake lobe at the card's checking height, ``lobe_separation``, ``advance``, ``lift`` of the intake valve,
        ``split`` (exhaust less intake duration), each with its unit. The first three have ranges of their own; lift and split stay when left out.

    Examples
    --------
    >>> from camcalc import load_build
    >>> family = CardFamily(load_build("examples/quarry-road/build.toml").cam, {"duration": ("210 crank_deg", "230 crank_deg")})
    >>> family.ends["duration"], family.card(family.own._replace(duration=214.0)).intake.checks[1].duration
    ((210.0, 230.0), 214.0)
    """

    def __init__(self, cam: CamCard, ranges: Mapping[str, tuple[str, str]] | None = None) -> None:
        self.cam = _with_checks(cam)
        self.height = main_height(self.cam)
        at = next(c for c in self.cam.exhaust.checks if c.side == self.height.side and abs(c.si.height - self.height.si.height) < 1e-8)
        intake, exhaust = self.cam.intake.si, self.cam.exhaust.si
        self.own = CardPoint(
            self.height.duration,
            intake.centreline + exhaust.centreline,
            (exhaust.centreline - intake.centreline) / 2.0,
            at.duration - self.height.duration,
            intake.valve_lift,
        )
        self.ends = _ends(self.own, ranges or {})

    @property
    def varied(self) -> tuple[str, ...]:
        """What the cards differ in, by name."""
        return tuple(name for name, (low, high) in self.ends.items() if high > low)

    def axis(self, name: str) -> Array:
        """Return the figures of the family's cards along one of what they differ in, both ends among them."""
        low, high = self.ends[name]
        return np.linspace(low, high, max(round((high - low) / STEPS[name]), 1) + 1) if high > low else np.array([low])

    def points(self) -> list[CardPoint]:
        """Return every card of the family that a lobe can have, by its figures."""
        axes = [self.axis(name) for name in CardPoint._fields]
        shape = np.meshgrid(*axes, indexing="ij")
        found = map(CardPoint._make, np.stack([one.ravel() for one in shape], axis=1).tolist())
        return [point for point in found if self.possible(point)]

    def unit(self, point: CardPoint) -> Array:
        """Return a card's place among what varies, from 0 to 1 along each."""
        return np.array([(getattr(point, n) - self.ends[n][0]) / (self.ends[n][1] - self.ends[n][0]) for n in self.varied])

    def at(self, unit: Array) -> CardPoint:
        """Return the card nearest to a place from 0 to 1 along what varies."""
        found = dict(self.own._asdict()) | {name: low for name, (low, _) in self.ends.items()}
        for name, share in zip(self.varied, unit, strict=True):
            axis = self.axis(name)
            found[name] = float(axis[min(int(share * axis.size), axis.size - 1)])
        return CardPoint(**found)

    def card(self, point: CardPoint) -> CamCard:
        """Return a card of the family; its lift curves raise ``InputError`` where no lobe can have its figures."""
        longer = point.duration - self.own.duration
        ratio = point.lift / self.own.lift
        intake = _longer(self.cam.intake, longer, ratio)
        exhaust = _longer(self.cam.exhaust, longer + point.split - self.own.split, ratio)
        centre = point.lobe_separation / 2.0
        intake = intake.turned(centre - point.advance - intake.si.centreline)
        exhaust = exhaust.turned(exhaust.si.centreline - (centre + point.advance))
        name = f"{point.duration:.0f}/{point.duration + point.split:.0f} deg, LSA {point.lobe_separation / 2.0:.1f}, ICL {centre - point.advance:.1f}"
        return self.cam.replace(intake=intake, exhaust=exhaust, name=name, notes=())

    def possible(self, point: CardPoint) -> bool:
        """Whether a lobe can have a card's figures under the limits of acceleration."""
        return self._shape(point.duration, point.split, point.lift) is not None

    def compression(self, point: CardPoint, engine: Engine) -> float:
        """Return the effective compression of a card in an engine."""
        offset = self._shape(point.duration, point.split, point.lift)
        if offset is None:
            return math.nan
        return compression_closing(engine, point.lobe_separation / 2.0 - point.advance + offset - 180.0)

    @functools.cached_property
    def _shapes(self) -> dict[tuple[float, float, float], float | None]:
        return {}

    def _shape(self, duration: float, split: float, lift: float) -> float | None:
        """Return how far past the centreline the intake closes at the seat [crank deg]; nothing where no lobe can have the figures."""
        key = duration, split, lift
        if key not in self._shapes:
            card = self.card(self.own._replace(duration=duration, split=split, lift=lift))
            try:
                edges = card.lift_curve("intake").edges(SEAT, side="valve")
                card.lift_curve("exhaust")
            except InputError:
                edges = None
            self._shapes[key] = None if edges is None else edges[1] - card.intake.si.centreline
        return self._shapes[key]


def _ends(own: CardPoint, ranges: Mapping[str, tuple[str, str]]) -> dict[str, tuple[float, float]]:
    """Return the ends of each figure, on the steps that cards are told apart by."""
    for name in ranges:
        if name not in CardPoint._fields:
            raise InputError(f"range of {name}", came=name, expected=", ".join(CardPoint._fields))
    found = {}
    for name in CardPoint._fields:
        middle, bounds = getattr(own, name), BOUNDS[name]
        if name in ranges:
            low, high = (float(to_si(text, f"range of {name}", bounds)) for text in ranges[name])
            if not low <= high:
                raise InputError(f"range of {name}", came=f"{ranges[name][0]} to {ranges[name][1]}", expected="the lower end first", fix="turn the two about")
        else:
            reach = REACH.get(name, 0.0)
            low, high = (min(max(middle + way * reach, bounds.low), bounds.high) for way in (-1.0, 1.0))
        found[name] = (low, high)
    return found


def _with_checks(cam: CamCard) -> CamCard:
    """Return a card whose measured lobes are given by checked heights: at the seat and on the flank."""

    def lobe(one: Lobe) -> Lobe:
        if one.table is None:
            return one
        checks = []
        for height in (SEAT_HEIGHT / 2.0, FLANK_HEIGHT):
            opens, closes = _edges(one, cam.tappet, height)
            checks.append(CheckedHeight(height=height, side="tappet", opens=opens, closes=closes))
        return one.replace(checks=tuple(checks), table=None)

    return cam.replace(intake=lobe(cam.intake), exhaust=lobe(cam.exhaust))


def _longer(lobe: Lobe, by: float, lift: float) -> Lobe:
    """Return a lobe with every checked duration longer by so many crank degrees, and its lift multiplied."""
    checks = tuple(c.replace(opens=c.si.opens - by / 2.0, closes=c.si.closes + by / 2.0) for c in lobe.checks)
    return lobe.replace(checks=checks, valve_lift=lobe.si.valve_lift * lift)


def compression_of(build: Build) -> float:
    """Return the effective compression of a build, counted from intake closing at 0.15 mm of valve lift."""
    return compression_closing(build.engine, float(build.cam.events(at="0.15 mm", measured_at="valve").si.intake_closes))


def compression_closing(engine: Engine, closes: float) -> float:
    """Return the effective compression of an engine whose intake closes so far after bottom dead centre at that height [crank deg]."""
    geometry = geometry_of(engine)
    return float(effective_compression.kernel(geometry.compression_ratio, closes, geometry.rod_over_crank))


def card_features(cam: CamCard) -> Array:
    """Return what of any card the cycles depend on most: four events at the seat [crank deg], area of the overlap and of both lobes [mm crank deg].

    Raises
    ------
    InputError
        If no lobe can have the card's figures.
    """
    events = cam.events(at="0.15 mm", measured_at="valve").si
    areas = (1e3 * cam.overlap.si.area, *(1e3 * cam.lift_curve(kind).area() for kind in ("intake", "exhaust")))
    return np.array([events.intake_opens, events.intake_closes, events.exhaust_opens, events.exhaust_closes, *areas])
