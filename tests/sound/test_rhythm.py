"""Firings, pulses, pipe and levels: lines of the spectrum where the sequence has them, silence where a cycle misses, one level, the same bytes."""

from __future__ import annotations

import io
import wave
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from camcalc import InputError, QuickEngine, simulate_drive
from camcalc.cycle.engine_tables import engine_tables
from camcalc.drive.engine_loop import engine_side_of
from camcalc.sound.firings import Firings, even_firings, firings_of
from camcalc.sound.levels import FULL_SCALE, PEAK, levelled, root_mean_square, wave_bytes
from camcalc.sound.pulses import pipe_answer, pulse_train, radiated, through_pipe
from camcalc.sound.sounds import RATE, sound_of
from camcalc.tables.proposed import level_table

Array = NDArray[np.float64]
Make = Callable[..., Any]
# An idle of 850 rpm: a V8 fires n / 2 times a turn.
SPEED, CYLINDERS = 850.0 / 60.0, 8
FIRES = CYLINDERS / 2.0 * SPEED
# Long enough that lines 0.1 Hz apart are told apart.
LASTS = 40.0


def spectrum(samples: Array, rate: float) -> tuple[Array, Array]:
    """Frequencies and amplitudes, a window against leaks."""
    window = np.hanning(samples.size)
    return np.fft.rfftfreq(samples.size, 1.0 / rate), np.abs(np.fft.rfft(samples * window)) / window.sum()


def line_near(samples: Array, frequency: float, *, within: float = 2.0) -> tuple[float, float]:
    """The highest line about a frequency: where it is, and how high."""
    at, height = spectrum(samples, RATE)
    near = np.flatnonzero(np.abs(at - frequency) <= within)
    best = near[int(np.argmax(height[near]))]
    return float(at[best]), float(height[best])


def height_at(samples: Array, frequency: float) -> float:
    """How high a line is at one frequency, between the places of a spectrum too."""
    window = np.hanning(samples.size)
    turn = np.exp(-2j * np.pi * frequency * np.arange(samples.size) / RATE)
    return float(abs((samples * window * turn).sum()) / window.sum())


def v8(work: Array, *, duration: float = LASTS) -> Firings:
    return even_firings(SPEED, work, cylinders=CYLINDERS, duration=duration)


def test_equal_cylinders_sound_at_the_firing_rate_and_at_nothing_below() -> None:
    """By definition: half a firing for each cylinder and turn."""
    heard = sound_of(v8(np.ones(CYLINDERS))).si.pressure
    found, height = line_near(heard, FIRES)
    assert abs(found - FIRES) <= 0.1
    at, heights = spectrum(heard[RATE:], RATE)  # without the beginning, where the pipe fills
    below = heights[(at > 2.0) & (at < FIRES - 2.0)].max()
    assert below < 1e-3 * height


def test_cylinders_of_their_own_work_sound_at_every_half_order() -> None:
    """Each cylinder comes back once in two turns: lines at multiples of half the crank's frequency (a period of one cycle; Fourier, exact)."""
    work = np.array([1.0, 0.9, 1.1, 0.95, 1.05, 1.0, 0.8, 1.2])
    heard = sound_of(v8(work)).si.pressure
    expected = np.abs(np.fft.fft(work)) / CYLINDERS
    si = v8(work).si
    flow = pulse_train(si.time, si.speed, si.burn, rate=RATE, duration=LASTS)
    for order in range(1, CYLINDERS):
        frequency = order * SPEED / 2.0
        assert abs(line_near(heard, frequency, within=1.0)[0] - frequency) <= 0.1
        # The heights are those of the sequence, times the pulse's own spectrum, ``(1 + i w tau)**-3``.
        tau = 0.5 * 20.0 / 360.0 / SPEED
        pulse = abs(1.0 + 2j * np.pi * frequency * tau) ** -3
        assert height_at(flow, frequency) == pytest.approx(expected[order] * FIRES * pulse, rel=1e-3)
    between = line_near(heard, 1.5 * SPEED / 2.0, within=0.5)[1]
    assert between < 1e-2 * line_near(heard, SPEED / 2.0, within=1.0)[1]


def test_a_cycle_of_strong_and_weak_firings_sounds_at_half_the_firing_rate() -> None:
    found, height = line_near(sound_of(v8(np.tile([1.0, 0.6], 4))).si.pressure, FIRES / 2.0)
    assert abs(found - FIRES / 2.0) <= 0.1
    assert height > 10.0 * line_near(sound_of(v8(np.ones(8))).si.pressure, FIRES / 2.0)[1]


def slots(flow: Array, firings: Firings) -> Array:
    """What passes in the slot after each firing: mean square."""
    first = np.round(firings.si.time * RATE).astype(int)
    width = int(firings.si.interval.min() * RATE)
    return np.array([np.mean(flow[k : k + width] ** 2) for k in first if k + width <= flow.size])


@settings(max_examples=20, deadline=None)
@given(st.lists(st.booleans(), min_size=16, max_size=60))
def test_a_missed_cycle_is_a_silent_slot(misses: list[bool]) -> None:
    work = np.where(np.array(misses), 0.0, 1.0)
    firings = even_firings(SPEED, work, cylinders=CYLINDERS, duration=len(misses) / FIRES)
    assert firings.missed.sum() == sum(misses)
    flow = pulse_train(firings.si.time, firings.si.speed, firings.si.burn, rate=RATE, duration=firings.duration)
    found = np.array(slots(flow, firings))
    missed = firings.missed[: found.size] > 0.0
    if missed.all():
        assert not flow.any()
    elif missed.any() and not missed.all():
        assert found[missed].max() < 2e-3 * found[~missed].min()


def test_nothing_is_above_half_the_rate_kept() -> None:
    """A pulse drawn more finely and filtered: what would come back from above is less than a thousandth."""
    fine = pulse_train(np.array([0.2]), np.array([50.0]), np.ones(1), rate=8 * RATE, duration=0.5)
    plain = pulse_train(np.array([0.2]), np.array([50.0]), np.ones(1), rate=RATE, duration=0.5)
    at, true = spectrum(fine, 8 * RATE)
    kept_at, kept = spectrum(plain, RATE)
    inside = kept_at < 0.4 * RATE
    assert np.abs(kept[inside] - np.interp(kept_at[inside], at, true)).max() < 1e-3 * kept.max()


def test_the_pipe_sounds_at_odd_multiples_of_its_quarter_wave() -> None:
    """Textbook: a pipe closed at one end and open at the other; with hardly any loss its peaks are at odd multiples of one over twice the way."""
    delay = 96.0 / RATE
    own = 1.0 / (2.0 * delay)
    frequencies = np.arange(5.0, 500.0, 0.05)
    answer = np.abs(pipe_answer(frequencies, rate=RATE, delay=delay, returned=0.95, corner=1e5))
    peaks = frequencies[1:-1][(answer[1:-1] > answer[:-2]) & (answer[1:-1] > answer[2:])]
    assert peaks[:5] == pytest.approx(own * np.array([1.0, 3.0, 5.0, 7.0, 9.0]), abs=0.1)
    assert answer.max() == pytest.approx(1.0 / (1.0 - 0.95), rel=1e-3)
    impulse = np.zeros(RATE)
    impulse[0] = 1.0
    heard = through_pipe(impulse, rate=RATE, delay=delay, returned=0.95, corner=1e5)
    assert np.abs(np.fft.rfft(heard, 4 * RATE))[40:400:8] == pytest.approx(
        np.abs(pipe_answer(np.arange(10.0, 100.0, 2.0), rate=RATE, delay=delay, returned=0.95, corner=1e5)), rel=0.05
    )


def test_what_returns_dies_away() -> None:
    impulse = np.zeros(4000)
    impulse[0] = 1.0
    heard = np.abs(through_pipe(impulse, rate=RATE, delay=0.012, returned=0.45, corner=700.0))
    assert heard[2000:].max() < 1e-6


def test_a_steady_flow_makes_no_sound() -> None:
    assert not radiated(np.full(100, 3.0), rate=RATE).any()


@settings(max_examples=30, deadline=None)
@given(st.lists(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=50), min_size=1, max_size=5))
def test_sounds_come_to_one_level_below_full_scale(sounds: list[list[float]]) -> None:
    found = levelled([np.array(one) for one in sounds])
    assert max(float(np.abs(one).max()) for one in found.samples) <= PEAK * (1.0 + 1e-12)
    levels = [root_mean_square(one) for one, given in zip(found.samples, sounds, strict=True) if np.any(given)]
    assert levels == pytest.approx([found.gain] * len(levels), rel=1e-9)
    assert all(not samples.any() for samples, given in zip(found.samples, sounds, strict=True) if not np.any(given))


def test_a_wave_file_is_read_back_by_the_standard_library() -> None:
    sound = sound_of(v8(np.linspace(0.8, 1.2, 8), duration=2.0))
    gain = levelled([sound.si.pressure]).gain
    with wave.open(io.BytesIO(sound.wave(gain))) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate(), file.getnframes()) == (1, 2, RATE, 2 * RATE)
        samples = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2") / FULL_SCALE
    assert np.abs(samples).max() <= PEAK + 1.0 / FULL_SCALE
    assert samples == pytest.approx(gain * sound.si.pressure, abs=0.5001 / FULL_SCALE)


def test_a_sound_that_begins_again_does_not_click() -> None:
    """Where its end meets its beginning it moves no further from sample to sample than elsewhere."""
    heard = sound_of(v8(np.linspace(0.8, 1.2, 8), duration=2.003)).si.pressure
    assert heard[0] == heard[-1] == 0.0
    assert abs(heard[0] - heard[-1]) < np.abs(np.diff(heard)).max()


def test_full_scale_is_refused() -> None:
    with pytest.raises(InputError, match="below full scale"):
        wave_bytes(np.array([0.0, 1.0]), RATE)
    with pytest.raises(InputError, match="share of full scale"):
        levelled([np.ones(3)], peak=1.0)


def test_places_are_one_bank_of_the_engine() -> None:
    """Half of the firings of a V8, at angles of 270, 180, 90 and 180 degrees: the lines are those of that sequence."""
    places = [0, 3, 5, 6]
    heard = sound_of(v8(np.ones(8)), places=places).si.pressure
    order = np.abs(np.fft.fft(np.isin(np.arange(8), places).astype(float)))
    strong, weak = 1 + int(np.argmax(order[1:4])), 1 + int(np.argmin(order[1:4]))
    assert line_near(heard, strong * SPEED / 2.0, within=1.0)[1] > line_near(heard, weak * SPEED / 2.0, within=1.0)[1]
    with pytest.raises(InputError, match="places of the firing order, 0 to 7"):
        sound_of(v8(np.ones(8)), places=[8])


@pytest.mark.parametrize(("length", "said"), [("10 cm", "pipe_length"), ("3 kg", "pipe_length")])
def test_a_pipe_that_is_none_is_refused(length: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        sound_of(v8(np.ones(8), duration=1.0), pipe_length=length)


# --- firings of a run


@pytest.fixture(scope="module", params=["quarry-road", "dockside"])
def ran(request: pytest.FixtureRequest, build_of: Make) -> Any:
    """A drive in neutral of an engine of eight or four cylinders, without noise and with it."""
    build = build_of(request.param)
    engine = QuickEngine(build)
    tables = engine_tables(engine, np.array([10.0, 20.0, 35.0]), np.linspace(20e3, 95e3, 9), np.array([10.0, 25.0, 40.0]))
    table = level_table(25.0)
    runs = [
        simulate_drive(build, table, gear=3, speed="1200 rpm", duration="20 s", sample_time="2 ms", engine_tables=tables, noise=noise)
        for noise in (False, True)
    ]
    return build, table, engine_side_of(build, tables), runs


def test_a_steady_run_fires_at_the_rate_of_its_speed(ran: Any) -> None:
    build, table, engine_side, (steady, _) = ran
    firings = firings_of(steady, build, table, engine_side)
    rate = build.engine.cylinders / 2.0 * 20.0
    assert 1.0 / firings.si.interval == pytest.approx(rate, abs=0.1)
    found, _ = line_near(sound_of(firings.between(0.0, 19.0)).si.pressure, rate)
    assert abs(found - rate) <= 0.1


def test_the_work_of_all_firings_is_the_work_of_the_run(ran: Any) -> None:
    """Torque times angle, rubbing put back, over whole intervals: what the rows add up to."""
    from camcalc.sound.firings import _rubbing

    build, table, engine_side, runs = ran
    for run in runs:
        firings = firings_of(run, build, table, engine_side)
        si = run.si
        power = (si.crank_torque + _rubbing(build, engine_side, si.speed)) * 2.0 * np.pi * si.speed
        within = (si.time > firings.si.time[0] - firings.si.interval[0]) & (si.time <= firings.si.time[-1])
        assert firings.si.work.sum() == pytest.approx(power[within].sum() * 2e-3, rel=5e-3)
        assert firings.si.interval.sum() == pytest.approx(float(np.ptp(firings.si.time)) + firings.si.interval[0], rel=1e-9)


def test_missed_cycles_of_a_run_are_missed_firings_without_work(ran: Any) -> None:
    build, table, engine_side, (_, noisy) = ran
    missed = np.zeros(noisy.si.time.size)
    missed[[1000, 4000, 4400, 7000]] = 1.0
    firings = firings_of(noisy.replace(missed=missed), build, table, engine_side)
    assert firings.missed.sum() == 4
    assert not firings.si.burn[firings.missed > 0.0].any()
    assert firings.si.burn[firings.missed == 0.0].min() > 0.0


def test_rows_too_far_apart_are_refused(ran: Any) -> None:
    build, table, engine_side, (steady, _) = ran
    with pytest.raises(InputError, match="a row every 2 ms"):
        firings_of(steady.replace(**{name: value[::10] for name, value in steady._rows().items()}), build, table, engine_side)
