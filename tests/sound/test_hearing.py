"""Idles and drives that are heard: figures of the same run, the cases of sliders, the trap, the same seed and the same bytes."""

from __future__ import annotations

import io
import json
import wave
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from camcalc import InputError, NoSolutionError, QuickEngine, describe, hear_build, hear_drive, hear_idle, read_table, simulate_drive
from camcalc.advice.idle import idle_state
from camcalc.cli.main import main
from camcalc.cycle.engine_tables import engine_tables
from camcalc.cycle.models import MODELS
from camcalc.drive.drive_run import Driver
from camcalc.drive.engine_loop import engine_side_of
from camcalc.drive.run_setup import FEET, SHAKERS, Foot, Shaker
from camcalc.report.hear_page import CAUTIONS, hear_html, wave_files
from camcalc.sound import cases
from camcalc.sound.cases import ALL_LAST, HeardBuild, Slider
from camcalc.sound.firings import firings_of
from camcalc.sound.hearing import IDLE_LASTS, about_idle
from camcalc.sound.levels import FULL_SCALE, PEAK, root_mean_square
from camcalc.tables.proposed import level_table
from camcalc.words.sound import drive_head, idle_head, speeds_words, trap_words
from tests.plain_words import banned_in, long_sentences

Make = Callable[..., Any]
Said = pytest.CaptureFixture[str]
ROOT = Path(__file__).resolve().parents[2]
SHEET = str(ROOT / "examples" / "dockside" / "build.toml")
TABLE = ["--table", str(ROOT / "examples" / "dockside" / "spark.csv")]


@pytest.fixture(scope="module")
def heard(heard_of: Callable[[str], HeardBuild]) -> HeardBuild:
    return heard_of("dockside")


# --- one idle, one drive


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(build_of: Make) -> None:
    build = build_of("dockside")
    first, again, other = (hear_idle(build, duration="2 s", seed=seed, engine=QuickEngine(build)).sound.wave(0.1) for seed in (1, 1, 2))
    assert first == again
    assert first != other


def test_an_idle_is_heard_from_the_run_that_its_figures_are_of(build_of: Make) -> None:
    build = build_of("dockside")
    engine = QuickEngine(build)
    found, state = hear_idle(build, duration="3 s", engine=engine), idle_state(engine)
    si = found.si
    assert (si.spark, si.manifold_vacuum) == pytest.approx((state.si.spark, state.si.manifold_vacuum), rel=1e-6)
    assert si.expected == pytest.approx(state.si.missed_per_minute, rel=1e-6)
    # Missed cycles come as a Poisson process, about: three standard deviations.
    minutes = IDLE_LASTS / 60.0
    assert abs(60.0 * minutes * (si.missed - si.expected)) < 3.0 * np.sqrt(60.0 * minutes * si.expected) + 1.0
    assert si.slowest < si.speed < si.fastest
    assert found.firings.duration == 3.0
    assert found.lines.si.time.size == 150
    assert not np.isfinite(found.lines.si.acceleration).any()
    assert 1.0 / found.firings.si.interval.mean() == pytest.approx(2.0 * si.speed, rel=0.05)
    assert describe(found).splitlines()[0] == f"cam: {build.cam.name}"


def test_more_spark_misses_more(build_of: Make) -> None:
    build = build_of("dockside")
    engine = QuickEngine(build)
    less, own, more = (hear_idle(build, spark_change=f"{by} crank_deg", engine=engine) for by in (-4, 0, 4))
    assert less.si.expected < own.si.expected < more.si.expected
    assert less.si.missed < more.si.missed
    assert (less.verdict, more.verdict) == (None, None)
    assert own.verdict is not None


def test_an_idle_that_is_none_keeps_the_lowest_one(build_of: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    def none(*_: Any, **__: Any) -> Any:
        raise NoSolutionError("the engine cannot idle", reachable=1020.0)

    monkeypatch.setattr(cases, "hear_idle", none)
    build = build_of("dockside")
    found = cases._heard_idles(cases._idles_of(build, 3), build, QuickEngine(build), QuickEngine, {}, lambda share: None)
    assert len(found) == 10
    assert [case.heard for case in found] == [None] * 10
    assert [60.0 * case.si.lowest for case in found] == pytest.approx([1020.0] * 10)


def test_an_idle_too_slow_for_a_run_is_one_case_without_a_sound(build_of: Make) -> None:
    build = build_of("dockside")
    slow = build.replace(idle=build.idle.replace(speed="360 rpm"))
    (own, *others) = cases._heard_idles(cases._idles_of(slow, 1), slow, QuickEngine(slow), QuickEngine, {"duration": "1 s"}, lambda share: None)
    assert own.too_slow
    assert own.heard is None
    assert idle_head(own) == "No sound: 360 rpm is too slow. Runs over time are worked out from 500 rpm up."
    assert not any(case.too_slow for case in others if 60.0 * case.si.speed >= 500.0)


def test_a_new_cam_that_does_not_idle_is_said_first(heard: HeardBuild) -> None:
    silent = tuple(case.replace(heard=None) if case.slider is Slider.NONE else case for case in heard.idles)
    lines = trap_words(heard.replace(idles=silent))
    assert lines[1].startswith("New cam: No sound: the engine does not idle at")
    assert lines[2].startswith("Old cam:")


def test_a_drive_with_its_fuel_cut_is_no_drive_to_hear(build_of: Make, monkeypatch: pytest.MonkeyPatch) -> None:
    """A car that rolls faster than the pedal asks for drives its engine: nothing burns, nothing is smooth."""
    build, real = build_of("dockside"), cases.hear_drive
    engine = QuickEngine(build)
    table = read_table(ROOT / "examples" / "dockside" / "spark.csv")

    def cut(*given: Any, **named: Any) -> Any:
        return real(*given, **named).replace(cut=0.3)

    monkeypatch.setattr(cases, "hear_drive", cut)
    found = hear_build(build, table, positions=1, shaped=False, engine_of=lambda _: engine)
    assert [case.heard for case in found.drives] == [None, None]
    assert found.shares is None
    assert "fuel cut" in drive_head(found.drives[0])


def test_the_fuel_cut_of_a_drive_is_that_of_its_run(build_of: Make) -> None:
    build = build_of("dockside")
    table = read_table(ROOT / "examples" / "dockside" / "spark.csv")
    tables = engine_tables(QuickEngine(build), np.arange(700.0, 3601.0, 400.0) / 60.0, np.linspace(15e3, 95e3, 9), np.array([2.0, 20.0, 40.0]))
    closed, held = (
        hear_drive(build, table, gear=3, speed="2600 rpm", driver=driver, duration="3 s", engine_tables=tables) for driver in ("closed pedal", "speed hold")
    )
    assert closed.si.cut > 0.5
    assert held.si.cut == 0.0


def test_a_sentence_ends_once_whether_the_mean_is_said_or_not(heard: HeardBuild) -> None:
    case = next(case for case in heard.idles if case.heard is not None and not case.heard.stalled)
    assert case.heard is not None
    for off in (0.0, 30.0):
        head = idle_head(case.replace(heard=case.heard.replace(runs_at=case.heard.si.speed - off / 60.0)))
        assert ".." not in head
        assert (" about " in head) is (off > 0.0)


def test_a_converter_is_said_to_be_locked(heard: HeardBuild) -> None:
    assert not any("locked" in line for line in trap_words(heard))
    locked = heard.replace(converter=True)
    assert any("converter locked" in line for line in trap_words(locked))
    assert speeds_words(locked).startswith("On the level road, converter locked, judged at 900, 1000")


def test_files_are_named_by_what_they_are_of_and_listed(heard: HeardBuild) -> None:
    files = wave_files(heard)
    assert {"speed_hold-yours-0.wav", "speed_hold-yours-100.wav", "speed_hold-yours-200.wav", "tip_in-yours-100.wav"} <= set(files)
    for case in heard.idles:
        if case.slider is Slider.LOBE_SEPARATION and case.heard is not None:
            assert f"idle-lobe_separation-{case.lobe_separation.to('cam_deg').magnitude:g}.wav" in files
        if case.slider is Slider.ADVANCE and case.heard is not None:
            assert f"idle-advance{case.si.advance:+g}.wav" in files
    listed = files["sounds.txt"].decode().splitlines()
    assert {line.partition(":")[0] for line in listed if ".wav: " in line} == {name for name in files if name.endswith(".wav")}


def test_a_page_and_its_sounds_do_not_share_a_path(tmp_path: Path, capsys: Said) -> None:
    same = str(tmp_path / "heard")
    assert main(["hear", SHEET, *TABLE, "--html", same, "--wav", same]) == 1
    assert "a folder of its own" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_no_position_of_the_idle_speed_is_outside_what_a_sheet_may_ask_for(build_of: Make) -> None:
    build = build_of("dockside")
    slow = build.replace(idle=build.idle.replace(speed="400 rpm"))
    speeds = sorted(round(60.0 * one.speed) for one in cases._idles_of(slow, 5) if one.slider is Slider.IDLE_SPEED)
    assert speeds == [500, 600]


@pytest.mark.parametrize("given", [{"duration": "0.2 s"}, {"spark_change": "30 crank_deg"}, {"speed": "9 rpm"}], ids=lambda given: next(iter(given)))
def test_what_cannot_be_is_refused(build_of: Make, given: dict[str, Any]) -> None:
    with pytest.raises(InputError, match=next(iter(given))):
        hear_idle(build_of("dockside"), engine=QuickEngine(build_of("dockside")), **given)


def test_a_drive_is_felt_as_the_same_drive_is(build_of: Make) -> None:
    """The grade and the acceleration are those of ``simulate_drive``: nothing is judged twice."""
    build, table = build_of("quarry-road"), read_table(ROOT / "examples" / "quarry-road" / "spark.csv")
    tables = engine_tables(QuickEngine(build), np.array([14.0, 22.0, 35.0]), np.linspace(20e3, 95e3, 9), np.array([10.0, 25.0, 40.0]))
    given: dict[str, Any] = {"gear": 2, "speed": "1400 rpm", "driver": "speed hold", "foot": "usual", "engine_tables": tables}
    found = hear_drive(build, table, duration="4 s", **given)
    run = simulate_drive(build, table, duration="16.1 s", sample_time="2 ms", **given).after(4.0)
    assert (found.si.shake, found.si.peaks) == (run.shake, run.peaks)
    assert found.verdict is run.verdict
    # Its lines are the run's, a row in ten.
    rows = found.lines.si
    assert rows.speed == pytest.approx(run.si.speed[: 10 * rows.time.size : 10], rel=1e-12)
    assert rows.acceleration[1:] == pytest.approx(np.diff(run.si.road_speed[: 10 * rows.time.size : 10]) / 0.02, abs=1e-9)
    assert describe(found).splitlines()[0] == "drive: cruise at a held speed"


def test_a_tip_in_is_heard_from_a_second_before_the_pedal(build_of: Make) -> None:
    build, table = build_of("quarry-road"), read_table(ROOT / "examples" / "quarry-road" / "spark.csv")
    tables = engine_tables(QuickEngine(build), np.array([14.0, 22.0, 35.0]), np.linspace(20e3, 95e3, 9), np.array([10.0, 25.0, 40.0]))
    found = hear_drive(build, table, gear=2, speed="1400 rpm", driver="tip-in", foot="steady", duration="4 s", engine_tables=tables)
    speed = found.lines.si.speed
    assert abs(speed[:45] * 60.0 - 1400.0).max() < 40.0
    assert speed[-1] > speed[0] + 1.0


def test_every_driver_has_words_and_neutral_is_no_gear(build_of: Make) -> None:
    build, table = build_of("quarry-road"), read_table(ROOT / "examples" / "quarry-road" / "spark.csv")
    tables = engine_tables(QuickEngine(build), np.array([14.0, 22.0, 35.0]), np.linspace(20e3, 95e3, 9), np.array([10.0, 25.0, 40.0]))
    for driver in Driver:
        found = hear_drive(build, table, gear=3, speed="1500 rpm", driver=driver, duration="2 s", engine_tables=tables)
        assert describe(found).startswith("drive: ")
    with pytest.raises(InputError, match="gear"):
        hear_drive(build, table, gear=0, speed="1500 rpm", engine_tables=tables)


@pytest.mark.slow
def test_missed_cycles_of_integrated_cycles_are_firings_without_work(resolved_of: Make) -> None:
    """The long cam's idle by its own maps: each missed cycle of the run is one firing, and the interval it is given lacks the work."""
    engine = resolved_of("quarry-road")
    state = idle_state(engine).si
    tables, table = about_idle(engine, state.speed, state.manifold_pressure, state.spark), level_table(state.spark)
    given: dict[str, Any] = {"gear": 0, "speed": f"{60.0 * state.speed} rpm", "duration": "120 s", "sample_time": "2 ms", "engine_tables": tables}
    run = simulate_drive(engine.build, table, **given)
    firings = firings_of(run, engine.build, table, engine_side_of(engine.build, tables))
    # Closings of the last cycle have no firing in the run yet.
    assert 0 <= run.missed.sum() - firings.missed.sum() <= 1
    at = np.flatnonzero(firings.missed > 0.0)
    at = at[(at > 9) & (at < firings.missed.size - 9)]
    assert at.size > 30
    mean = {k: float(firings.si.work[at + k].mean()) for k in range(-2, 4)}
    usual = float(firings.si.work.mean())
    # Most of what a burn gives falls in its own interval, the rest in the next, and nothing in others.
    burn = float(firings.si.burn[firings.missed == 0.0].mean())
    assert min(mean, key=lambda k: mean[k]) == 0
    assert usual - mean[0] > 0.5 * burn
    assert (usual - mean[0]) + (usual - mean[1]) == pytest.approx(burn, rel=0.15)
    for k in (-2, -1, 2, 3):
        assert abs(mean[k] - usual) < 0.15 * burn
    # Once that is put back, the firing after a missed one is as strong as any.
    assert firings.si.burn[at + 1][firings.missed[at + 1] == 0.0].mean() == pytest.approx(burn, rel=0.15)


# --- all cases of a build


def test_every_slider_has_its_positions_one_thing_changed_at_a_time(heard: HeardBuild) -> None:
    own = heard.idles[0].si
    by = {slider: [case.si for case in heard.idles if case.slider is slider] for slider in Slider}
    assert {slider: len(cases) for slider, cases in by.items()} == {
        Slider.NONE: 1, Slider.REPLACED_CAM: 1, Slider.LOBE_SEPARATION: 2, Slider.ADVANCE: 2, Slider.IDLE_SPEED: 2, Slider.IDLE_SPARK: 2
    }  # fmt: skip
    names = {Slider.LOBE_SEPARATION: "lobe_separation", Slider.ADVANCE: "advance", Slider.IDLE_SPEED: "speed", Slider.IDLE_SPARK: "spark_change"}
    for slider, name in names.items():
        for case in by[slider]:
            assert getattr(case, name) != pytest.approx(getattr(own, name), abs=0.5)
            assert [getattr(case, other) for other in names.values() if other != name] == pytest.approx(
                [getattr(own, other) for other in names.values() if other != name], abs=1e-9
            )
        low, high = sorted(getattr(case, name) for case in by[slider])
        assert low + high == pytest.approx(2.0 * getattr(own, name), abs=1e-9)


def test_drives_are_at_the_gears_own_limit_on_tables_of_one_spark_there(heard: HeardBuild) -> None:
    (road,) = (gear for gear in heard.gears if gear.gear == heard.gear)
    at = float(road.si.speed[max(road.last_bad, 0)])
    found = [case.heard for case in heard.drives if case.heard is not None]
    assert len(found) == 6
    assert [one.si.speed for one in found] == pytest.approx([at] * 6, rel=1e-9)
    assert np.ptp([one.si.spark for one in found]) < 1.0
    steep = [case.si.steepness for case in heard.drives if case.driver is Driver.SPEED_HOLD]
    assert steep == [0.0, 1.0, 2.0]
    level, own, double = (one.si.spark_swing for one in found[:3])
    assert level < 1e-6
    assert own < double


def test_the_shares_are_the_records_own(heard: HeardBuild) -> None:
    (road,) = (gear for gear in heard.gears if gear.gear == heard.gear)
    k, shares = max(road.last_bad, 0), heard.shares
    assert shares is not None
    adds = dict(zip(SHAKERS, road.si.adds[:, k], strict=True))
    expected = [adds[Shaker.BURN], adds[Shaker.MISSED], adds[Shaker.TABLE], adds[Shaker.FUEL], road.si.on_level[k]]
    assert [shares.si.burn, shares.si.missed, shares.si.table, shares.si.fuel, shares.si.on_level] == expected
    steady, usual = (road.si.driven[FEET.index(foot), k] for foot in (Foot.STEADY, Foot.USUAL))
    assert shares.si.foot**2 == pytest.approx(max(usual**2 - steady**2, 0.0), abs=1e-12)


def test_all_sounds_have_one_level_below_full_scale(heard: HeardBuild) -> None:
    waves = {name: data for name, data in wave_files(heard).items() if name.endswith(".wav")}
    assert len(waves) == len(heard.sounds) == 16
    levels, peaks = [], []
    for data in waves.values():
        with wave.open(io.BytesIO(data)) as file:
            assert file.getnframes() / file.getframerate() == heard.si.duration
            samples = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2") / FULL_SCALE
        levels.append(root_mean_square(samples))
        peaks.append(float(np.abs(samples).max()))
    assert levels == pytest.approx([heard.gain] * len(levels), rel=1e-3)
    assert max(peaks) == pytest.approx(PEAK, abs=2.0 / FULL_SCALE)
    assert sum(one.si.time.size / one.rate for one in heard.sounds) <= ALL_LAST


def test_the_trap_is_named_with_the_figures_of_idle_and_road(heard: HeardBuild) -> None:
    text = describe(heard)
    lines = text.splitlines()
    assert lines[0] == "A right sound at idle is no verdict on the road."
    new, old = heard.idle(Slider.NONE), heard.idle(Slider.REPLACED_CAM)
    assert new is not None
    assert old is not None
    for line, case in zip(lines[1:3], (new, old), strict=True):
        assert case.heard is not None
        assert f"at {60.0 * case.si.speed:.0f} rpm. Its speed swings by {60.0 * case.heard.si.speed_swing:.0f} rpm r.m.s." in line
    for gear in heard.gears:
        if gear.last_bad >= 0:
            assert f"{60.0 * gear.bad_below:.0f} rpm in gear {gear.gear}" in lines[3]


def test_the_words_are_plain(heard: HeardBuild) -> None:
    text = describe(heard)
    assert long_sentences(text) == []
    assert banned_in(text) == []


def test_five_positions_stay_under_the_pages_size(heard: HeardBuild) -> None:
    """As many cases as five positions have, each as long as would fit then: sounds take 4/3 bytes as text."""
    idles, drives = 2 + 4 * 4, 2 * (5 + 1)
    length = min(6.0, np.floor(2.0 * ALL_LAST / (idles + drives)) / 2.0)
    rest = len(hear_html(heard)) - sum(len(data) for data in wave_files(heard).values()) * 4 / 3
    assert (idles + drives) * length * 8000 * 2 * 4 / 3 + rest / len(heard.sounds) * (idles + drives) < 3e6


def test_an_engine_that_does_not_idle_there_has_no_sound_and_says_so(heard: HeardBuild) -> None:
    silent = heard.idles[0].replace(heard=None, lowest=15.0)
    page = hear_html(heard.replace(idles=(silent, *heard.idles[1:])))
    assert "No sound: the engine does not idle at 950 rpm here. The lowest idle found is 900 rpm." in page
    assert page.count("<audio") == len(heard.sounds) - 1


def test_an_engine_that_stalls_says_so_and_shows_no_figures_of_a_run(heard: HeardBuild) -> None:
    own = heard.idles[0]
    assert own.heard is not None
    stalled = own.replace(heard=own.heard.replace(stalled=True))
    page = hear_html(heard.replace(idles=(stalled, *heard.idles[1:])))
    assert "at 950 rpm: the engine stalls." in page
    assert "nan" not in describe(stalled.heard)


def test_the_positions_and_the_gear_are_checked_first(build_of: Make) -> None:
    build, table = build_of("dockside"), level_table(25.0)
    with pytest.raises(InputError, match="1, 3 or 5"):
        hear_build(build, table, positions=2)
    with pytest.raises(InputError, match="gear"):
        hear_build(build, table, gear=9, engine_of=MODELS["coarse"])


# --- the command


def test_the_command_writes_page_and_sounds_and_replaces_nothing(tmp_path: Path, capsys: Said, coarse: None) -> None:
    page, folder = tmp_path / "page.html", tmp_path / "sounds"
    words = ["hear", SHEET, *TABLE, "--positions", "1", "--no-shaped", "--html", str(page), "--wav", str(folder), "--json"]
    assert main(words) == 0
    said = capsys.readouterr()
    data = json.loads(said.out)
    assert set(CAUTIONS) <= set(data["cautions"])
    assert {case["slider"]["code"] for case in data["idles"]} == {"none", "replaced_cam"}
    assert {(case["on"]["code"], case["driver"]["code"]) for case in data["drives"]} == {("yours", "speed_hold"), ("yours", "tip_in")}
    assert "sound" not in data["idles"][0]["heard"]
    names = ["idle-replaced_cam.wav", "idle.wav", "sounds.txt", "speed_hold-yours-100.wav", "tip_in-yours-100.wav"]
    assert sorted(path.name for path in folder.iterdir()) == names
    assert page.read_text(encoding="utf-8").count("<audio") == 4
    assert main(words) == 1
    assert "is there already" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("more", "said"),
    [(["--gear", "12"], "gear"), (["--pipe", "12 kg"], "--pipe"), (["--table", "no-such.csv"], "no-such.csv"), (["--html", SHEET, "--force"], "no input")],
)
def test_what_cannot_be_ends_the_command_before_the_work(more: list[str], said: str, capsys: Said) -> None:
    assert main(["hear", SHEET, *TABLE, *more]) == 1
    assert said in capsys.readouterr().err

