"""Worked explanations: a topic, on the user's own build, from its formulas to its numbers, step by step."""

from .topics import TOPICS, explain_topic
from .worksheet import Explanation, Step, Value

__all__ = ["TOPICS", "Explanation", "Step", "Value", "explain_topic"]
