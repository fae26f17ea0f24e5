"""Columns known by plain words in any order, English and German; units; what is a question; what cannot be what its name says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from camcalc.errors import InputError
from camcalc.logs import read_log
from camcalc.logs.channels import CHANNELS, scale_of, split_name, words_in
from camcalc.logs.columns import guess_columns, read_columns
from camcalc.logs.likely import fitting_units
from camcalc.logs.log_notes import LogDoubt, UnitFrom
from camcalc.words.driving_log import log_columns_words, log_note_words

NAMES = [
    ("Engine Speed (RPM)", "speed", 1 / 60), ("RPM", "speed", 1 / 60), ("engine_rpm", "speed", 1 / 60), ("Engine revs [1/min]", "speed", 1 / 60),
    ("Motordrehzahl [U/min]", "speed", 1 / 60), ("Drehzahl (1/min)", "speed", 1 / 60), ("EngineSpeed rpm", "speed", 1 / 60),
    ("Motor-Drehzahl [rev/s]", "speed", 1.0),
    ("DREHZAHL", "speed", 1 / 60), ("Speed of the engine [r/min]", "speed", 1 / 60), ("actual engine speed [min-1]", "speed", 1 / 60),
    ("Manifold absolute pressure (MAP) [kPa]", "load", 1e3), ("MAP kPa", "load", 1e3), ("map_mbar", "load", 100.0), ("Saugrohrdruck [hPa]", "load", 100.0),
    ("Intake Manifold Pressure (psia)", "load", 6894.757293168361), ("Druck Saugrohr [bar]", "load", 1e5), ("MAP (in. Hg)", "load", 3386.389),
    ("Air Charge [mg/stroke]", "load", 1e-6), ("Luftmasse [mg/Hub]", "load", 1e-6), ("Füllung relativ [%]", "load", 0.01), ("Luftfüllung (mg)", "load", 1e-6),
    ("Throttle Position (TPS) [%]", "pedal", 0.01), ("TPS %", "pedal", 0.01), ("throttle_pos_pct", "pedal", 0.01), ("Drosselklappe [%]", "pedal", 0.01),
    ("Fahrpedalstellung (Prozent)", "pedal", 0.01), ("Accelerator pedal position %", "pedal", 0.01), ("Drosselklappenwinkel [%]", "pedal", 0.01),
    ("Vehicle Speed (km/h)", "road_speed", 1 / 3.6), ("VSS [MPH]", "road_speed", 0.44704), ("Fahrzeuggeschwindigkeit km/h", "road_speed", 1 / 3.6),
    ("Geschwindigkeit [kmh]", "road_speed", 1 / 3.6), ("wheel-speed (m/s)", "road_speed", 1.0), ("Road speed, mph", "road_speed", 0.44704),
    ("Ignition Timing", "spark", 1.0), ("Timing Advance (°BTDC)", "spark", 1.0), ("Zündwinkel [°KW]", "spark", 1.0), ("Zuendwinkel [Grad]", "spark", 1.0),
    ("Zündzeitpunkt (° v. OT)", "spark", 1.0), ("SPARK ADV deg", "spark", 1.0), ("ign. angle [deg]", "spark", 1.0), ("Advance total [deg]", "spark", 1.0),
    ("Knock Retard [deg]", "knock_retard", 1.0), ("Klopfregelung [°KW]", "knock_retard", 1.0), ("retard, knock", "knock_retard", 1.0),
    ("Klopfrücknahme (Grad KW)", "knock_retard", 1.0), ("Klopfpegel [V]", "knock_level", 1.0), ("Gear", "gear", 1.0), ("Gang", "gear", 1.0),
    ("Gang (eingelegt)", "gear", 1.0), ("Clutch switch", "clutch", 1.0), ("Kupplungsschalter", "clutch", 1.0), ("Fuel Cut", "fuel_cut", 1.0),
    ("Schubabschaltung aktiv", "fuel_cut", 1.0), ("overrun fuel cut [on/off]", "fuel_cut", 1.0), ("Lambda", "lambda", 1.0), ("Lambda 1 [λ]", "lambda", 1.0),
    ("AFR", "lambda", 1 / 14.7), ("Air/Fuel Ratio", "lambda", 1 / 14.7), ("wideband lambda", "lambda", 1.0),
    ("Längsbeschleunigung [m/s²]", "acceleration", 1.0),
    ("Acceleration, longitudinal (g)", "acceleration", 9.80665),
]  # fmt: skip


@pytest.mark.parametrize(("name", "channel", "scale"), NAMES)
def test_a_name_in_plain_words_is_known(name: str, channel: str, scale: float) -> None:
    rest = [] if channel == "speed" else ["n [rpm]"]
    columns, left = guess_columns(["t [s]", *rest, name])
    assert set(columns) == {"time", "speed", channel}
    assert (columns[channel].name, left) == (name, [])
    assert columns[channel].scale == pytest.approx(scale, rel=1e-6)


@pytest.mark.parametrize("name", ["t [s]", "Zeit [s]", "TIME (sec)", "Elapsed time s", "Zeitstempel [s]", "time_s", "Time since start [s]", "Messzeit (s)"])
def test_a_time_is_known(name: str) -> None:
    assert guess_columns([name, "rpm"])[0]["time"].name == name


@pytest.mark.parametrize(
    "name",
    [
        "Base timing [deg]", "Basiszündwinkel [°KW]", "Grundzündwinkel [°KW]", "spark limit [deg]", "Target lambda", "Lambda set", "Barometric pressure [kPa]",
        "Fuel pressure [bar]", "Oil pressure [kPa]", "Idle speed target [rpm]", "Leerlaufdrehzahl Soll [1/min]", "Turbine speed [rpm]", "Pedal 2 [%]",
        "Throttle target [%]", "Boost [kPa]", "Gear ratio", "Dwell [ms]", "Injection time [ms]", "Knock threshold [V]", "Coolant temperature [°C]",
        "Ansauglufttemperatur [°C]", "Leerlaufregler [%]", "Idle valve [%]", "Injection timing [deg]", "Wheel speed front left [km/h]",
    ],
)  # fmt: skip
def test_a_word_that_changes_the_meaning_leaves_it_out(name: str) -> None:
    assert set(guess_columns(["t [s]", "engine speed [rpm]", name])[0]) == {"time", "speed"}


@pytest.mark.parametrize("name", ["TPS [V]", "MAP (V)", "Spark [V]", "MAP [psig]", "Manifold pressure [kPa gauge]", "Throttle V"])
def test_volts_and_gauge_pressures_are_no_channel_and_it_is_said(name: str) -> None:
    columns, left = guess_columns(["t [s]", "engine speed [rpm]", name])
    assert set(columns) == {"time", "speed"}
    assert [note.what for note in left] in ([LogDoubt.UNKNOWN_UNIT], [])
    assert name == "Throttle V" or left


def test_every_own_name_of_a_channel_is_parted_as_it_is_read() -> None:
    """The lists themselves go through the same parting of words, so that no stem takes a name away from its channel."""
    for channel, about in CHANNELS.items():
        for name in (name for group in about.names for name in group):
            joined = "".join(name.split())
            assert words_in(joined) in (words_in(name), frozenset({joined})), (channel, name)


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("Engine Speed (RPM)", ("Engine Speed", "RPM")), ("MAP [kPa] filtered", ("MAP filtered", "kPa")), ("Time", ("Time", "")), ("rpm", ("rpm", "")),
        ("Throttle_%", ("Throttle", "%")), ("Time (hh:mm:ss.ms)", ("Time", "")), ("knock level", ("knock level", "")), ("v [km/h]", ("v", "km/h")),
    ],
)  # fmt: skip
def test_names_and_units_are_parted(text: str, parts: tuple[str, str]) -> None:
    assert split_name(text) == parts


def test_units_have_the_factor_they_say() -> None:
    assert scale_of("load", "inHg", "manifold pressure") == pytest.approx(3386.389, rel=1e-6)
    assert scale_of("spark", "° v. OT") == 1.0
    assert scale_of("pedal", "V") is None


def log_of(folder: Path, head: str, *columns: object, rows: int = 60) -> Path:
    """A log of twenty rows a second: time, engine speed, and columns as numbers, arrays or texts."""
    path = folder / "log.csv"
    cells = [np.broadcast_to(np.asarray(column), (rows,)) for column in columns]
    lines = [",".join([f"{k / 20}", f"{1200 + 5 * (k % 9)}", *(str(cell[k]) for cell in cells)]) for k in range(rows)]
    path.write_text("\n".join([f"time [s],engine speed [rpm],{head}", *lines]) + "\n", encoding="utf-8")
    return path


# Questions.


def test_two_that_fit_alike_are_a_question_with_the_lines_to_put_in(tmp_path: Path) -> None:
    path = log_of(tmp_path, "Ignition timing [deg],Spark advance [deg],Gang,Gear", 20, 24, 2, 3)
    with pytest.raises(InputError) as caught:
        read_log(path)
    text = str(caught.value)
    for line in (
        '"Ignition timing [deg]" and "Spark advance [deg]" each fit spark; "Gang" and "Gear"',
        "[columns]",
        'spark = {column = "Ignition timing [deg]", unit = "deg"}',
        '# or: spark = {column = "Spark advance [deg]", unit = "deg"}',
        "# or, if none is: spark = false",
        'gear = {column = "Gang"}',
        "--columns columns.toml",
    ):
        assert line in text
    lines = [line.strip() for line in text.split("[columns]")[1].splitlines() if "=" in line]
    answer = tmp_path / "columns.toml"
    answer.write_text("\n".join(["[columns]", *lines]))
    log = read_log(path, answer)
    assert (log.columns["spark"].name, log.columns["gear"].name) == ("Ignition timing [deg]", "Gang")


def test_the_same_numbers_twice_are_no_question(tmp_path: Path) -> None:
    log = read_log(log_of(tmp_path, "Ignition timing [deg],Spark advance [deg]", 20, 20))
    assert [(note.what, note.column) for note in log.notes] == [(LogDoubt.FITS_TOO, "Spark advance [deg]")]


def test_a_pedal_goes_before_a_throttle_and_the_other_is_named(tmp_path: Path) -> None:
    log = read_log(log_of(tmp_path, "Throttle [%],Accelerator pedal [%]", 12, 20))
    assert log.columns["pedal"].name == "Accelerator pedal [%]"
    assert [(note.what, note.column, note.other) for note in log.notes] == [(LogDoubt.FITS_TOO, "Throttle [%]", "Accelerator pedal [%]")]


def test_the_tables_kind_of_load_is_taken(tmp_path: Path) -> None:
    path = log_of(tmp_path, "MAP [kPa],Air charge [mg]", 45, 150)
    assert read_log(path).load_kind == "manifold pressure"
    assert read_log(path, load_kind="air charge").load_kind == "air charge"
    with pytest.raises(InputError, match="load_kind"):
        read_log(path, load_kind="air chrage")


def test_a_map_for_one_column_leaves_the_others_to_their_names(tmp_path: Path) -> None:
    path = log_of(tmp_path, "zzz,MAP [kPa],pedal [%],gear", 22, 45, 12, 3)
    log = read_log(path, {"spark": {"column": "zzz", "unit": "deg"}, "gear": False})
    assert log.channels == ("time", "speed", "spark", "load", "pedal")
    assert not log.columns["spark"].guessed
    assert log.columns["pedal"].guessed
    assert [column.name for column in log.unused] == ["gear"]


def test_a_unit_the_log_writes_need_not_be_said_again() -> None:
    found = read_columns({"pedal": {"column": "a [%]"}, "load": {"column": "b", "kind": "manifold pressure"}}, ["a [%]", "b"], ["", "kPa"])
    assert [column and column.scale for column in found.values()] == [0.01, 1e3]


def test_what_is_missing_is_asked_for_with_the_exact_line(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("time [s],crank [Hz]\n0,20\n1,20\n")
    with pytest.raises(InputError) as caught:
        read_log(path)
    for part in ("log.csv", '"crank [Hz]"', "[columns]", 'speed = {column = "...", unit = "rpm"}', "--columns columns.toml"):
        assert part in str(caught.value)


def test_two_units_that_fit_are_a_question_with_a_line_for_each(tmp_path: Path) -> None:
    path = log_of(tmp_path, "MAP", np.linspace(5.0, 14.5, 60))
    log = read_log(path)
    assert log.channels == ("time", "speed")
    lines = log_columns_words(log).split("\n")
    assert "Put the line that is right" in " ".join(" ".join(lines[-4:-2]).split())
    assert lines[-2:] == ['      load = {column = "MAP", unit = "inHg"}', '      # or: load = {column = "MAP", unit = "psi"}']
    answer = tmp_path / "columns.toml"
    answer.write_text("[columns]\n" + "\n".join(lines[-2:]))
    assert read_log(path, answer).columns["load"].unit == "inHg"


def test_a_unit_that_no_word_says_is_never_called_written(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("Zeit [s];Drehzahl\n" + "".join(f"{k / 20};{900 + k % 7}\n" for k in range(80)))
    log = read_log(path)
    assert log.columns["speed"].unit_from is UnitFrom.TRADE
    assert "a unit not written but the only one the trade has" in " ".join(log_columns_words(log).split())


# Units off the numbers, and numbers that cannot be.


@pytest.mark.parametrize(
    ("channel", "kind", "numbers", "units"),
    [
        ("time", "", [0.0, 0.05, 0.1], ["s"]),
        ("time", "", [0.0, 50.0, 100.0], ["ms"]),
        ("speed", "", [800.0, 2500.0], ["rpm"]),
        ("speed", "", [14.0, 40.0], ["crank_rps"]),
        ("pedal", "", [0.0, 60.0], ["percent"]),
        ("pedal", "", [0.0, 0.6], ["percent", "1"]),
        ("load", "manifold pressure", [32.0, 98.0], ["kPa"]),
        ("load", "manifold pressure", [9.5, 29.0], ["inHg"]),
        ("load", "manifold pressure", [5.0, 14.5], ["inHg", "psi"]),
        ("load", "manifold pressure", [320.0, 980.0], ["hPa"]),
        ("load", "air charge", [90.0, 400.0], ["mg"]),
        ("lambda", "", [14.7, 12.0, 15.0], ["afr"]),
        ("road_speed", "", [10.0, 50.0], ["km/h", "mph", "m/s"]),
        ("spark", "", [], []),
    ],
)
def test_units_that_make_sense_of_numbers(channel: str, kind: str, numbers: list[float], units: list[str]) -> None:
    assert fitting_units(channel, kind, np.array(numbers)) == units


def test_without_a_unit_a_column_is_used_only_where_one_alone_makes_sense(tmp_path: Path) -> None:
    log = read_log(log_of(tmp_path, "MAP,TPS,Vehicle speed", np.linspace(33, 97, 60), np.linspace(0, 45, 60), np.linspace(10, 50, 60)))
    assert log.channels == ("time", "speed", "load", "pedal")
    assert {log.columns[name].unit_from for name in ("load", "pedal")} == {UnitFrom.NUMBERS}
    (note,) = log.notes
    assert (note.what, note.column, note.other) == (LogDoubt.NO_UNIT, "Vehicle speed", "km/h, mph, m/s")
    # The lines are there to be copied: each whole, whatever the width.
    lines = log_columns_words(log).split("\n")
    for line in ('road_speed = {column = "Vehicle speed", unit = "km/h"}', '# or: road_speed = {column = "Vehicle speed", unit = "mph"}'):
        assert f"      {line}" in lines
    assert "may be in km/h or mph or m/s" in log_note_words(note)
    assert '[kPa] (known by "map"), manifold pressure, a unit not written but the only one that makes sense of its numbers' in " ".join(
        log_columns_words(log).split()
    )


@pytest.mark.parametrize(
    ("name", "value", "likely"),
    [
        ("Lambda", 14.7, "afr"),
        ("AFR", 0.95, "1"),
        ("MAP [kPa]", 9.0, "psi"),
        ("MAP [psi]", 45.0, "kPa"),
        ("spark [deg]", 250.0, ""),
        ("pedal [1]", 35.0, "percent"),
    ],
)
def test_what_cannot_be_is_left_out_by_itself_with_its_likely_unit(tmp_path: Path, name: str, value: float, likely: str) -> None:
    log = read_log(log_of(tmp_path, f"{name},gear", value, 3))
    assert log.channels == ("time", "speed", "gear")
    (note,) = log.notes
    assert (note.what, note.column, note.other, note.figure) == (LogDoubt.REFUSED, name, likely, pytest.approx(value))
    words = log_note_words(note)
    assert "not used" in words
    assert (f"likely in {likely}" in words) == bool(likely)
    if likely:
        channel = note.channel
        line = words.split("\n  ")[1]
        assert line.startswith(f"{channel} = ")
        assert channel in read_log(log_of(tmp_path, f"{name},gear", value, 3), {channel: {"column": name, "unit": likely}}).channels


def test_inches_of_mercury_called_kilopascal_are_left_out_where_the_pedal_goes_down(tmp_path: Path) -> None:
    """Twelve to thirty: as kilopascal the manifold of an overrun, but with the pedal at half."""
    pressures = np.linspace(14, 29.5, 60)
    light = read_log(log_of(tmp_path, "MAP [kPa],pedal [%]", pressures, 10))
    assert (light.load_kind, [note.what for note in light.notes]) == ("manifold pressure", [LogDoubt.LOW_PRESSURE])
    log = read_log(log_of(tmp_path, "MAP [kPa],pedal [%]", pressures, np.linspace(5, 50, 60)))
    assert log.channels == ("time", "speed", "pedal")
    assert [(note.what, note.other) for note in log.notes] == [(LogDoubt.REFUSED, "inHg")]


def test_an_engine_speed_that_cannot_be_is_refused_with_the_line_to_put_in(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("time [s],engine speed [rpm]\n" + "".join(f"{k / 20},{15 + k % 20}\n" for k in range(80)))
    with pytest.raises(InputError) as caught:
        read_log(path)
    assert 'speed = {column = "engine speed [rpm]", unit = "rev/s"}' in str(caught.value)
    assert read_log(path, {"speed": {"column": "engine speed [rpm]", "unit": "rev/s"}}).si.speed[0] == pytest.approx(15.0)


def test_everything_recognised_and_everything_left_is_listed(tmp_path: Path) -> None:
    log = read_log(log_of(tmp_path, "Base timing [deg],Coolant temp [°C],Frobnication", 10, 85, 1))
    text = log_columns_words(log)
    for line in (
        'engine speed: column "engine speed [rpm]" [rpm] (known by "engine speed")',
        '"Base timing [deg]" (base spark)',
        '"Coolant temp [°C]" (coolant temperature)',
        '"Frobnication"',
    ):
        assert line in " ".join(text.split())
    data = log.to_dict()
    assert data["columns"]["speed"] == {
        "column": "engine speed [rpm]", "unit": "rpm", "guessed": True, "words": "engine speed", "unit_from": "written", "greatest_age": None,
    }  # fmt: skip
    assert data["unused"][1] == {"name": "Coolant temp [°C]", "what": "coolant temperature"}


@pytest.mark.parametrize(
    ("header", "known", "gauge"),
    [
        ("Elapsed Time (sec),Engine RPM,Boost/Vacuum (psig),Ign Adv (deg BTDC),Throttle Pos (%),Veh Spd (mph)", 5, "Boost/Vacuum (psig)"),
        ("time_s,engSpd_rpm,mapGauge_kPa,sparkAdv_degBTDC,throttle_pct,vehSpd_kph,clutchSw", 6, "mapGauge_kPa"),
        ("t [s],Revs [rpm],Manifold Vacuum [inHg],Timing [deg],TPS [%],Wheel Speed [mph]", 5, "Manifold Vacuum [inHg]"),
    ],
)
def test_short_names_are_known_and_pressures_against_the_barometer_are_no_load(header: str, known: int, gauge: str, tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = (",".join([f"{0.1 * k:.1f}", f"{1500 + k}", "-7.5", "20", "15", "30", "0"][: header.count(",") + 1]) for k in range(20))
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    log = read_log(path)
    assert len(log.channels) == known
    assert not log.load_kind
    assert [(one.name, one.what) for one in log.unused] == [(gauge, "pressure against the barometer")]
