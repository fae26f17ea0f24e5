"""Surge found where it is, as large and as fast as it is, and nowhere else; blind to units, time shift and resampling."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import hypothesis
import numpy as np
import pytest
from hypothesis import strategies
from scipy.interpolate import CubicSpline
from scipy.signal import lfilter

from camcalc.logs import DriveLog, SurgeFindings, find_surge, read_log
from camcalc.logs.manoeuvres import ManoeuvreKind
from camcalc.logs.surge_finder import EpisodeNote, FinderNote, SwingKind
from camcalc.vehicle.acceleration_weighting import ComfortReaction, SurgeGrade, weighting_factor
from camcalc.words import describe
from tests.oracles import drive_log

from .conftest import as_log

Driven = Callable[..., drive_log.Log]
SEEDS = range(4)
NOISY = drive_log.Drive(damping=20.0, burn_noise=6.0, gear=2, speed=1400.0, seconds=60.0)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("kind", ["clean", "tip-ins", "gear changes", "overrun", "fuel cut"])
def test_no_surge_where_there_is_none(driven: Driven, kind: str, seed: int) -> None:
    found = find_surge(as_log(driven(kind, seed=seed)))
    assert found.episodes == ()
    assert found.combustion == ()
    assert found.si.looked_at > 10.0
    assert found.episodes == ()
    assert "no surge" in describe(found)


@pytest.mark.parametrize(
    ("kind", "counts"),
    [
        ("clean", {}),
        ("tip-ins", {"tip_in": 3, "lift": 2}),
        ("gear changes", {"gear_change": 2}),
        ("overrun", {"lift": 2, "overrun": 2, "tip_in": 2}),
        ("fuel cut", {"lift": 2, "overrun": 2, "tip_in": 2, "fuel_cut_begins": 2, "fuel_cut_ends": 2}),
    ],
)
def test_what_the_driver_did_is_counted(driven: Driven, kind: str, counts: dict[str, int]) -> None:
    found = find_surge(as_log(driven(kind, seed=1)))
    assert {kind.code: count for kind, count in found.counts().items()} == counts
    assert found.to_dict()["not_the_table"] == counts
    assert ("Not the table's doing" in describe(found)) == bool(counts)


def test_a_gear_change_is_seen_by_the_ratio_of_speeds(driven: Driven) -> None:
    found = find_surge(as_log(driven("gear changes", seed=1), "gear", "clutch"))
    assert [round(m.si.start) for m in found.manoeuvres if m.kind is ManoeuvreKind.GEAR_CHANGE] == [8, 18]
    assert found.episodes == ()


def test_the_return_to_idle_and_idling_are_told(driven: Driven) -> None:
    t = np.arange(0.0, 20.0, 0.02)
    speed = np.interp(t, [0.0, 5.0, 9.0, 20.0], [1900.0, 1900.0, 850.0, 850.0]) / 60.0
    hunting = np.where(t > 11.0, 0.5 * np.sin(2.0 * np.pi * 1.0 * t), 0.0)
    log = DriveLog.of(time=t, speed=speed + hunting, pedal=np.where(t < 5.0, 0.2, 0.0), gear=np.where(t < 6.0, 2.0, 0.0))
    found = find_surge(log)
    assert {"lift", "overrun", "return_to_idle", "idle"} <= {kind.code for kind in found.counts()}
    assert found.episodes == ()


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("how", [{"rate": 10.0}, {"rate": 20.0, "uneven": 0.4}, {"rate": 50.0}, {"rate": 100.0, "uneven": 0.3}], ids=str)
@pytest.mark.parametrize("kind", ["table", "table and adder"])
def test_frequency_and_amplitudes_are_the_true_ones(driven: Driven, kind: str, how: dict[str, float], seed: int) -> None:
    """Frequency within 3 %, amplitudes within 10 % of what the generator knows of every 2 ms."""
    drive = driven(kind, seed=seed, **how)
    (episode,) = find_surge(as_log(drive)).episodes
    span = (episode.si.start, episode.si.end)
    frequency, speed = drive.truth(*span)
    assert episode.kind is SwingKind.DRIVELINE
    assert episode.si.frequency == pytest.approx(frequency, rel=0.03)
    assert 60.0 * episode.si.speed_amplitude == pytest.approx(speed, rel=0.10)
    assert episode.si.spark_amplitude == pytest.approx(drive.truth(*span, "spark")[1], rel=0.10)
    assert episode.load_amplitude / 1e3 == pytest.approx(drive.truth(*span, "load")[1], rel=0.10)
    assert episode.si.peak_to_peak == pytest.approx(2.0 * drive.truth(*span, "acceleration")[1], rel=0.10)
    assert episode.gear == 1.0
    assert set(episode.signals) == {"speed", "spark", "load", "acceleration"}


@pytest.mark.parametrize("gear", [1, 2, 3])
def test_a_driveline_shaken_by_noise_swings_at_its_own_frequency(gear: int) -> None:
    """Mean of four drives of 30 s against the eigenvalues of the same drive; the mean of so much noise strays a percent or so."""
    drive = drive_log.Drive(damping=20.0, burn_noise=8.0, gear=gear, speed=1200.0 if gear == 3 else 1400.0)
    found = [find_surge(as_log(drive_log.run(drive, seed=seed))) for seed in range(4)]
    frequency = np.mean([max(f.episodes, key=lambda e: e.si.end - e.si.start).si.frequency for f in found])
    assert frequency == pytest.approx(drive_log.own_frequency(drive), rel=0.03)


def test_surge_is_looked_for_between_gaps_only(driven: Driven) -> None:
    found = find_surge(as_log(driven("table", seed=3, gaps=((12.0, 13.5), (20.0, 20.9)))))
    assert [(round(e.si.start, 1), round(e.si.end, 1)) for e in found.episodes][1:] == [(13.5, 20.0), (20.9, 30.0)]
    assert found.episodes[0].si.end < 12.0


def test_acceleration_from_road_speed_agrees_with_that_logged(driven: Driven) -> None:
    drive = driven("table", seed=2)
    (by_road,), (logged,) = (find_surge(as_log(drive, *skip)).episodes for skip in (("acceleration",), ("road_speed",)))
    assert by_road.si.peak_to_peak == pytest.approx(logged.si.peak_to_peak, rel=0.02)
    assert by_road.si.weighted_rms == pytest.approx(logged.si.weighted_rms, rel=0.02)


def test_a_road_speed_in_whole_steps_tells_no_acceleration(driven: Driven) -> None:
    drive = driven("burn", seed=2)
    coarse = np.round(drive.logged["road_speed"] * 3.6) / 3.6
    log = as_log(drive, "acceleration").replace(road_speed=coarse)
    assert all(np.isnan(e.si.peak_to_peak) and e.grade is SurgeGrade.UNKNOWN and e.comfort == () for e in find_surge(log).episodes)


def test_how_it_feels_is_that_of_the_standard() -> None:
    t = np.arange(0.0, 40.0, 0.02)
    wave = np.sin(2.0 * np.pi * 3.0 * t)
    log = DriveLog.of(time=t, speed=22.0 + 0.5 * wave, pedal=np.full(len(t), 0.2), acceleration=0.1 + 0.3 * wave)
    (episode,) = find_surge(log).episodes
    # Its ends are within the first and last seconds, where the weighting settles; that costs less than a percent.
    assert episode.si.weighted_rms == pytest.approx(0.14219, rel=0.01)
    assert episode.si.backrest_rms == pytest.approx(0.8 * 0.3 / np.sqrt(2.0) * abs(weighting_factor(3.0, "Wc")), rel=0.01)
    assert episode.vibration_dose == pytest.approx(0.14219 * (1.5 * 40.0) ** 0.25, rel=0.02)
    assert (episode.grade, episode.comfort) == (SurgeGrade.DISTURBING, (ComfortReaction.NOT_UNCOMFORTABLE,))


@pytest.mark.parametrize("seed", SEEDS)
def test_once_per_cycle_is_combustion(driven: Driven, seed: int) -> None:
    found = find_surge(as_log(driven("weak cylinder", seed=seed)))
    assert found.episodes == ()
    (line,) = found.combustion
    assert line.kind is SwingKind.ONCE_PER_CYCLE
    assert line.si.frequency == pytest.approx(line.si.speed / 2.0, rel=0.04)
    assert line.note is EpisodeNote.COMBUSTION_LINE
    assert "once-per-cycle line of combustion" in describe(line)


def test_alternate_cycles_are_combustion_unless_the_driveline_is_there() -> None:
    t = np.arange(0.0, 30.0, 0.02)
    log = DriveLog.of(time=t, speed=20.0 + 0.5 * np.sin(2.0 * np.pi * 5.0 * t), pedal=np.full(len(t), 0.2), gear=np.full(len(t), 3.0))
    assert [e.kind for e in find_surge(log).combustion] == [SwingKind.ALTERNATE_CYCLES]
    (episode,) = find_surge(log, modes={3: 5.3}).episodes
    assert (episode.note, episode.line) == (EpisodeNote.LINE_COINCIDES, SwingKind.ALTERNATE_CYCLES)
    assert "the two look alike" in " ".join(describe(episode).split())
    assert find_surge(log, modes={3: 6.0}).episodes == ()


def test_a_line_above_half_the_sampling_rate_is_known_where_it_folds_down() -> None:
    """1500 rpm: 12.5 Hz once per cycle, seen at 7.5 Hz by 20 rows a second."""
    t = np.arange(0.0, 30.0, 0.05)
    log = DriveLog.of(time=t, speed=25.0 + 0.5 * np.sin(2.0 * np.pi * 12.5 * t), pedal=np.full(len(t), 0.2))
    assert [(e.kind, round(e.si.frequency, 1)) for e in find_surge(log).combustion] == [(SwingKind.ONCE_PER_CYCLE, 7.5)]


def test_speed_that_is_only_rough_is_no_surge() -> None:
    """Torque that varies at random makes speed swing the less the faster: 36 rpm r.m.s. with a corner at 2 Hz."""
    t, kept = np.arange(0.0, 60.0, 0.02), np.exp(-2.0 * np.pi * 2.0 * 0.02)
    rough = lfilter([0.6 * np.sqrt(1.0 - kept**2)], [1.0, -kept], np.random.default_rng(5).normal(size=len(t)))
    found = find_surge(DriveLog.of(time=t, speed=25.0 + rough, pedal=np.full(len(t), 0.2)))
    assert found.episodes == ()
    assert {e.kind for e in found.combustion} == {SwingKind.NO_SINGLE_FREQUENCY}


@pytest.mark.parametrize(("rate", "said"), [(1.0, "too few to see surge"), (10.0, "show 0.5 to 4 Hz only"), (50.0, "")])
def test_the_band_that_sampling_leaves_is_said(rate: float, said: str) -> None:
    t = np.arange(0.0, 40.0, 1.0 / rate)
    found = find_surge(DriveLog.of(time=t, speed=np.full(len(t), 22.0), pedal=np.full(len(t), 0.2)))
    assert found.si.highest == pytest.approx(min(16.0, 0.4 * rate))
    assert said in describe(found)


def test_high_speed_and_full_throttle_are_not_looked_at(driven: Driven) -> None:
    log = as_log(driven("table", seed=1))
    assert find_surge(log, below="1000 rpm").si.looked_at == 0.0
    assert find_surge(log.replace(pedal=np.full(len(log.si.time), 0.9))).episodes == ()
    assert "not enough to judge by" in describe(find_surge(log, below="1000 rpm"))


def test_findings_become_plain_data(driven: Driven) -> None:
    found = find_surge(as_log(driven("table", seed=1)))
    data = found.to_dict()
    assert data["episodes"][0]["frequency"]["unit"] == "Hz"
    assert data["episodes"][0]["grade"] == {"code": "severe_bucking", "text": "severe bucking"}
    assert data["share"] == pytest.approx(found.share)
    assert "our grade" in describe(found)


# Properties.


def same(one: SurgeFindings, other: SurgeFindings, *, shift: float = 0.0, within: float, rel: float) -> None:
    assert len(one.episodes) == len(other.episodes) > 0
    for a, b in zip(one.episodes, other.episodes, strict=True):
        assert (b.si.start - shift, b.si.end - shift) == pytest.approx((a.si.start, a.si.end), abs=within)
        assert (b.si.frequency, b.si.speed_amplitude, b.si.peak_to_peak) == pytest.approx((a.si.frequency, a.si.speed_amplitude, a.si.peak_to_peak), rel=rel)


@hypothesis.given(shift=strategies.floats(-1e4, 1e4), kind=strategies.sampled_from(["table", "burn"]))
@hypothesis.settings(max_examples=15)
def test_blind_to_time_shift(driven: Driven, shift: float, kind: str) -> None:
    log = as_log(driven(kind, seed=1))
    same(find_surge(log), find_surge(log.replace(time=log.si.time + shift)), shift=shift, within=1e-6, rel=1e-6)


@pytest.mark.parametrize("unit", ["ms", "min", "s"])
@pytest.mark.parametrize(("speed", "factor"), [("rpm", 1.0), ("rev/s", 1.0 / 60.0)])
def test_blind_to_units(driven: Driven, tmp_path: Path, unit: str, speed: str, factor: float) -> None:
    drive = driven("table", seed=2)
    names = {"time": f"time [{unit}]", "speed": f"engine speed [{speed}]", "acceleration": "acceleration [g]", "pedal": "pedal [%]", "load": "load [psi]"}
    scales = {"time": {"ms": 1e3, "min": 1.0 / 60.0, "s": 1.0}[unit], "speed": factor, "acceleration": 1.0 / 9.80665, "pedal": 100.0, "load": 0.145037738}
    scaled = drive_log.Log({n: drive.logged[n] * scales[n] for n in names}, drive.true, drive.drive)
    log = read_log(scaled.write_csv(tmp_path / "log.csv", names, decimals=9))
    same(find_surge(as_log(drive)), find_surge(log), within=0.02, rel=1e-4)


@hypothesis.given(rate=strategies.floats(45.0, 200.0), start=strategies.floats(0.0, 0.02))
@hypothesis.settings(max_examples=15)
def test_blind_to_resampling(rate: float, start: float) -> None:
    """A burst whose content lies within the band, sampled anew: the same episode within a sample of the coarser log."""

    def log(times: np.ndarray) -> DriveLog:
        size = 0.6 / (1.0 + np.exp(-4.0 * (times - 8.0))) / (1.0 + np.exp(4.0 * (times - 22.0)))
        wave = size * np.sin(2.0 * np.pi * 3.1 * times)
        return DriveLog.of(time=times, speed=22.0 + wave, pedal=np.full(len(times), 0.2), acceleration=wave)

    same(find_surge(log(np.arange(0.0, 30.0, 0.01))), find_surge(log(np.arange(start, 30.0, 1.0 / rate))), within=1.0 / 45.0, rel=5e-3)


def test_blind_to_resampling_of_a_drive(driven: Driven) -> None:
    """A drive's own log, smooth enough to be sampled anew by a spline."""
    drive = driven("table", seed=2, rate=100.0, noise=0.0)
    one = as_log(drive)
    t = np.arange(one.si.time[0], one.si.time[-1], 0.0151)
    channels: dict[str, Any] = {name: CubicSpline(one.si.time, one.values(name))(t) for name in ("speed", "acceleration", "pedal")}
    same(find_surge(one), find_surge(DriveLog.of(time=t, **channels)), within=0.0151, rel=5e-3)


@pytest.mark.parametrize("share", [0.02, 0.05, 0.079])
def test_a_light_pedal_held_steady_is_cruise_and_it_is_said(share: float) -> None:
    t = np.arange(0.0, 20.0, 0.02)
    log = DriveLog.of(time=t, speed=np.full(len(t), 25.0), pedal=np.full(len(t), share))
    held = find_surge(log)
    assert held.si.looked_at > 18.0
    assert ManoeuvreKind.OVERRUN not in held.counts()
    assert FinderNote.PEDAL_NEVER_OFF in held.notes
    assert "is taken as held" in describe(held)
    let_off = log.replace(pedal=np.where(t < 1.0, 0.0, share))
    assert find_surge(let_off).si.looked_at > 10.0
    assert FinderNote.PEDAL_NEVER_OFF not in find_surge(let_off).notes


@pytest.mark.parametrize("floor", [0.0, 0.03, 0.06])
@pytest.mark.parametrize("where", ["overrun", "idle"])
def test_a_pedal_that_never_closes_fully_has_its_own_floor(floor: float, where: str) -> None:
    t = np.arange(0.0, 30.0, 0.02)
    let_off = t > 15.0
    speed = np.where(let_off, 30.0 - 0.6 * (t - 15.0) if where == "overrun" else 14.0, 30.0)
    speed = speed if where == "overrun" else np.where((t > 15.0) & (t < 18.0), 30.0 - 16.0 / 3.0 * (t - 15.0), speed)
    log = DriveLog.of(time=t, speed=speed - (12.0 * (t > 15.0) * (t - 15.0) / 15.0 if where == "overrun" else 0.0), pedal=np.where(let_off, floor, 0.2))
    kinds = find_surge(log).counts()
    assert {ManoeuvreKind.OVERRUN, ManoeuvreKind.IDLE} & set(kinds)
    assert FinderNote.PEDAL_NEVER_OFF not in find_surge(log).notes


@pytest.mark.parametrize("frequency", [1.3, 2.3, 4.1])
@pytest.mark.parametrize("size", [0.05, 0.2, 0.35])
def test_bucking_however_violent_is_no_gear_change(frequency: float, size: float) -> None:
    """Engine speed swings by up to a third of itself over a road speed that does not: no gear, no clutch logged."""
    t = np.arange(0.0, 40.0, 0.02)
    wave = np.where((t > 8.0) & (t < 32.0), np.sin(2.0 * np.pi * frequency * t), 0.0)
    log = DriveLog.of(time=t, speed=22.0 * (1.0 + size * wave), road_speed=np.full(len(t), 6.0), pedal=np.full(len(t), 0.2))
    found = find_surge(log)
    assert ManoeuvreKind.GEAR_CHANGE not in found.counts()
    assert found.si.surging > 20.0
    assert found.episodes[0].si.frequency == pytest.approx(frequency, rel=0.02)


@pytest.mark.parametrize("step", [0.75, 0.86, 1.2])
def test_a_gear_change_without_a_gear_channel_is_one(step: float) -> None:
    """The engine falls, or rises, to another ratio within a quarter of a second."""
    t = np.arange(0.0, 30.0, 0.02)
    ratio = np.interp(t, [15.0, 15.25], [1.0, step])
    found = find_surge(DriveLog.of(time=t, speed=24.0 * ratio, road_speed=np.full(len(t), 6.0), pedal=np.full(len(t), 0.2)))
    (change,) = [m for m in found.manoeuvres if m.kind is ManoeuvreKind.GEAR_CHANGE]
    assert 14.9 < change.si.start < 15.9
    assert found.episodes == ()


@pytest.mark.parametrize(("step", "least"), [(1.0, 10.0), (10.0, 10.0), (20.0, 15.0), (25.0, 18.75)])
def test_steps_of_engine_speed_raise_what_can_be_called_surge(step: float, least: float) -> None:
    t = np.arange(0.0, 30.0, 0.02)
    wave = np.sin(2.0 * np.pi * 2.5 * t)

    def logged(size: float) -> DriveLog:
        return DriveLog.of(time=t, speed=np.round((1300.0 + step / 2.0 + size * wave) / step) * step / 60.0, pedal=np.full(len(t), 0.2))

    found = find_surge(logged(60.0))
    assert (60.0 * found.si.speed_step, 60.0 * found.si.least_swing) == (pytest.approx(step), pytest.approx(least))
    assert len(found.episodes) == 1
    small = find_surge(logged(3.0))
    assert small.episodes == ()
    assert (FinderNote.COARSE_SPEED in found.notes) == (least > 10.0)
    if least > 10.0:
        quiet = find_surge(logged(3.0))
        assert FinderNote.COARSE_SPEED in quiet.notes or quiet.si.speed_step == 0.0
        assert f"A swing below {least:.2g} rpm gets no answer at this resolution." in " ".join(describe(found).split())
