"""What a comparison finds, as codes."""

from __future__ import annotations

from ..codes import Code

__all__ = ["Better", "ConverterFrom", "DecidedBy", "Group", "NoFigure", "TablesUsed", "Why"]


class Better(Code):
    """Which of two builds a figure or a verdict favours."""

    A = "the first build is better"
    B = "the second build is better"
    NO_DIFFERENCE = "no real difference"
    # The figures differ, and neither way is better for the street.
    TASTE = "neither way is better"
    NO_ANSWER = "no answer of one build or both"

    @property
    def swapped(self) -> Better:
        """The same with the two builds in the other order."""
        return {Better.A: Better.B, Better.B: Better.A}.get(self, self)

    @property
    def one_sided(self) -> bool:
        """Whether one of the builds is favoured."""
        return self in (Better.A, Better.B)


class Group(Code):
    """What a figure is about."""

    IDLE = "at idle, warm"
    ROAD = "on the level road"
    SURGE = "surge of the driveline"
    SPARK = "spark ceilings"
    INJECTION = "end of injection"
    AIR = "air charge per cylinder"
    CAM = "the cam by itself"


class Why(Code):
    """Why one way of a figure is better, or why neither is."""

    EVENTS = "an event moves torque along the speed range; the other figures show what that does at low speed"
    LESS_OVERLAP = "less overlap lets less burned gas back at low speed"
    LESS_AREA = "a smaller passage between the ports lets less burned gas back at low speed"
    COMPRESSION = "higher pulls better at low speed and knocks earlier: fuel and spark decide"
    MORE_VACUUM = "more vacuum is more brake assist, and a throttle with more in reserve"
    MORE_VACUUM_IN_DRIVE = "a converter loads the engine at a standstill: more vacuum is more brake assist"
    LESS_RESIDUAL = "less residual burns faster and more steadily"
    STEADIER = "steadier cycles shake less, with fewer partial burns and less smell of fuel"
    FEWER_MISSES = "a missed cycle is a dead stroke and unburned fuel in the exhaust"
    LOWER_IDLE = "a lower idle is quieter, creeps less and leaves a margin below the speed set"
    LOWER_ROAD_SPEED = "a lower speed leaves more of the road smooth in that gear"
    HIGHER_CEILING = "a lower ceiling gives up more torque and fuel in the low-speed zone"
    LESS_SHAKING = "less shaking along the road; the grade decides, not the figure"
    MORE_DAMPING = "more damping only ends a swing of the driveline sooner; how hard the car shakes decides"
    WIDER_WINDOW = "a wider window forgives more in the timing of fuel"
    MORE_AIR_FULL = "more air at nearly full load is more torque there"
    MORE_AIR_PART = "more air at part load is the same torque at a smaller throttle opening"


class NoFigure(Code):
    """Why a figure is missing, beside what the engine and the injection say of it."""

    NO_INJECTOR = "the sheet has no [injector]"
    BEYOND_SURGE_SPEEDS = "surge is not computed at that engine speed"
    NOT_ON_THIS_TABLE = "no settled cycle holds the car there on this table's spark"


class TablesUsed(Code):
    """Which spark tables damping and shaking are computed on."""

    SAME = "all on the same spark table"
    EACH_OWN = "each on the spark table of its own sheet"
    ONE_FOR_ALL = "all on the one spark table that a sheet names"
    LEVEL_AT_CEILING = "all on a level table at the lowest of the lowest spark ceilings"
    LEVEL_AT_BEST = "all on a level table at the least MBT spark of the cruise, since no cell has a ceiling"


class ConverterFrom(Code):
    """Which converter a build idles against in drive."""

    OWN = "its own converter"
    OTHER_SHEET = "the converter of the other sheet, since its own has none"


class DecidedBy(Code):
    """What a verdict rests on."""

    FIGURES = "more figures favour it"
    BALANCE = "as many figures favour one as the other"
    NO_FIGURE = "no figure differs beyond what is known"
    IDLE = "the other does not idle at its own idle speed"
    BRAKES = "the other leaves a common brake booster too little vacuum"
