"""A run that has come far from where it began goes on as one that began there."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc.drive.drive_run import DriveRun, simulate_drive
from camcalc.drive.event_kernel import FAR
from camcalc.drive.run_setup import FURTHEST_SHARE
from camcalc.tables import SparkTable

Make = Callable[..., Any]


@pytest.fixture(scope="module")
def quarry(build_of: Make, tables_of: Make, base: SparkTable) -> Callable[..., DriveRun]:
    def drive(**asked: Any) -> DriveRun:
        return simulate_drive(build_of("quarry-road"), base, engine_tables=tables_of("quarry-road"), noise=False, **asked)

    return drive


@pytest.mark.parametrize("rpm", [1300, 2600])
def test_an_idle_is_the_same_wherever_the_run_began(quarry: Callable[..., DriveRun], rpm: int) -> None:
    near, far = (quarry(gear=0, speed=f"{begun} rpm", driver="closed pedal", idle_control=True, duration="60 s").after(40.0) for begun in (1000, rpm))
    assert not near.stalled
    assert not far.stalled
    for run in (near, far):
        assert float(np.std(run.si.speed)) * 60.0 < 5.0
    assert far.si.speed.mean() == pytest.approx(near.si.speed.mean(), rel=0.005)
    assert far.si.plenum_burned.mean() == pytest.approx(near.si.plenum_burned.mean(), abs=0.03)
    assert far.si.mixture.mean() == pytest.approx(1.0, abs=0.02)


def test_a_road_reached_by_the_pedal_is_as_one_begun_there(quarry: Callable[..., DriveRun]) -> None:
    pulled = quarry(gear=3, speed="1200 rpm", driver="tip-in", pedal_step=0.1, duration="60 s").after(55.0)
    reached = float(pulled.si.speed.mean())
    assert reached > (1.0 + FAR * FURTHEST_SHARE) * 20.0
    held = quarry(gear=3, speed=f"{reached * 60.0:.1f} rpm", duration="10 s").after(5.0)
    print(f"{reached * 60:.0f} rpm: burned {pulled.si.plenum_burned.mean():.3f} and {held.si.plenum_burned.mean():.3f}")
    # It goes on gaining speed a little.
    assert pulled.si.manifold_pressure.mean() == pytest.approx(held.si.manifold_pressure.mean(), rel=0.05)
    assert pulled.si.plenum_burned.mean() == pytest.approx(held.si.plenum_burned.mean(), abs=0.03)
    assert pulled.si.mixture.mean() == pytest.approx(1.0, abs=0.02)


def test_torque_has_no_pulses_far_from_the_start_either(quarry: Callable[..., DriveRun]) -> None:
    """Torque is that of means: where nothing moves it does not pulse with the firings."""
    run = quarry(gear=3, speed="1200 rpm", driver="tip-in", pedal_step=0.1, duration="60 s", sample_time="2 ms").after(58.0)
    torque = run.si.crank_torque
    assert float(np.ptp(torque)) < 0.1 * float(torque.mean())


def test_a_loop_about_one_point_keeps_its_maps(quarry: Callable[..., DriveRun], monkeypatch: pytest.MonkeyPatch) -> None:
    from camcalc.drive import maps_anew

    monkeypatch.setattr(maps_anew, "cylinders_of", None)  # it would be called to take others
    assert not quarry(gear=3, speed="1500 rpm", kick="60 rpm", duration="6 s").stalled
