"""The cam card: two lobes, where they stand, and everything that follows from them by geometry."""

from __future__ import annotations

import dataclasses
import functools
from typing import TYPE_CHECKING, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from ..errors import InputError
from ..results import Measure, Record, measure
from ..units import Bounds, to_si
from .events import ValveEvents, events_from_angles
from .lift import LiftCurve, curve_from_table
from .smoothest import LobePoints, smoothest_lobe

if TYPE_CHECKING:
    from ..units import Quantity

__all__ = ["CamCard", "CheckedHeight", "Lobe", "Overlap"]

Array = NDArray[np.float64]
Side = Literal["tappet", "valve"]

# Mean velocity of an opening or closing ramp below the lowest checked height [m per crank degree]: 0.010 to 0.025 mm per
# cam degree from memory (medium confidence), the middle of that range.
RAMP_VELOCITY = 0.0175e-3 / 2.0
# Checking heights at or below this tappet lift [m] are taken for the seat; a card without one gets an assumed seat figure.
SEAT_HEIGHT = 0.5e-3
ASSUMED_SEAT_HEIGHT = 0.006 * 0.0254
# How much longer a lobe is at 0.006 inch than at 0.050 inch of tappet lift [crank deg]: 44 to 60 hydraulic, 30 to 45 solid,
# from memory (medium confidence); the middle of each.
SEAT_EXCESS = {"hydraulic": 52.0, "solid": 38.0}
FLANK_HEIGHT = 0.050 * 0.0254
HEIGHT = Bounds("m", 1e-6, 15e-3, "mm")
TURN = Bounds("crank_deg", -30.0, 30.0)


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CheckedHeight(Record):
    """One lobe's opening and closing at one checking height, in crank degrees from the top dead centre of the overlap."""

    height: Measure = measure("m", "mm")
    side: Side
    opens: Measure = measure("crank_deg")
    closes: Measure = measure("crank_deg")
    assumed: bool = False

    @property
    def duration(self) -> float:
        """Duration [crank deg]."""
        return float(self.si.closes - self.si.opens)

    @property
    def middle(self) -> float:
        """Midpoint [crank deg]."""
        return float(self.si.closes + self.si.opens) / 2.0


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Lobe(Record):
    """One lobe as the card gives it.

    ``valve_lift`` is rocker ratio times lobe lift, before lash. ``centreline`` is the midpoint at the largest checking
    height, after top dead centre for the intake and before it for the exhaust. ``max_lift_at`` is where the nose stands,
    in crank degrees from the top dead centre of the overlap.
    """

    kind: Literal["intake", "exhaust"]
    valve_lift: Measure = measure("m", "mm", low=1e-3, high=25e-3)
    rocker_ratio: float
    lash: Measure = measure("m", "mm", low=0.0, high=1.5e-3)
    centreline: Measure = measure("crank_deg", low=70.0, high=150.0)
    max_lift_at: Measure = measure("crank_deg", low=-180.0, high=180.0)
    checks: tuple[CheckedHeight, ...]
    table: tuple[tuple[float, ...], tuple[float, ...]] | None = None

    def tappet_height(self, check: CheckedHeight) -> float:
        """Return a checking height at the tappet [m]."""
        return check.si.height if check.side == "tappet" else (check.si.height + self.si.lash) / self.rocker_ratio

    def turned(self, by: float) -> Lobe:
        """Return the lobe turned by so many crank degrees, later if positive."""
        checks = tuple(c.replace(opens=c.si.opens + by, closes=c.si.closes + by) for c in self.checks)
        sign = 1.0 if self.kind == "intake" else -1.0
        table = None if self.table is None else (tuple(a + by for a in self.table[0]), self.table[1])
        return self.replace(checks=checks, centreline=self.si.centreline + sign * by, max_lift_at=self.si.max_lift_at + by, table=table)

    def rows(self) -> list[tuple[str, str]]:
        """Return printable rows, checked heights included."""
        from ..units import format_quantity

        return super().rows() + [(f"at {format_quantity(c.height)} ({c.side})", f"{c.duration:.1f} crank_deg") for c in self.checks]


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class Overlap(Record):
    """How much both valves are open at once, beyond the seats."""

    angle: Measure = measure("crank_deg", doc="from intake leaving its seat to exhaust meeting it")
    area: Measure = measure("m*crank_deg", "mm*crank_deg", doc="integral of the lesser lift")
    intake_lift_at_top: Measure = measure("m", "mm")
    exhaust_lift_at_top: Measure = measure("m", "mm")
    lifts_meet_at: Measure = measure("crank_deg", doc="where both lifts are equal")
    intake_area: Measure = measure("m*crank_deg", "mm*crank_deg", doc="intake lift up to where both are equal")
    exhaust_area: Measure = measure("m*crank_deg", "mm*crank_deg", doc="exhaust lift from where both are equal")


@dataclasses.dataclass(frozen=True, kw_only=True, eq=False)
class CamCard(Record):
    """A camshaft as its card describes it, checked for contradictions."""

    in_data: ClassVar[tuple[str, ...]] = ("lobe_separation", "advance")

    name: str
    tappet: Literal["hydraulic", "solid"]
    intake: Lobe
    exhaust: Lobe
    notes: tuple[str, ...] = ()

    @property
    def lobe_separation(self) -> Quantity:
        """Angle between the lobe centrelines, in cam degrees."""
        from ..units import quantity

        return quantity(self.intake.si.centreline + self.exhaust.si.centreline, "crank_deg", "cam_deg")

    @property
    def advance(self) -> Quantity:
        """How far the cam is installed early, (exhaust centreline - intake centreline)/2, in crank degrees."""
        from ..units import quantity

        return quantity((self.exhaust.si.centreline - self.intake.si.centreline) / 2.0, "crank_deg")

    def lobe(self, kind: str) -> Lobe:
        """Return the ``"intake"`` or ``"exhaust"`` lobe."""
        if kind not in ("intake", "exhaust"):
            raise InputError("lobe", came=kind, expected='"intake" or "exhaust"')
        return self.intake if kind == "intake" else self.exhaust

    def lift_curve(self, kind: str) -> LiftCurve:
        """Return the lift curve of the ``"intake"`` or ``"exhaust"`` valve.

        Raises
        ------
        InputError
            If no smooth lobe can satisfy the card; it names the figure to check first.
        """
        lobe = self.lobe(kind)
        if lobe.kind not in self._curves:
            self._curves[lobe.kind] = build_curve(lobe, self.tappet)
        return self._curves[lobe.kind]

    @functools.cached_property
    def _curves(self) -> dict[str, LiftCurve]:
        return {}

    def checked_heights(self) -> list[tuple[float, Side]]:
        """Return the checking heights [m] that both lobes give figures for, lowest first."""
        both = {(c.si.height, c.side) for c in self.intake.checks if not c.assumed} & {(c.si.height, c.side) for c in self.exhaust.checks if not c.assumed}
        return sorted(both)

    def events(self, at: Quantity | str | None = None, *, measured_at: str = "tappet") -> ValveEvents:
        """Return the four valve events and the overlap at a checking height.

        Parameters
        ----------
        at : quantity or str [length]
            Checking height; the card's own figures are used where it gives them, else the lift curve. Default: the lowest
            height that both lobes are checked at.
        measured_at : str
            ``"tappet"`` or ``"valve"``: which side the height is measured on.

        Raises
        ------
        InputError
            If a valve never reaches that height.

        Examples
        --------
        >>> from camcalc import load_build
        >>> cam = load_build("examples/quarry-road/build.toml").cam
        >>> cam.events(at="0.050 inch").overlap.magnitude
        9.0
        """
        if measured_at not in ("tappet", "valve"):
            raise InputError("measured_at", came=measured_at, expected='"tappet" or "valve"')
        if at is None:
            heights = self.checked_heights()
            height, measured_at = heights[0] if heights else (ASSUMED_SEAT_HEIGHT, "tappet")
        else:
            height = to_si(at, "at", HEIGHT)
        edges = []
        source = "card"
        for lobe in (self.intake, self.exhaust):
            printed = [c for c in lobe.checks if not c.assumed and c.side == measured_at and abs(c.si.height - height) < 1e-9]
            if printed:
                edges.append((printed[0].si.opens, printed[0].si.closes))
                continue
            source = "lift curve"
            found = self.lift_curve(lobe.kind).edges(height, side=measured_at)
            if found is None:
                most = self.lift_curve(lobe.kind).max_lift / (1.0 if measured_at == "valve" else lobe.rocker_ratio)
                raise InputError(
                    "at", came=f"{height * 1e3:.3f} mm", expected=f"a height below the {lobe.kind} lobe's {most * 1e3:.2f} mm at the {measured_at}"
                )
            edges.append(found)
        return events_from_angles(height, measured_at, edges[0], edges[1], source)

    @functools.cached_property
    def overlap(self) -> Overlap:
        """Overlap by angle, area and lift, from the lift curves."""
        intake, exhaust = self.lift_curve("intake"), self.lift_curve("exhaust")
        opens, closes = intake.seat_edges()[0], exhaust.seat_edges()[1]
        if closes <= opens:
            top = float(intake.lift(0.0)[0]), float(exhaust.lift(0.0)[0])
            return Overlap(
                angle=closes - opens, area=0.0, intake_lift_at_top=top[0], exhaust_lift_at_top=top[1], lifts_meet_at=None, intake_area=0.0, exhaust_area=0.0
            )
        from scipy.integrate import simpson
        from scipy.optimize import brentq

        meet = float(brentq(lambda a: float(intake.lift(a)[0] - exhaust.lift(a)[0]), opens, closes, xtol=1e-9))
        before, after = np.linspace(opens, meet, 401), np.linspace(meet, closes, 401)
        intake_area, exhaust_area = float(simpson(intake.lift(before), x=before)), float(simpson(exhaust.lift(after), x=after))
        return Overlap(
            angle=closes - opens,
            area=intake_area + exhaust_area,
            intake_lift_at_top=float(intake.lift(0.0)[0]),
            exhaust_lift_at_top=float(exhaust.lift(0.0)[0]),
            lifts_meet_at=meet,
            intake_area=intake_area,
            exhaust_area=exhaust_area,
        )

    def advanced(self, by: Quantity | str) -> CamCard:
        """Return the cam installed earlier by so many crank degrees; negative retards it.

        Examples
        --------
        >>> from camcalc import load_build
        >>> cam = load_build("examples/quarry-road/build.toml").cam
        >>> cam.advanced("2 crank_deg").advance.magnitude - cam.advance.magnitude
        2.0
        """
        turn = to_si(by, "by", TURN)
        return self.replace(intake=self.intake.turned(-turn), exhaust=self.exhaust.turned(-turn))

    def with_exhaust_turned(self, by: Quantity | str) -> CamCard:
        """Return the cam with the exhaust lobe alone moved later by so many crank degrees: more overlap if positive."""
        return self.replace(exhaust=self.exhaust.turned(to_si(by, "by", TURN)))


def build_curve(lobe: Lobe, tappet: str) -> LiftCurve:
    """Return the lift curve of a lobe: its measured table if it has one, else the smoothest lobe through its figures."""
    if lobe.table is not None:
        return curve_from_table(np.array(lobe.table[0]), np.array(lobe.table[1]), rocker_ratio=lobe.rocker_ratio, lash=lobe.si.lash)
    checks = with_assumed_seat(lobe, tappet)
    spline = smoothest_lobe(_points(lobe, checks))
    if spline is None:
        raise _impossible(lobe, checks)
    return LiftCurve(spline, rocker_ratio=lobe.rocker_ratio, lash=lobe.si.lash)


def with_assumed_seat(lobe: Lobe, tappet: str) -> tuple[CheckedHeight, ...]:
    """Return a lobe's checked heights, with an assumed seat figure where the card gives none."""
    lowest = min(lobe.checks, key=lobe.tappet_height)
    if lobe.tappet_height(lowest) <= SEAT_HEIGHT:
        return lobe.checks
    # The excess belongs to 0.006 against 0.050 inch; a ramp to another height is stretched in proportion.
    share = (lobe.tappet_height(lowest) - ASSUMED_SEAT_HEIGHT) / (FLANK_HEIGHT - ASSUMED_SEAT_HEIGHT)
    grow = 0.5 * SEAT_EXCESS[tappet] * min(max(share, 0.0), 1.5)
    seat = CheckedHeight(height=ASSUMED_SEAT_HEIGHT, side="tappet", opens=lowest.si.opens - grow, closes=lowest.si.closes + grow, assumed=True)
    return (seat, *lobe.checks)


def _points(lobe: Lobe, checks: tuple[CheckedHeight, ...]) -> LobePoints:
    order = sorted(checks, key=lobe.tappet_height)
    heights = [lobe.tappet_height(c) for c in order]
    ramp = max(heights[0] / RAMP_VELOCITY, 4.0)
    return LobePoints(
        start=order[0].si.opens - ramp,
        end=order[0].si.closes + ramp,
        nose=lobe.si.max_lift_at,
        nose_lift=lobe.si.valve_lift / lobe.rocker_ratio,
        angles=np.array([c.si.opens for c in order] + [c.si.closes for c in order]),
        lifts=np.array(heights + heights),
    )


def _impossible(lobe: Lobe, checks: tuple[CheckedHeight, ...]) -> InputError:
    """Find the figure whose removal makes the lobe possible, and say so."""
    suspects = []
    for check in checks:
        rest = tuple(c for c in checks if c is not check)
        if rest and smoothest_lobe(_points(lobe, rest)) is not None:
            suspects.append(f"the duration at {check.si.height * 1e3:.3g} mm {check.side} lift ({check.duration:.1f} crank_deg)")
    if smoothest_lobe(_points(lobe, checks), bounded=False) is not None and not suspects:
        suspects.append(f"the lift ({lobe.si.valve_lift * 1e3:.2f} mm) and rocker ratio ({lobe.rocker_ratio:g})")
    figures = ", ".join(f"{c.duration:.1f} crank_deg at {c.si.height * 1e3:.3g} mm" for c in checks)
    return InputError(
        f"[cam.{lobe.kind}]",
        came=f"{figures}, valve lift {lobe.si.valve_lift * 1e3:.2f} mm",
        expected="figures that one smooth lobe can satisfy",
        fix="check first " + (" or ".join(suspects) if suspects else "every duration against its checking height"),
    )
