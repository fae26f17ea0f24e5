"""A sheet of practice to print: the questions alone, or with answers and worked steps."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import Any

from ..pages.dress import rendered
from ..practice.questions import Question
from ..words.practice import EXERCISE, answer_text, question_text
from .practised import worked_steps

__all__ = ["practice_html"]


def practice_html(questions: Sequence[Question], *, build: str, seed: int, solved: bool) -> str:
    """Return a sheet as one HTML page that needs nothing else.

    Parameters
    ----------
    questions : sequence of Question
    build : str
        Whose figures they are drawn about.
    seed : int
        They were drawn with; the instructor gets it, on the solved sheet.
    solved : bool
        Whether answers and steps stand behind the questions.

    Examples
    --------
    >>> from camcalc import load_build
    >>> from camcalc.practice import practice_questions
    >>> questions = practice_questions(load_build("examples/quarry-road/build.toml"), "overlap", count=2, seed=7)
    >>> ["9.0 crank_deg" in practice_html(questions, build="Quarry Road", seed=7, solved=solved) for solved in (True, False)]
    [True, False]
    """
    topic = questions[0].topic.meaning
    shown = [
        {
            "lines": question_text(question).splitlines(),
            "answer": answer_text(question) if solved else "",
            "steps": [(step.words, step.worked().splitlines()) for step in worked_steps(question)] if solved else [],
        }
        for question in questions
    ]
    return rendered("practice.html", topic=topic, questions=shown, exercise=EXERCISE, build=build, sheet=_sheet_of(shown), seed=seed, solved=solved)


def _sheet_of(shown: Sequence[Mapping[str, Any]]) -> str:
    """Return what a sheet of questions and that of its answers are called, so that loose ones find each other."""
    return hashlib.sha256("\n".join(line for one in shown for line in one["lines"]).encode()).hexdigest()[:4].upper()
