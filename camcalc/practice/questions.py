"""What a question of practice is: the figures that it shows, its answer, a tolerance and the slips that people make, by what they come to."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from ..codes import Code

__all__ = ["FORMS", "Form", "Question", "Slip", "Topic"]


class Topic(Code):
    """What can be practised."""

    EVENTS = "valve events from a card"
    OVERLAP = "overlap from a card"
    ADVANCE = "what advance does"
    COMPRESSION = "effective compression"
    VACUUM = "vacuum from pressure"
    INJECTION = "where a pulse begins"
    GEAR = "which gear, from both speeds"
    TABLE = "spark between cells"
    LOG = "which cell a log points at"


class Form(Code):
    """What is asked."""

    INTAKE_CLOSES = "when the intake closes"
    INTAKE_OPENS = "when the intake opens"
    EXHAUST_CLOSES = "when the exhaust closes"
    EXHAUST_OPENS = "when the exhaust opens"
    OVERLAP = "how long both valves are open"
    SEPARATION = "the lobe separation that gives an overlap"
    ADVANCED = "when the intake closes once the cam is turned"
    CENTRELINE = "the intake centreline, from separation and advance"
    ADVANCE_SEEN = "the advance, from both centrelines"
    RATIO_LEFT = "the compression ratio left when the intake has closed"
    CHAMBER = "the volume above the piston at the top"
    VACUUM = "what a vacuum gauge shows"
    PRESSURE = "the absolute pressure behind a gauge"
    BEGINS = "where a pulse begins"
    LONGEST = "the longest pulse between two angles"
    GEAR = "which gear a log was driven in"
    ENGINE_SPEED = "the engine's speed in a gear"
    FOUR_CELLS = "the spark between four cells"
    STEEPNESS = "how steep a table is along speed"
    SWINGING_ROW = "the row of the table that a swing is about"


# The first of a topic is asked with the build's own figures.
FORMS: dict[Topic, tuple[Form, ...]] = {
    Topic.EVENTS: (Form.INTAKE_CLOSES, Form.INTAKE_OPENS, Form.EXHAUST_CLOSES, Form.EXHAUST_OPENS),
    Topic.OVERLAP: (Form.OVERLAP, Form.SEPARATION),
    Topic.ADVANCE: (Form.ADVANCED, Form.CENTRELINE, Form.ADVANCE_SEEN),
    Topic.COMPRESSION: (Form.RATIO_LEFT, Form.CHAMBER),
    Topic.VACUUM: (Form.VACUUM, Form.PRESSURE),
    Topic.INJECTION: (Form.BEGINS, Form.LONGEST),
    Topic.GEAR: (Form.GEAR, Form.ENGINE_SPEED),
    Topic.TABLE: (Form.FOUR_CELLS, Form.STEEPNESS),
    Topic.LOG: (Form.SWINGING_ROW,),
}
TOPIC_OF = {form: topic for topic, forms in FORMS.items() for form in forms}


class Slip(Code):
    """A mistake that has a name."""

    NOT_A_NUMBER = "no number was read"
    NO_UNIT = "the unit is missing"
    OTHER_KIND = "a unit of another kind"
    WHICH_ANGLE = "degrees of the crank or of the cam"
    CAM_FOR_CRANK = "cam degrees where the crank's are asked for"
    CRANK_FOR_CAM = "counted twice from cam to crank"
    NOT_TO_CAM = "the crank's figure called the cam's"
    SIGN = "the other side of the dead centre"
    OTHER_DEAD_CENTRE = "counted from the other dead centre"
    OTHER_EDGE = "the other edge of the opening"
    NOT_HALVED = "taken whole, not halved"
    WRONG_WAY = "moved the wrong way"
    STATIC = "the ratio from bottom dead centre"
    TRAVELLED = "the part of the stroke that is lost"
    FROM_TOP = "the angle counted from the top"
    NO_ROD = "the rod's slant left out"
    OVER_RATIO = "divided by the ratio itself"
    BORE_FOR_RADIUS = "the bore taken for its radius"
    AT_SEA_LEVEL = "taken from the standard barometer"
    THE_PRESSURE = "the pressure, not what is missing"
    THE_VACUUM = "the vacuum, not what is left"
    ADDED = "added, not taken off"
    HALF_SPEED = "the crank turned at cam speed"
    MINUTES = "minutes taken for seconds"
    THE_RATIO = "the ratio, not the number of the gear"
    NO_FINAL_DRIVE = "the final drive left out"
    TYRE_DIAMETER = "the tyre's radius taken for its diameter"
    NEAREST_CELL = "the nearest cell, not between cells"
    SHARES_SWAPPED = "the shares swapped"
    ONE_AXIS = "along one axis alone"
    THE_DIFFERENCE = "the difference between cells, not for each 1000 rpm"
    FASTEST = "the row at an end of the swing"
    NO_ROW = "the middle, which is no row of the table"


class Question(NamedTuple):
    """A question: the figures that it shows [in the units beside them], the answer, how close one must come, and the slips by what they come to.

    ``unit`` is that of answer, tolerance and slips, empty for a bare number; ``own`` says that the figures are the build's.
    """

    form: Form
    given: Mapping[str, tuple[float, str]]
    answer: float
    unit: str
    tolerance: float
    slips: Mapping[Slip, float]
    own: bool = False

    @property
    def topic(self) -> Topic:
        """The topic that it belongs to."""
        return TOPIC_OF[self.form]

    def figure(self, name: str) -> float:
        """Return a figure that is given, in its own unit."""
        return self.given[name][0]

    def listed(self, beginning: str) -> dict[str, tuple[float, str]]:
        """Return the figures whose names begin so, in their order: ratios of gears, rows of a log."""
        return {name: value for name, value in self.given.items() if name.startswith(beginning)}
