"""Every caution, worded once: each output takes its own from here and shows them before the figures."""

from __future__ import annotations

import enum
from collections.abc import Iterable

from .marks import Mark

__all__ = [
    "AT_BRAKES", "AT_CHOICE", "AT_COMPARISON", "AT_CURES", "AT_FIRST_CRANK", "AT_IDLE_SPARK", "AT_MORE_RETARD", "AT_SURGE", "AT_TRADE_OFF",
    "BESIDE_SPARK_TABLE", "CAUTIONS", "ON_THE_ROAD", "OVER_SPARK_TABLE", "OVER_STARTING_TABLE", "Caution", "Mark", "text_beside",
]  # fmt: skip


class Caution(enum.StrEnum):
    """A caution, one line each: what to do, and what breaks or who gets hurt otherwise."""

    STARTING_VALUE = "Every figure is a starting value. A knock sensor, a wideband, a dyno and a licensed professional decide."
    KNOCK = "Listen for knock; knock breaks pistons. Start below these figures and work up."
    KNOCK_IS_ESTIMATED = "The knock limit is an estimate for the mean cycle and the octane on the sheet. No figure replaces listening or a knock sensor."
    ADDING_SPARK = "Add spark a little at a time, only where no knock was heard or logged."
    FINAL_SPARK = "Final spark = table plus every correction. A ceiling limits final spark; a ceiling is no target."
    CRANKING = "Not for cranking: too much advance kicks back."
    LATE_SPARK = "Do not hold much retard at load. Late burning overheats valves, manifolds and exhaust."
    PISTON_TO_VALVE = "Measure valve-to-piston clearance with clay or a dial indicator before the first turn. Valves that meet pistons bend."
    SPRINGS = "Check the valve springs for coil bind and seat force. A floating valve meets its piston; camcalc checks no spring."
    BRAKES = "Brakes: test at a standstill, then at walking pace, before the road. Low vacuum means less brake assist."
    COURSE = "Drive tests on a closed course only: straight, level, dry, with room to stop. Never test on a public road."
    SECOND_PERSON = "A second person runs the logger. A driver who watches a screen crashes."
    STOP = "Stop at the first knock, misfire, smell of fuel or fading of the brakes."
    EXHAUST_GAS = "Exhaust extraction on; carbon monoxide kills."
    LAW = "Local law and licensed professionals decide."


# All of them, in the order in which a first start meets them.
CAUTIONS: tuple[Caution, ...] = tuple(Caution)
# At each hazard. A table of spark also ends with Caution.LAW.
OVER_SPARK_TABLE = (Caution.KNOCK, Caution.FINAL_SPARK)
OVER_STARTING_TABLE = (Caution.KNOCK, Caution.ADDING_SPARK, Caution.FINAL_SPARK, Caution.CRANKING)
AT_IDLE_SPARK = (Caution.KNOCK, Caution.CRANKING)
AT_BRAKES = (Caution.BRAKES,)
AT_TRADE_OFF = (Caution.KNOCK, Caution.ADDING_SPARK, Caution.LATE_SPARK)
AT_MORE_RETARD = (Caution.LATE_SPARK,)
AT_CURES = (Caution.STARTING_VALUE, Caution.PISTON_TO_VALVE, Caution.SPRINGS, Caution.BRAKES)
AT_SURGE = (Caution.COURSE, Caution.SECOND_PERSON, Caution.BRAKES, Caution.KNOCK)
AT_FIRST_CRANK = (Caution.PISTON_TO_VALVE, Caution.SPRINGS, Caution.BRAKES, Caution.EXHAUST_GAS)
AT_COMPARISON = (Caution.STARTING_VALUE, Caution.KNOCK, Caution.PISTON_TO_VALVE, Caution.SPRINGS, Caution.BRAKES)
AT_CHOICE = (Caution.STARTING_VALUE, Caution.PISTON_TO_VALVE, Caution.SPRINGS, Caution.BRAKES, Caution.KNOCK)
ON_THE_ROAD = (Caution.COURSE, Caution.SECOND_PERSON, Caution.BRAKES, Caution.EXHAUST_GAS, Caution.STOP, Caution.KNOCK)
# In the text file beside a spark table that is read by another program, where no caution can be in the table itself.
BESIDE_SPARK_TABLE = (
    Caution.STARTING_VALUE, Caution.KNOCK, Caution.KNOCK_IS_ESTIMATED, Caution.ADDING_SPARK, Caution.FINAL_SPARK, Caution.CRANKING, Caution.LATE_SPARK,
    Caution.LAW,
)  # fmt: skip


def text_beside(table: str, cautions: Iterable[Caution] = BESIDE_SPARK_TABLE, marks: Iterable[Mark] = (Mark.BLANK,)) -> str:
    """Return the text that goes beside a table written to a file.

    Parameters
    ----------
    table : str
        What the table is called, its file's name as a rule.
    cautions : iterable of Caution
    marks : iterable of Mark
        The marks that the table's cells may carry.

    Returns
    -------
    str
        Lines of text, the last one ended.

    Examples
    --------
    >>> text_beside("new.csv", [Caution.CRANKING], [Mark.CAP]).splitlines() == ["new.csv", Caution.CRANKING, Mark.CAP]
    True
    """
    return "\n".join([table, *cautions, *marks]) + "\n"
