"""What leaves an idle unburned, against the account of the settled cycle."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from camcalc.advice.idle import idle_state
from camcalc.advice.mixture import ALWAYS_LEFT
from camcalc.advice.sensing import idle_sensing

Make = Callable[..., Any]


@pytest.mark.parametrize("name", ["quarry-road", "long-meadow"])
def test_of_the_fuel_that_goes_in_as_much_burns_as_the_cycle_s_account_says(resolved_of: Make, name: str) -> None:
    # Burned gas that a cycle makes over what it draws in net of what it gives back: what goes round unburned with the reversion burns later, and no
    # more than this is lost. The trapped charge alone would have it half as good.
    engine = resolved_of(name)
    idle = idle_state(engine).si
    found = idle_sensing(engine, None, idle_state(engine)).mixture.si.burned_share / (1.0 - ALWAYS_LEFT)
    cycle = engine.settled(idle.speed, idle.manifold_pressure, idle.spark)
    burns = cycle.total("made_burned") / (cycle.total("runner_in") - cycle.total("runner_back")) / engine.build.engine.combustion_efficiency
    # The cycles of the mean are not the mean of the cycles: 1 % of them miss, and crevices hide a little less of a charge that is diluted.
    assert found == pytest.approx(min(burns, 1.0), abs=0.05)
    trapped = cycle.total("made_burned") / (cycle.unknowns[0] * (1.0 - cycle.unknowns[2])) / engine.build.engine.combustion_efficiency
    assert found > trapped + 0.01
