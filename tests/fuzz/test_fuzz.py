"""A short search for input that breaks a promise, the same each time, and all that longer ones have found."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.fuzz.__main__ import FOUND, search
from tests.fuzz.harnesses import HARNESSES, Harness

EXAMPLES = {"sheet": 60, "table": 150, "log": 40, "parquet": 60, "name": 60}


@pytest.mark.parametrize("name", sorted(HARNESSES))
def test_no_input_breaks_a_promise(name: str) -> None:
    found = search(HARNESSES[name], seed=20, examples=EXAMPLES[name])
    assert found is None, f"{found[0]!r}\n{found[1]}"


@pytest.mark.parametrize("path", sorted(FOUND.glob("*-*")), ids=lambda path: path.name)
def test_what_was_found_once_stays_mended(path: Path) -> None:
    HARNESSES[path.name.partition("-")[0]].check(path.read_bytes())


def test_a_search_finds_what_is_there_to_be_found() -> None:
    def check(data: bytes) -> None:
        assert b"$" not in data

    found = search(Harness(HARNESSES["name"].inputs, check), seed=20, examples=200)
    assert found is not None
    assert found[0] == b"$"
