"""Cures in words: what each change is, what it does besides, why one has no answer, and which is best."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from ..cures.changes import ChangeKind, NoFigure
from ..cures.ranking import NOTICED
from ..cures.records import CureRanking, Trouble
from .describing import describe
from .phrases import capitalised

if TYPE_CHECKING:
    from ..cures import Cure

__all__ = ["change_words", "cost_words", "cure_words", "note_words", "ranking_words", "rule_words", "share_words", "trouble_words", "worse_words"]

TROUBLES = {
    Trouble.IDLE: "rough idle",
    Trouble.BRAKES: "too little vacuum for the brakes",
    Trouble.CRUISE: "rough running on the road",
    Trouble.SHAKING: "shaking along the road",
}


def trouble_words(trouble: Trouble) -> str:
    """Return the name of a trouble.

    >>> trouble_words(Trouble.IDLE)
    'rough idle'
    """
    return TROUBLES[trouble]


def change_words(cure: Cure) -> str:
    """Return what is changed, with its size.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build, rank_cures
    >>> found = rank_cures(load_build("examples/quarry-road/build.toml"), engine_of=QuickEngine, against="cruise")
    >>> change_words(found.cures[0])
    'cam retarded by 4 crank deg'
    """
    si = cure.change.si
    if cure.name is ChangeKind.FASTER_IDLE:
        return f"faster idle, {60.0 * si.idle_speed:.0f} rpm"
    if cure.name in (ChangeKind.CAM_ADVANCED, ChangeKind.CAM_RETARDED):
        return f"{cure.name.meaning} by {abs(si.advance):.0f} crank deg"
    if cure.name is ChangeKind.HEAVIER_FLYWHEEL:
        return f"flywheel heavier by {si.added_inertia:g} kg m2"
    if cure.name is ChangeKind.LOOSER_CONVERTER:
        return f"converter looser by {60.0 * si.added_stall_speed:.0f} rpm at the same stall torque"
    return "one gear lower at the same road speed" if cure.name is ChangeKind.LOWER_GEAR else cure.name.meaning


def cost_words(cure: Cure, transmission: str) -> str:
    """Return what a change does besides curing, in sentences; nothing for the build as it is.

    Parameters
    ----------
    cure : Cure
    transmission : str
        As on the sheet: ``"clutch"``, ``"locked automatic"`` or ``"converter"``.
    """
    if cure.name is ChangeKind.FASTER_IDLE:
        more = " The shift into gear is harder, and the car creeps more." if transmission == "converter" else ""
        return f"The idle is louder and burns more fuel.{more}"
    if cure.name in (ChangeKind.CAM_ADVANCED, ChangeKind.CAM_RETARDED):
        return _turned(cure)
    if cure.name is ChangeKind.LOWER_GEAR:
        return "The engine turns faster. That burns more fuel and makes more noise. There is one shift more."
    if cure.name is ChangeKind.HEAVIER_FLYWHEEL:
        return (
            f"The engine gains speed {100.0 * cure.change.si.slower_revs:.0f} % more slowly. In first gear the car pulls as if "
            f"{cure.change.si.like_mass:.0f} kg heavier. The clutch works harder at each start. The gearbox must come out."
        )
    if cure.name is ChangeKind.LOOSER_CONVERTER:
        return "An open converter slips more. That burns fuel, heats the oil and softens the start. Fit an oil cooler. A locked converter gains nothing."
    if cure.name is ChangeKind.OPEN_CONVERTER:
        return "The converter slips. That burns fuel, heats the oil and softens the answer to the pedal."
    return ""


def _turned(cure: Cure) -> str:
    si, early = cure.change.si, cure.name is ChangeKind.CAM_ADVANCED
    return (
        f"Set the timing again. The intake closes {si.intake_closes:.0f} deg ABDC (was {si.intake_closed:.0f}) at 0.15 mm valve lift. "
        f"Effective compression is {si.effective_compression:.2f} (was {si.effective_compression_before:.2f}). "
        f"Torque moves {'down' if early else 'up'} the speed range. Knock comes {'sooner' if early else 'later'}. "
        f"The {'intake' if early else 'exhaust'} valve is nearer the piston: measure the clearance."
    )


def note_words(cure: Cure) -> list[str]:
    """Return why a change cannot be tried, or why a figure of it is missing, a sentence each."""
    found = []
    for note in cure.notes:
        if note is NoFigure.IDLE_OUT_OF_RANGE:
            found.append(f"No answer: {60.0 * cure.change.si.idle_speed:.0f} rpm is more than a build sheet may ask for.")
        else:
            found.append(f"{'No answer' if cure.tried else 'Not possible'}: {note.meaning}.")
    return found


def share_words(cure: Cure) -> str:
    """Return how much of the trouble ranked by a change removes or adds, in a sentence; nothing where there is no answer."""
    percent = 100.0 * cure.si.removes
    if math.isnan(percent):
        return ""
    if abs(percent) < 0.5:
        return "No effect on this trouble."
    return f"{'Removes' if percent > 0.0 else 'Adds'} {abs(percent):.0f} %."


def worse_words(cure: Cure) -> str:
    """Return which troubles a change makes worse, in a sentence; nothing where it makes none worse."""
    return f"Makes worse: {', '.join(trouble_words(trouble) for trouble in cure.makes_worse)}." if cure.makes_worse else ""


def cure_words(cure: Cure, transmission: str) -> str:
    """Return all that is said of a change beside its figures: why it has no answer, else what it does besides; and what it makes worse."""
    return " ".join(text for text in (" ".join(note_words(cure)) or cost_words(cure, transmission), worse_words(cure)) if text)


def ranking_words(ranking: CureRanking) -> list[str]:
    """Return the verdict of a ranking, a sentence each: the trouble, the best cure, and what is not known.

    Examples
    --------
    >>> from camcalc import QuickEngine, load_build, rank_cures
    >>> found = rank_cures(load_build("examples/quarry-road/build.toml"), engine_of=QuickEngine, against="cruise")
    >>> ranking_words(found)[-1].split(".")[0]
    'Most useful: cam retarded by 4 crank deg'
    """
    ratio = ranking.troubles[ranking.against.code]
    said = []
    if not ranking.in_trouble:
        said.append("No trouble is past the level where it begins: nothing needs curing.")
    if math.isinf(ratio):
        said.append(f"Ranked against {trouble_words(ranking.against)}, which has no limit as the build is.")
    else:
        said.append(f"Ranked against {trouble_words(ranking.against)}: {ratio:.1f} times the level where it begins.")
    if not ranking.has_table:
        said.append("No answer for damping and shaking: there is no spark table. Name one under [spark] table on the sheet.")
    useful = [cure for cure in ranking.cures if cure.si.removes > 0.0]
    if not useful:
        return [*said, f"No change tried here helps against {trouble_words(ranking.against)}."]
    best = useful[0]
    return [*said, f"Most useful: {change_words(best)}. This change removes {100.0 * best.si.removes:.0f} % of the trouble."]


def rule_words() -> list[str]:
    """Return how cures are ranked, a sentence each."""
    return [
        "Each trouble is a figure over the level where the trouble begins.",
        "Idle and road: COV of IMEP over the sheet's limit. Brakes: 50 kPa over idle vacuum.",
        f"Shaking: peak-to-peak acceleration over {NOTICED:.2f} m/s2.",
        "Cures are ranked by the share they remove of the worst trouble, or of the one asked about.",
        "Equal ones are ranked by the mean share of all troubles. Those without an answer come last.",
    ]


@describe.register
def _(record: CureRanking) -> str:
    def line(cure: Cure) -> str:
        texts = f"{capitalised(change_words(cure))}.", share_words(cure), cure_words(cure, record.transmission)
        return " ".join(text for text in texts if text)

    return "\n".join([*record.cautions, *ranking_words(record), *map(line, record.cures)])
