"""A load in the wrong unit: an axis or a log that only makes sense in another one is refused, or noted, with both readings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from camcalc import read_log, read_table
from camcalc.errors import InputError
from camcalc.logs.log_notes import LogDoubt
from camcalc.tables.likely_unit import axis_error
from camcalc.units import factor
from camcalc.words.driving_log import log_note_words


def table(folder: Path, corner: str, loads: list[float]) -> Path:
    path = folder / "spark.csv"
    rows = [f"{rpm}," + ",".join(str(30 - k) for k in range(len(loads))) for rpm in (800, 1600, 2400)]
    path.write_text("\n".join([corner + "," + ",".join(f"{load:g}" for load in loads), *rows]) + "\n", encoding="utf-8")
    return path


INCHES = [5.9, 11.8, 17.7, 23.6, 29.5]


def test_an_axis_in_inches_of_mercury_labelled_kilopascal_is_refused_with_both_readings(tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        read_table(table(tmp_path, r"speed [rpm] \ manifold pressure [kPa]", INCHES))
    assert error.value.came == "5.9 to 29.5 kPa"
    assert "inHg (20 to 99.9 kPa)" in error.value.fix
    assert "[inHg] into the corner cell" in error.value.fix
    assert error.value.file.endswith("spark.csv")
    again = read_table(table(tmp_path, r"speed [rpm] \ manifold pressure [inHg]", INCHES))
    assert again.loads[-1] == pytest.approx(29.5 * factor("inHg", "Pa"))


@pytest.mark.parametrize(
    ("unit", "loads", "meant"),
    [
        ("kPa", [3, 6, 9, 14.5], "[psi]"),
        ("inHg", [20, 40, 60, 100], "[kPa]"),
    ],
)
def test_other_pairs_of_pressure_units_are_told_apart_too(unit: str, loads: list[float], meant: str, tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        read_table(table(tmp_path, rf"speed [rpm] \ manifold pressure [{unit}]", loads))
    assert meant in error.value.fix


@pytest.mark.parametrize(
    ("corner", "loads"),
    [
        (r"rpm \ kPa", [20, 40, 60, 80, 100]),
        (r"rpm \ kPa", [30, 45, 60]),
        (r"rpm \ kPa", [40, 100, 160, 220]),
        (r"rpm \ inHg", INCHES),
        (r"rpm \ %", [20, 40, 60, 80, 100]),
        (r"rpm \ mg", [100, 300, 500, 700]),
    ],
)
def test_an_ordinary_axis_is_read(corner: str, loads: list[float], tmp_path: Path) -> None:
    assert read_table(table(tmp_path, corner, loads)).shape == (3, len(loads))


@given(st.floats(15.0, 45.0), st.floats(76.0, 108.0), st.sampled_from(["inHg", "psi", "kPa", "bar"]))
def test_an_axis_of_a_whole_table_is_never_doubted_in_its_own_unit(low: float, top: float, unit: str) -> None:
    scale = factor(unit, "Pa")
    assert axis_error(np.array([low, top]) * 1e3 / scale, unit, scale, "Pa") is None


@given(st.floats(15.0, 45.0), st.floats(76.0, 108.0))
def test_an_axis_in_inches_labelled_kilopascal_never_passes(low: float, top: float) -> None:
    error = axis_error(np.array([low, top]) * 1e3 / factor("inHg", "Pa"), "kPa", 1e3, "Pa")
    assert error is not None
    assert "[inHg]" in error.fix


# Logs.


def log(folder: Path, pressures: list[float], unit: str = "kPa") -> Path:
    path = folder / "log.csv"
    rows = [f"{0.1 * k:.1f},{1500 + k},20,{p}" for k, p in enumerate(pressures)]
    path.write_text("\n".join([f"time [s],engine speed [rpm],spark [deg],manifold pressure [{unit}]", *rows]) + "\n", encoding="utf-8")
    return path


def test_a_manifold_at_9_kilopascal_is_left_out_with_the_units_it_may_be_in(tmp_path: Path) -> None:
    found = read_log(log(tmp_path, [9.0, 9.1, 8.9, 9.0]))
    (note,) = found.notes
    assert (note.what, note.figure, note.unit, note.other) == (LogDoubt.REFUSED, pytest.approx(9.0), "kPa", "psi")
    assert (found.load_kind, found.values("spark").tolist()) == ("", [20.0] * 4)
    assert 'put this line under [columns] in a file for --columns:\n  load = {column = "manifold pressure [kPa]", unit = "psi"}' in log_note_words(note)
    assert read_log(log(tmp_path, [9.0, 9.1, 8.9, 9.0], "psi")).load_kind == "manifold pressure"


def test_a_manifold_far_above_the_barometer_is_left_out(tmp_path: Path) -> None:
    found = read_log(log(tmp_path, [45.0, 50.0, 60.0, 48.0], "inHg"))
    assert [(note.what, note.other) for note in found.notes] == [(LogDoubt.REFUSED, "kPa")]


def test_a_log_that_never_leaves_overrun_is_read_with_the_other_reading_noted(tmp_path: Path) -> None:
    found = read_log(log(tmp_path, [18.0, 22.0, 29.5, 20.0]))
    (note,) = found.notes
    assert (note.what, note.other) == (LogDoubt.LOW_PRESSURE, "inHg")
    assert note.other_figure == pytest.approx(99.9, abs=0.1)
    assert "that is 99.9 kPa" in log_note_words(note)
    assert found.load_kind == "manifold pressure"


@pytest.mark.parametrize("pressures", [[30.0, 35.0, 40.0], [20.0, 60.0, 98.0], [100.0, 101.0, 100.5]])
def test_an_ordinary_log_is_read_without_a_word(pressures: list[float], tmp_path: Path) -> None:
    assert read_log(log(tmp_path, pressures)).notes == ()
