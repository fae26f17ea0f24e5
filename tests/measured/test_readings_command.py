"""From rows in a sheet to what people see: the command, the brief, the sheet that every command rests on, logs."""

from __future__ import annotations

import functools
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import camcalc as cc
from camcalc.advice.idle_balance import standing_balance
from camcalc.cli.main import main
from camcalc.logs import DriveLog
from camcalc.measured.design import Design
from camcalc.measured.from_log import steady_points
from camcalc.report.brief_page import brief_html
from camcalc.words.readings import steady_words
from tests.measured.make_cars import BUILD
from tests.plain_words import banned_in, long_sentences

ROWS = """
[[measured]]
what = "cranking"
cranking_pressure = "1310 kPa"

[[measured]]
what = "idle"
speed = "850 rpm"
spark = "22 crank_deg"
manifold_pressure = "{pressure} kPa +- 0.5 kPa"
air_flow = "6.8 g/s"
"""


@pytest.fixture
def sheet_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, allowed: Design) -> Any:
    """Give the path of the first example's sheet with an idle at a pressure [kPa]; its cars are the stored ones."""
    monkeypatch.setattr("camcalc.measured.learning.design_of", lambda *args, **options: allowed)

    def made(pressure: float) -> Path:
        text = BUILD.read_text(encoding="utf-8").replace('[spark]\ntable = "spark.csv"', "")
        path = tmp_path / f"own{pressure:.0f}.toml"
        path.write_text(text + ROWS.format(pressure=pressure), encoding="utf-8")
        return path

    return made


def test_the_command_shows_before_and_after_and_writes_the_sheet(sheet_with: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "learned.toml"
    assert main(["readings", str(sheet_with(58.0)), "--out", str(out)]) == 0
    text = capsys.readouterr().out
    assert "agree with the sheet" in text
    assert text.index("! ") < text.index("Headline figures before and after")
    assert not banned_in(text)
    assert not long_sentences(text.replace("│", ".").replace("┃", "."), most=60)
    learned = cc.load_build(out)
    assert learned.learned is not None
    assert learned.measured
    assert learned.learned.overlap != 1.0
    # What was written is the middle of what readings leave, so the same readings lie close by it.
    kind = cc.ResolvedEngine
    assert kind(learned).tolerances.friction == pytest.approx(learned.learned.friction)


def test_readings_that_contradict_write_nothing(sheet_with: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "learned.toml"
    assert main(["readings", str(sheet_with(92.0)), "--out", str(out)]) == 1
    shown = capsys.readouterr()
    assert "contradict the sheet" in shown.out
    assert "What may be wrong with the car" in shown.out
    assert "contradict" in shown.err
    assert not out.exists()


def test_the_data_are_read_back_as_they_were(sheet_with: Any, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["readings", str(sheet_with(58.0)), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    again = cc.Learning.from_dict(data)
    assert again.to_dict() == data
    assert again.plot().get_xlabel()
    assert cc.describe(again).splitlines()[0].startswith("! ")


def test_a_sheet_without_readings_says_how_to_get_rows(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["readings", str(BUILD)]) == 1
    assert "road-test BUILD --sheet" in capsys.readouterr().err


def test_rows_to_fill_in_are_rows_that_are_read_once_filled(capsys: pytest.CaptureFixture[str]) -> None:
    import tomllib

    from camcalc.sheet.measured_reading import read_measured
    from camcalc.sheet.section_reading import Problems

    assert main(["road-test", "examples/long-meadow/build.toml", "--sheet"]) == 0
    text = capsys.readouterr().out
    assert text.startswith("# ! ")
    filled = {"? kPa": "60 kPa", "? g/s": "9 g/s", "? m/s**2": "1 m/s**2", "? crank_deg": "22 crank_deg"}
    for mark, figure in filled.items():
        text = text.replace(mark, figure)
    rows, problems = tomllib.loads(text)["measured"], Problems()
    rows[0]["cranking_pressure"] = "1200 kPa"
    assert len(read_measured(rows, problems)) == len(rows) >= 5
    assert not problems.found


def logged(parts: list[tuple[float, float, float, float, float]]) -> DriveLog:
    """A log at 20 Hz: seconds, engine speed [rev/s], road speed [m/s], pressure [Pa], pedal of each part; noise on speed and pressure."""
    rng, rows = np.random.default_rng(2), [part for part in parts for _ in range(int(part[0] * 20.0))]
    speed, road, pressure, pedal = (np.array([row[k] for row in rows]) for k in (1, 2, 3, 4))
    count = len(rows)
    return DriveLog.of(
        time=np.arange(count) / 20.0,
        speed=speed * (1.0 + 0.01 * rng.normal(size=count)),
        spark=np.full(count, 22.0),
        load_kind="manifold pressure",
        load=pressure + 600.0 * rng.normal(size=count),
        road_speed=road,
        pedal=pedal,
        gear=np.where(road > 0.0, 4.0, 0.0),
    )


def test_what_is_steady_in_a_log_becomes_rows(build_of: Any) -> None:
    build = build_of("quarry-road")
    log = logged([(30.0, 14.0, 0.0, 58e3, 0.0), (12.0, 30.0, 0.0, 40e3, 0.2), (25.0, 26.0, 14.0, 47e3, 0.12), (6.0, 14.0, 0.0, 58e3, 0.0)])
    points = steady_points(log, build)
    idle = next(point for point in points if point.what == "idle")
    road = next(point for point in points if point.what == "road")
    assert idle.speed * 60.0 == pytest.approx(840.0, rel=0.01)
    assert idle.seconds == pytest.approx(35.0, abs=6.0)
    assert idle.read["manifold_pressure"][0] == pytest.approx(58e3, rel=0.005)
    assert road.gear == 4
    assert road.read["manifold_pressure"][0] == pytest.approx(47e3, rel=0.005)
    # A pedal held open at a standstill is no idle, and four seconds are too few.
    assert all(abs(point.speed - 30.0) > 1.0 for point in points)
    assert steady_points(logged([(4.0, 14.0, 0.0, 58e3, 0.0)]), build) == ()
    falling = logged([(1.0, 40.0 - k, 0.0, 58e3, 0.0) for k in range(25)])
    assert steady_points(falling, build) == ()


def every(log: DriveLog, rows: int) -> DriveLog:
    """A log of every so many rows."""
    return DriveLog.of(load_kind=log.load_kind, **{name: log.values(name)[::rows] for name in log.channels})


def test_what_keeps_a_log_from_being_read_is_named(build_of: Any) -> None:
    build, log = build_of("quarry-road"), logged([(40.0, 14.0, 0.0, 58e3, 0.0)])
    assert steady_points(log, build)
    slow = every(log, 20)
    assert steady_points(slow, build) == ()
    (text,) = steady_words((), slow)
    assert text == "# The log has 1 rows a second: too few to tell what is steady. Log 1.6 or more."
    # At the rate it asks for, the same drive is read.
    assert steady_points(every(log, 12), build)
    without = DriveLog.of(time=log.si.time, speed=log.si.speed, load=log.loads, load_kind=log.load_kind)
    assert "Log final spark" in steady_words((), without)[0]
    assert "Log one of them" in steady_words((), DriveLog.of(time=log.si.time, speed=log.si.speed, spark=log.si.spark))[0]
    assert "no 10 s of steady" in steady_words((), logged([(1.0, 40.0 - k, 0.0, 58e3, 0.0) for k in range(25)]))[0]


@pytest.mark.parametrize("channel", ["load", "pedal", "road_speed"])
@pytest.mark.parametrize(("first", "last"), [(0, 30), (210, 240), (100, 300)])
def test_a_hole_in_a_channel_leaves_what_lies_beside_it(build_of: Any, channel: str, first: int, last: int) -> None:
    """Warnings are errors here; five seconds are a hundred rows."""
    log = logged([(40.0, 14.0, 0.0, 58e3, 0.0)])
    values = {name: log.values(name).copy() for name in log.channels}
    values[channel][first:last] = np.nan
    (point,) = steady_points(DriveLog.of(load_kind=log.load_kind, **values), build_of("quarry-road"))
    assert point.what == "idle"
    assert point.read["manifold_pressure"][0] == pytest.approx(58e3, rel=0.005)
    assert 40.0 - (last - first) / 20.0 - 10.0 <= point.seconds <= 40.0 + 1e-9
    # Eleven rows in a window: a hole of five is half of it, with more than half of the window known.
    few = {name: log.values(name)[::9].copy() for name in log.channels}
    few[channel][:5] = np.nan
    assert len(steady_points(DriveLog.of(load_kind=log.load_kind, **few), build_of("quarry-road"))) == 1
    whole = {name: log.values(name).copy() for name in log.channels}
    whole[channel][:] = np.nan
    assert steady_points(DriveLog.of(load_kind=log.load_kind, **whole), build_of("quarry-road")) == ()


@pytest.mark.slow
def test_a_brief_rests_on_the_readings(tmp_path: Path, coarse: None, monkeypatch: pytest.MonkeyPatch) -> None:
    # By the tests' own engine, whose cars take seconds; only few of them.
    from camcalc.cycle.models import MODELS, SAMPLED
    from camcalc.measured.design import design_of

    monkeypatch.setitem(SAMPLED, "resolved", MODELS["coarse"])
    monkeypatch.setattr("camcalc.measured.learning.design_of", functools.partial(design_of, power=4, faults=False))
    text = BUILD.read_text(encoding="utf-8").replace('[spark]\ntable = "spark.csv"', "")
    row = '\n[[measured]]\nwhat = "idle"\nspeed = "850 rpm"\nspark = "22 crank_deg"\nmanifold_pressure = "PRESSURE kPa +- 0.3 kPa"\n'
    plain = cc.load_build(BUILD)
    pressure = standing_balance(MODELS["coarse"](plain), 850.0 / 60.0, 22.0).mean.manifold_pressure
    (tmp_path / "own.toml").write_text(text + row.replace("PRESSURE", f"{pressure / 1e3 - 1.0:.2f}"), encoding="utf-8")
    build = cc.load_build(tmp_path / "own.toml")
    brief = cc.make_brief(build, cures=False, curves=False)
    assert brief.readings is not None
    assert brief.readings.learned is not None
    assert brief.build.learned == brief.readings.learned
    assert brief.sure is not None
    # The idle lies where it was read, and its band is that of the draws that the readings left.
    nominal = brief.sure.nominal["vacuum"]
    assert abs(nominal - (101.3e3 - pressure)) < 4e3
    assert brief.sure.samples == len(brief.readings.draws)
    assert type(brief).from_dict(brief.to_dict()).to_dict() == brief.to_dict()
    # Screen and page say so before the first answer.
    for shown in (cc.describe(brief), brief_html(brief)):
        said, first = shown.index("Figures rest on 1 reading of this car, which agrees"), shown.index("1. Idle, warm")
        assert said < first
