"""The example that readings are tried on, and the cars that its sheet allows, as stored."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.measured.make_cars import stored_design

if TYPE_CHECKING:
    from collections.abc import Callable

    from camcalc import Build
    from camcalc.measured.design import Design


@pytest.fixture
def long_meadow(build_of: Callable[..., Build]) -> Build:
    """The truck of the examples."""
    return build_of("long-meadow")


@pytest.fixture(scope="session")
def allowed() -> Design:
    """Cars that the first example's sheet allows, run by the resolved engine."""
    return stored_design()
