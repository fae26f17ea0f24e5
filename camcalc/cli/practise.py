"""``camcalc practise TOPIC BUILD``."""

from __future__ import annotations

import argparse
import enum
import json
import random
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from .outputs import add_force, refuse_outputs

if TYPE_CHECKING:
    from ..practice import Question

__all__ = ["add_arguments", "run"]

TRIES = 2
ASK, STEPS, STOP = "answer", "?", "q"
HOW = "Type the answer with its unit. ? opens the steps, q ends."
SEEDS = 100_000


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("topic", help="what to practise: events, overlap, advance, compression, vacuum, injection, gear, table, log")
    parser.add_argument("build", help="build sheet (TOML)")
    parser.add_argument("--questions", metavar="N", type=int, default=5, help="how many, 1 to 200 (5)")
    parser.add_argument("--seed", metavar="N", type=int, help="the same number asks the same questions; drawn and shown when left out")
    parser.add_argument("--html", metavar="FILE", type=Path, help="write a sheet of questions to print instead of asking")
    parser.add_argument("--answers", metavar="FILE", type=Path, help="write the sheet with answers and steps, for the instructor")
    add_force(parser)
    parser.add_argument("--json", action="store_true", help="print questions, answers and slips as JSON instead of asking")


def run(options: argparse.Namespace) -> int:
    """Ask, or write the sheets."""
    from ..errors import InputError
    from ..explain.practice_page import practice_html
    from ..files import write_files
    from ..practice import practice_questions
    from ..sheet import load_build

    build = load_build(options.build)
    refuse_outputs({"--html": options.html, "--answers": options.answers}, build.files(), force=options.force)
    seed = random.SystemRandom().randrange(SEEDS) if options.seed is None else options.seed
    questions = practice_questions(build, options.topic, count=options.questions, seed=seed)
    sheets = ((options.html, False), (options.answers, True))
    pages = {path: practice_html(questions, build=build.name, seed=seed, solved=solved) for path, solved in sheets if path}
    write_files(pages, replace=options.force)
    for path in pages:
        print(f"sheet written to {path}", file=sys.stderr)
    if options.json:
        print(json.dumps({"seed": seed, "questions": [_data(question) for question in questions]}, indent=1, allow_nan=False))
    elif not pages:
        if sys.stdin is None:
            raise InputError("standard input", came="closed", expected="answers, a line each", fix="or --html FILE for a sheet to print")
        _ask_all(questions, seed)
    return 0


def _data(question: Question) -> dict[str, object]:
    from ..words.practice import question_text

    figure = {"unit": question.unit}
    return {
        "topic": question.topic.code,
        "form": question.form.code,
        "own": question.own,
        "text": question_text(question),
        "answer": {"value": question.answer, **figure},
        "tolerance": {"value": question.tolerance, **figure},
        "slips": {slip.code: {"value": value, **figure} for slip, value in question.slips.items()},
    }


def _ask_all(questions: tuple[Question, ...], seed: int) -> None:
    """Ask question after question until they are through, or the input ends."""
    from ..words.practice import EXERCISE, question_text

    print(f"{EXERCISE}\n{HOW}\n")
    right = asked = 0
    for number, question in enumerate(questions, 1):
        print(f"{number} of {len(questions)}. {question_text(question)}")
        outcome = _ask(question)
        asked += outcome is not Outcome.NOT_TRIED
        right += outcome is Outcome.RIGHT
        if outcome in (Outcome.NOT_TRIED, Outcome.STOPPED):
            break
    print(f"{right} of {asked} right. The same questions again: --seed {seed}")


class Outcome(enum.Enum):
    """How a question ended: rightly at the first or second try, not so, with the learner stopping after a try, or before one."""

    RIGHT, WRONG, STOPPED, NOT_TRIED = range(4)


def _ask(question: Question) -> Outcome:
    """Ask one question."""
    from ..practice import mark_answer
    from ..words.practice import marked_words

    tried = 0
    while tried < TRIES:
        print(f"{ASK}: ", end="", flush=True)
        line = sys.stdin.readline()
        typed = line.strip()
        if not line or typed.lower() == STOP:
            print()
            return Outcome.STOPPED if tried else Outcome.NOT_TRIED
        if typed == STEPS:
            break
        if not typed:
            continue
        tried += 1
        marked = mark_answer(question, typed)
        print(f"  {marked_words(question, marked)}")
        if marked.right:
            _show_steps(question)
            return Outcome.RIGHT
    _show_steps(question)
    return Outcome.WRONG


def _show_steps(question: Question) -> None:
    from ..explain.practised import worked_steps
    from ..words.practice import answer_text

    for step in worked_steps(question):
        print(f"  {step.words}")
        print("\n".join(f"    {line}" for line in step.worked().splitlines()))
    print(f"  Answer: {answer_text(question)}\n")
