"""A reviewed log on a terminal: five lines first, before against after where both were logged, then the rest."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..words.driving_log import log_columns_words
from ..words.log_comparison import comparison_words
from ..words.review import review_full_rest, review_glance, review_rest

if TYPE_CHECKING:
    from ..logs import LogComparison, LogReview

__all__ = ["print_review"]


def print_review(review: LogReview, compared: LogComparison | None, *, full: bool = False) -> None:
    """Print a review.

    Parameters
    ----------
    review : LogReview
    compared : LogComparison or None
        Against an earlier log.
    full : bool
        Whether all episodes and cells are printed.
    """
    print(review_glance(review))
    if compared is not None:
        print(f"\nBefore and after: {comparison_words(compared)}\n")
    print(review_full_rest(review) if full else review_rest(review))
    if not full:
        print(f"\n{log_columns_words(review.log)}")
        print("The log, every episode and its cause: camcalc review --full.")
