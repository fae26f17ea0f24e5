"""Questions from a build's own figures and from drawn ones, and what an answer shows: right, a slip that has a name, or neither."""

from .asked import practice_questions
from .marking import Marked, mark_answer
from .questions import Form, Question, Slip, Topic

__all__ = ["Form", "Marked", "Question", "Slip", "Topic", "mark_answer", "practice_questions"]
