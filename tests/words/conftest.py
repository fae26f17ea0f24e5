"""What every text of the words layer is held to."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.plain_words import banned_in, long_sentences


@pytest.fixture
def plain() -> Callable[[str], str]:
    """Give a text back if it is plain English in whole sentences; fail otherwise."""

    def check(text: str) -> str:
        assert text
        for line in text.splitlines():
            assert line[:1].isupper() or line[:1].isdigit(), line
            assert line.endswith("."), line
        assert long_sentences(text) == []
        assert banned_in(text) == []
        return text

    return check
