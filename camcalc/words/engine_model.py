"""What an engine model must not be used for, in words."""

from __future__ import annotations

from ..cycle.operating import ModelUse
from .describing import describe

__all__ = ["model_use_words"]

WORDS = {
    ModelUse.TEACHING_ONLY: (
        "The quick model is for reading a cam and for learning, not for an engine. It computes no knock, and its idle vacuum is too good with a long cam. "
        "It gives no spark table, no spark ceiling and no verdict on the brakes."
    )
}


@describe.register
def model_use_words(use: ModelUse) -> str:
    """Return what a model must not be used for.

    >>> model_use_words(ModelUse.TEACHING_ONLY).split(". ")[0]
    'The quick model is for reading a cam and for learning, not for an engine'
    """
    return WORDS[use]
