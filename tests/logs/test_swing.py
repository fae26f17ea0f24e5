"""Swings of load and speed signals: what was injected must be measured, to within the doubt that is stated with it."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.signal import lfilter

from camcalc import Build, QuickEngine, SparkTable, load_build
from camcalc.cli.main import main
from camcalc.cycle.engine_tables import FIELDS, EngineTables, engine_tables
from camcalc.drive.drive_run import simulate_drive
from camcalc.errors import InputError
from camcalc.logs import DriveLog, SignalSwing, find_surge, measure_swing, read_log, review_log
from camcalc.logs.share_in_log import seen_share
from camcalc.logs.signals import LOWEST, ORDER
from camcalc.logs.surge_finder import AROUND
from camcalc.logs.swing import NoLoadJitter, SwingDoubt
from camcalc.words import describe
from tests.oracles import drive_log

from .conftest import as_log, as_table

Array = NDArray[np.float64]

# A right figure strays more than this many of its standard errors once in some ten thousand times.
DOUBTS = 4.0
EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
FLAT = drive_log.Drive(cells=drive_log.FLAT, load_noise=1.5, seconds=90.0)
SURGING = dataclasses.replace(drive_log.DRIVES["table"], load_noise=1.5, seconds=90.0)
SAMPLING: list[dict[str, Any]] = [{"rate": 50.0}, {"rate": 20.0}, {"rate": 10.0}, {"rate": 25.0, "uneven": 0.4}]


def injected(drive: drive_log.Drive, rate: float, line: float = 0.0) -> float:
    """R.m.s. [kPa] of the generator's noise of the load, less the trend and the band of the surge: its spectrum, folded, integrated."""
    lag, step = drive_log.SENSOR_LAG, drive_log.STEP
    whole = drive.load_noise**2 / (1.0 - step / (2.0 * lag))

    def left(f: float) -> float:
        folds = [f + rate * k for k in range(-30, 31)]
        gain = 1.0 / (1.0 + (LOWEST / f) ** ORDER)
        if line:
            low, high = (1.0 - AROUND) * line, (1.0 + AROUND) * line
            gain *= 1.0 - 1.0 / ((1.0 + (low / f) ** ORDER) * (1.0 + (f / high) ** ORDER))
        return gain**2 * sum(4.0 * lag / (1.0 + (2.0 * math.pi * g * lag) ** 2) for g in folds)

    return math.sqrt(whole * quad(left, 1e-3, rate / 2.0, limit=200)[0])


@pytest.mark.parametrize("how", SAMPLING, ids=str)
def test_noise_of_both_signals_is_measured_as_it_was_injected(how: dict[str, Any]) -> None:
    swing = measure_swing(as_log(drive_log.run(FLAT, seed=3, **how)))
    white = 1.5 * math.sqrt(1.0 - LOWEST / (how["rate"] / 2.0))
    assert swing.samples.size >= 1
    for k in range(swing.samples.size):
        assert swing.load_rest[k] / 1e3 == pytest.approx(injected(FLAT, how["rate"]), rel=DOUBTS * swing.load_doubt[k])
        assert 60.0 * swing.si.speed_rest[k] == pytest.approx(white, rel=DOUBTS * swing.speed_doubt[k])
    # The doubt is small enough for the figure to mean something.
    assert max(swing.load_doubt.max(), swing.speed_doubt.max()) < 0.08
    assert (swing.load_at_surge == 0.0).all()


@pytest.mark.parametrize("how", SAMPLING, ids=str)
def test_surge_is_told_from_the_noise_under_it(how: dict[str, Any]) -> None:
    drive = drive_log.run(SURGING, seed=4, **how)
    log = as_log(drive)
    findings = find_surge(log)
    (line,) = {round(e.si.frequency, 1) for e in findings.episodes}
    swing = measure_swing(log, findings)
    for k in range(swing.samples.size):
        assert swing.load_rest[k] / 1e3 == pytest.approx(injected(SURGING, how["rate"], line), rel=DOUBTS * swing.load_doubt[k])
    assert swing.load_doubt.max() < 0.08
    surge = math.sqrt(np.average(swing.si.speed_at_surge**2, weights=swing.samples))
    assert 60.0 * surge * math.sqrt(2.0) == pytest.approx(drive.truth(3.0, 87.0)[1], rel=0.05)
    assert swing.si.speed_rest.max() < 0.1 * surge


def held(rate: float, *, load: float, speed: float, lag: float, seconds: float = 400.0, seed: int = 5) -> DriveLog:
    """1400 rpm and 45 kPa; both signals drawn anew each cycle with these r.m.s. [Pa, rev/s], the load then through a filter, exactly."""
    crank, fine = 1400.0 / 60.0, 400.0
    time = np.arange(0.0, seconds, 1.0 / fine)
    cycle = (time * crank / 2.0).astype(int)
    drawn = np.random.default_rng(seed).normal(size=(2, cycle[-1] + 1))[:, cycle]
    decay = math.exp(-1.0 / (fine * lag))
    seen = lfilter([0.0, 1.0 - decay], [1.0, -decay], drawn[0])
    rows = slice(None, None, round(fine / rate))
    pressure = 45e3 + load * seen[rows]
    return DriveLog.of(time=time[rows], speed=crank + speed * drawn[1][rows], load=pressure, load_kind="manifold pressure", pedal=np.full(pressure.size, 0.2))


def tables(blow_back: float, air_per_pressure: float) -> EngineTables:
    """An engine with one blow-back share everywhere and air in proportion to pressure."""
    speeds, pressures, sparks = np.array([10.0, 60.0]), np.linspace(15e3, 95e3, 9), np.array([2.0, 52.0])
    values = np.ones((len(FIELDS), 2, 9, 2))
    values[FIELDS.index("blow_back")] = blow_back
    values[FIELDS.index("air")] = (air_per_pressure * pressures)[None, :, None]
    return EngineTables(speeds, pressures, sparks, values, np.isfinite(values[0]))


@pytest.fixture(scope="module")
def build() -> Build:
    return load_build(EXAMPLES / "quarry-road" / "build.toml")


@pytest.mark.parametrize("rate", [100.0, 50.0, 20.0, 10.0])
def test_the_jitter_of_the_sheet_is_what_the_prediction_would_draw(build: Build, rate: float) -> None:
    """0.3 of a blow-back share of 0.1 of 45 kPa, before the sheet's own filter, and 4 rpm."""
    log = held(rate, load=0.3 * 0.1 * 45e3, speed=4.0 / 60.0, lag=build.limits.si.load_filter)
    swing = measure_swing(log, build=build, engine_tables=tables(0.1, 1e-9))
    assert max(swing.load_doubt[0], swing.speed_doubt[0]) < 0.03
    assert swing.load_jitter == pytest.approx(0.3, rel=DOUBTS * swing.load_doubt[0])
    assert 60.0 * swing.si.speed_jitter == pytest.approx(4.0, rel=DOUBTS * swing.speed_doubt[0])
    assert swing.at(1400.0 / 60.0) == (swing.si.pressure_rms[0], swing.si.speed_rms[0])
    assert swing.si.blow_back == pytest.approx(0.1)


@pytest.mark.parametrize(("jitter", "too_large"), [(0.5, False), (2.0, True)])
def test_a_load_that_swings_more_than_a_sheet_can_say_is_told(build: Build, jitter: float, too_large: bool) -> None:
    log = held(50.0, load=jitter * 0.1 * 45e3, speed=0.05, lag=build.limits.si.load_filter, seconds=60.0)
    swing = measure_swing(log, build=build, engine_tables=tables(0.1, 1e-9))
    assert (SwingDoubt.TOO_LARGE in {note.what for note in swing.notes}) is too_large


@pytest.mark.parametrize("kind", ["air charge", "relative charge"])
def test_another_load_gives_the_same_jitter(build: Build, kind: str) -> None:
    from camcalc.cycle.load_axis import air_charge_of

    engine = tables(0.1, 1e-9)
    log = held(50.0, load=1e3, speed=0.05, lag=0.02, seconds=60.0)
    plain = measure_swing(log, build=build, engine_tables=engine)
    per_pressure = 1e-9 / (air_charge_of(build, 1.0) if kind == "relative charge" else 1.0)
    other = measure_swing(log.replace(loads=log.loads * per_pressure, load_kind=kind), build=build, engine_tables=engine)
    assert other.load_jitter == pytest.approx(plain.load_jitter, rel=1e-9)
    assert other.si.pressure_rms == pytest.approx(plain.si.pressure_rms, rel=1e-9)
    assert other.share == pytest.approx(plain.share, rel=1e-9)


@pytest.mark.parametrize("lag", [0.005, 0.02, 0.1])
@pytest.mark.parametrize("rate", [7.0, 20.0, 100.0])
def test_what_a_filter_leaves_of_a_held_signal_is_the_textbooks(rate: float, lag: float) -> None:
    """Mean square behind the filter, in closed form: ``1 - lag/T (1 - exp(-T/lag))``; folding neither adds nor takes any. The sum ends at 40 turns."""
    interval = 0.09
    exact = 1.0 - lag / interval * (1.0 - math.exp(-interval / lag))
    assert seen_share(interval, rate, lowest=1e-9, lag=lag) == pytest.approx(exact, rel=2e-4)
    assert seen_share(interval, rate, lowest=1e-9) == pytest.approx(1.0, rel=4e-3)


def same(one: SignalSwing, other: SignalSwing, rel: float = 1e-6) -> bool:
    pairs = [(one.load_rest, other.load_rest), (one.load_at_surge, other.load_at_surge), (one.si.speed_rest, other.si.speed_rest)]
    return all(
        a.shape == b.shape and np.allclose(a, b, rtol=rel, atol=1e-9) for a, b in [*pairs, (one.samples, other.samples), (one.load_doubt, other.load_doubt)]
    )


SHORT = as_log(drive_log.run(dataclasses.replace(SURGING, seconds=30.0), seed=2))
MEASURED = measure_swing(SHORT)


@settings(deadline=None, max_examples=8)
@given(by=st.integers(-10_000, 10_000))
def test_a_swing_does_not_hang_on_when_the_clock_began(by: int) -> None:
    assert same(measure_swing(SHORT.replace(time=SHORT.si.time + by)), MEASURED)


@settings(deadline=None, max_examples=8)
@given(factor=st.floats(0.2, 5.0), lift=st.floats(-1e4, 1e4))
def test_a_swing_grows_with_the_signal_and_does_not_hang_on_its_level(factor: float, lift: float) -> None:
    noise = SHORT.loads - SHORT.loads.mean()
    level = SHORT.loads.mean() + lift
    one, other = (measure_swing(SHORT.replace(loads=level + f * noise)) for f in (1.0, factor))
    assert np.allclose(one.load_rest, MEASURED.load_rest, rtol=1e-6)
    assert np.allclose(other.load_rest, factor * MEASURED.load_rest, rtol=1e-6)
    assert np.allclose(other.load_doubt, MEASURED.load_doubt, rtol=1e-6)


def test_a_swing_is_blind_to_units(tmp_path: Path) -> None:
    head = ["time [s],engine speed [rpm],manifold pressure [kPa],pedal [%]", "time [ms],engine speed [crank_rps],manifold pressure [psi],pedal [1]"]
    scales = (1.0, 60.0, 1e-3, 100.0), (1e3, 1.0, 1.0 / 6894.757293168361, 1.0)
    found = []
    for k, (names, scale) in enumerate(zip(head, scales, strict=True)):
        columns = zip(*(v * s for v, s in zip((SHORT.si.time, SHORT.si.speed, SHORT.loads, SHORT.si.pedal), scale, strict=True)), strict=True)
        path = tmp_path / f"{k}.csv"
        path.write_text("\n".join([names, *(",".join(f"{v:.12g}" for v in row) for row in columns)]) + "\n", encoding="utf-8")
        found.append(measure_swing(read_log(path)))
    assert found[0].samples.sum() > 0
    assert same(found[0], found[1])


@pytest.mark.parametrize("kind", ["tip-ins", "gear changes", "overrun"])
def test_what_the_driver_does_is_no_swing(kind: str) -> None:
    """The pedal moves pressure by 12 kPa and more; the noise is a tenth of it."""
    drive = dataclasses.replace(drive_log.DRIVES[kind], load_noise=1.0, seconds=60.0)
    log = as_log(drive_log.run(drive, seed=6))
    swing = measure_swing(log)
    assert swing.samples.size
    assert np.ptp(log.loads) > 12e3
    assert swing.load_rest / 1e3 == pytest.approx(injected(drive, 50.0), rel=0.25)


def test_what_is_missing_is_said(build: Build) -> None:
    assert MEASURED.missing is NoLoadJitter.NO_ENGINE
    assert math.isnan(MEASURED.load_jitter)
    without = measure_swing(SHORT.replace(loads=np.empty(0), load_kind=""), build=build, engine_tables=tables(0.1, 1e-9))
    assert without.missing is NoLoadJitter.LOAD_NOT_LOGGED
    assert math.isnan(without.at(20.0)[0])
    assert np.allclose(without.si.speed_rest, MEASURED.si.speed_rest)
    json.dumps(without.to_dict(), allow_nan=False)
    nowhere = measure_swing(DriveLog.of(time=[0.0, 0.1, 0.2], speed=[20.0] * 3))
    assert nowhere.samples.size == 0
    assert "Nowhere" in describe(nowhere)
    json.dumps(nowhere.to_dict(), allow_nan=False)
    with pytest.raises(InputError, match="build"):
        measure_swing(SHORT, engine_tables=tables(0.1, 1e-9))


def test_steps_of_the_logger_are_said_where_they_count() -> None:
    assert SwingDoubt.COARSE not in {note.what for note in MEASURED.notes}
    coarse = measure_swing(SHORT.replace(loads=5e3 * np.round(SHORT.loads / 5e3)))
    assert [note.channel for note in coarse.notes if note.what is SwingDoubt.COARSE] == ["load"]
    assert "Load is written in steps of 5 kPa" in describe(coarse)


def test_a_simulated_drive_hands_its_own_load_jitter_back(build: Build) -> None:
    """The whole chain: the sheet's jitter through the time-domain loop into a log, and out of it again, with surge and all; level table, quick model."""
    axes: dict[str, Any] = {"speed": np.array([10.0, 60.0]), "loads": np.array([2e4, 9e4])}
    level = SparkTable(load_kind="manifold pressure", **axes, cells=np.full((2, 2), 20.0), increment=1.0)
    engine = engine_tables(QuickEngine(build), speeds=np.array([1000.0, 1400.0, 1800.0]) / 60.0, pressures=np.arange(25e3, 75e3, 5e3))
    for jitter in (0.4, 0.05):
        shaken = build.replace(limits=build.limits.replace(load_jitter=jitter, speed_jitter="0 rpm"))
        run = simulate_drive(shaken, level, gear=3, speed="1400 rpm", driver="speed hold", duration="60 s", engine_tables=engine)
        swing = measure_swing(run.log(), build=shaken, engine_tables=engine)
        assert swing.load_doubt.max() < 0.05
        assert swing.load_jitter == pytest.approx(jitter, rel=DOUBTS * swing.load_doubt.max())


def test_overtones_of_a_strong_surge_are_said_to_be_in_the_rest() -> None:
    assert "speed" in {note.channel for note in MEASURED.notes if note.what is SwingDoubt.STRONG_SURGE}
    assert SwingDoubt.STRONG_SURGE not in {note.what for note in measure_swing(as_log(drive_log.run(FLAT, seed=3))).notes}


def test_too_few_rows_are_said_to_lose_frequencies_and_no_size() -> None:
    slow = measure_swing(as_log(drive_log.run(FLAT, seed=3, rate=20.0)))
    assert SwingDoubt.FEWER_THAN_FIRINGS in {note.what for note in slow.notes}
    assert "20 rows a second are fewer than the firings" in describe(slow)


def test_a_review_shows_the_swing(build: Build) -> None:
    table = as_table(SURGING.cells)
    review = review_log(SHORT, table, build=build, engine_tables=tables(0.1, 1e-9))
    assert review.swing.load_jitter > 0.0
    data = json.loads(json.dumps(review.to_dict(), allow_nan=False))["swing"]
    assert data["load_rest"]["unit"] == "kPa"
    assert data["load_rest"]["value"] == pytest.approx((review.swing.load_rest / 1e3).tolist())
    assert f"load_jitter = {review.swing.load_jitter:.2g}" in describe(review)
    assert f"load_swing = {review.swing.over_load:.2g}" in describe(review)
    assert max(map(len, describe(review).splitlines())) <= 100


def test_the_sheet_s_load_swing_is_the_drawn_scatter_over_the_load() -> None:
    # White from row to row: 900 Pa about 45 kPa.
    t = np.arange(0.0, 60.0, 0.02)
    noise = np.random.default_rng(4).normal(size=(2, t.size))
    log = DriveLog.of(time=t, speed=22.0 + 0.02 * noise[0], load=4.5e4 + 900.0 * noise[1], load_kind="manifold pressure", pedal=0.2 + 0.0 * t)
    found = measure_swing(log)
    assert found.over_load == pytest.approx(float(found.load_rms[0]) / 4.5e4, rel=2e-3)
    assert found.over_load == pytest.approx(0.02, rel=0.15)
    assert math.isnan(measure_swing(DriveLog.of(time=t, speed=22.0 + 0.02 * noise[0], pedal=0.2 + 0.0 * t)).over_load)


def test_the_command_line_shows_it_too(tmp_path: Path, capsys: pytest.CaptureFixture[str], coarse: None) -> None:
    log = tmp_path / "log.csv"
    names = {"time": "time [s]", "speed": "engine speed [rpm]", "load": "manifold pressure [kPa]", "pedal": "pedal [1]"}
    drive_log.run(FLAT, seed=3).write_csv(log, names)
    words = ["review", str(log), str(EXAMPLES / "quarry-road" / "build.toml"), "--json"]
    assert main(words) == 0
    swing = json.loads(capsys.readouterr().out)["review"]["swing"]
    assert swing["load_jitter"] > 0.0
    assert all(0.0 < share < 100.0 for share in swing["blow_back"]["value"])
    assert main([*words[:-1], "--no-ceilings"]) == 0
    assert "No load_jitter: load_jitter is a share of the exhaust blown back" in capsys.readouterr().out
