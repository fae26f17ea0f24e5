"""Questions from a build's own figures and from drawn ones, and what an answer shows: right, a slip that has a name, or neither."""

from .marking import Marked, mark_answer
from .questions import Question, Slip, Topic, practice_questions

__all__ = ["Marked", "Question", "Slip", "Topic", "mark_answer", "practice_questions"]
