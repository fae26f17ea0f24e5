"""Which questions are asked: the first with the build's own figures, the others drawn about them, of every form of a topic."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

from ..errors import InputError
from .makers import MAKERS, Draw
from .questions import FORMS, Question, Slip, Topic

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["MOST_QUESTIONS", "practice_questions"]

MOST_QUESTIONS = 200
# A slip this many tolerances from the answer, and from other slips, can be told from them.
TOLD_APART = 2.5
# A row of figures that no engine has is drawn again, so often at most.
TRIES = 200


def practice_questions(build: Build, topic: Topic | str, *, count: int = 5, seed: int = 1) -> tuple[Question, ...]:
    """Return questions on a topic: the first with the build's own figures, the others drawn about them, their forms by turns in a drawn order.

    Parameters
    ----------
    build : Build
    topic : Topic or str
    count : int
        1 to 200.
    seed : int
        The same number, the same questions.

    Raises
    ------
    InputError
        On a topic not known, or too many questions.

    Examples
    --------
    >>> from camcalc import load_build
    >>> first, second = practice_questions(load_build("examples/quarry-road/build.toml"), "overlap", count=2)
    >>> first.answer, first.unit, first.own, second.own
    (9.0, 'crank_deg', True, False)
    """
    topic = Topic.chosen(topic, "topic")
    if not 1 <= count <= MOST_QUESTIONS:
        raise InputError("questions", came=str(count), expected=f"1 to {MOST_QUESTIONS}")
    rng = random.Random(f"{topic.code} {seed}")
    forms = FORMS[topic]
    found: list[Question] = []
    turn: list[int] = []
    for k in range(count):
        for attempt in range(TRIES):
            # The build's own figures may make no question, e.g. of a mild cam that has no overlap at that height.
            own = k == 0 and attempt == 0
            turn = turn or rng.sample(range(len(forms)), len(forms))
            form = forms[0] if k == 0 else forms[turn.pop()]
            question = MAKERS[form](build, Draw(rng, own=own))
            if question is not None:
                found.append(_told_apart(question._replace(own=own)))
                break
    return tuple(found)


def _told_apart(question: Question) -> Question:
    """Return a question without the slips that come to the answer, or to an earlier slip's figure, within what is told apart."""
    kept: dict[Slip, float] = {}
    for slip, value in question.slips.items():
        if all(abs(value - other) > TOLD_APART * question.tolerance for other in (question.answer, *kept.values())):
            kept[slip] = value
    return question._replace(slips=kept)
