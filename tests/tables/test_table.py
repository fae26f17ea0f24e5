"""Spark tables: read, looked up, and written back as they were written. All tables here are invented."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import RegularGridInterpolator

from camcalc.cycle.load_axis import LOAD_KINDS
from camcalc.errors import CamcalcError, InputError
from camcalc.tables import SparkTable, read_table
from camcalc.tables.axes import LOADS

PLAIN = "speed [rpm] \\ manifold pressure [kPa],30,50,90\n800,10,20,14\n1400,12,30,22\n2000,18,34,25\n"


def read_text(text: str, folder: Path, **options: object) -> SparkTable:
    path = folder / "base.csv"
    path.write_bytes(text.encode())
    return read_table(path, **options)


@st.composite
def written_tables(draw: st.DrawFn) -> str:
    """Text of a table in any way of writing that is accepted."""
    separator = draw(st.sampled_from([",", ";", "\t"]))
    comma = separator != "," and draw(st.booleans())
    end = draw(st.sampled_from(["\n", "\r\n"]))
    quoted = draw(st.booleans())
    rows, columns = draw(st.integers(2, 5)), draw(st.integers(2, 5))

    def number(value: float, decimals: int) -> str:
        text = f"{value:.{decimals}f}"
        text = draw(st.sampled_from([text, text.removeprefix("0") if "." in text else text, f"+{text}", f"0{text}"])) if not text.startswith("-") else text
        text = text.replace(".", ",") if comma else text
        return draw(st.sampled_from([text, f" {text}", f"{text} "])) if separator != "\t" else text

    unit, scale, kind = draw(
        st.sampled_from([("kPa", 1.0, "manifold pressure"), ("mg", 5.0, "air charge"), ("percent", 1.0, "relative charge"), ("psi", 0.14, "pressure")])
    )
    corner = draw(st.sampled_from([f"speed [rpm] \\ {kind} [{unit}]", f"rpm \\ {unit}", f"engine speed (1/min)\\{kind} ({unit})"]))
    lines = [[f'"{corner}"' if quoted else corner, *(number((20.0 + 15.0 * c) * scale, draw(st.integers(1, 3))) for c in range(columns))]]
    for r in range(rows):
        fine, whole = st.tuples(st.integers(-400, 800).map(lambda tenths: tenths / 10.0), st.integers(1, 3)), st.tuples(st.integers(-40, 80), st.just(0))
        cells = [number(*draw(st.one_of(fine, whole))) for _ in range(columns)]
        lines.append([number(600.0 + 150.0 * r, draw(st.integers(0, 1))), *cells])
    text = end.join(separator.join(line) for line in lines)
    return draw(st.sampled_from(["", "\ufeff"])) + text + draw(st.sampled_from(["", end, end * 2]))


@given(text=written_tables())
def test_an_unchanged_table_is_written_byte_for_byte(text: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("tables")
    table = read_text(text, folder)
    again = table.with_spark(table.cells).write(folder / "again.csv")
    assert again.read_bytes() == text.encode()


@given(text=written_tables(), data=st.data())
def test_only_the_changed_cell_changes_its_text_and_comes_back_as_it_was(text: str, data: st.DataObject, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("tables")
    table = read_text(text, folder)
    row, column = data.draw(st.integers(0, table.shape[0] - 1)), data.draw(st.integers(0, table.shape[1] - 1))
    cells = table.si.cells.copy()
    cells[row, column] = data.draw(st.one_of(st.integers(-40, 80).map(float), st.floats(-40.0, 80.0)))
    again = read_table(table.with_spark(cells).write(folder / "again.csv"))
    # Seventeen decimals: exact from 0.1 degree up.
    assert again.si.cells == pytest.approx(cells, rel=0.0, abs=1e-17)
    assert table.layout is not None
    assert again.layout is not None
    differ = [(r, c) for r, line in enumerate(table.layout.cells) for c, cell in enumerate(line) if again.layout.cells[r][c] != cell]
    assert differ == ([] if cells[row, column] == table.si.cells[row, column] else [(row + 1, column + 1)])
    assert again.layout._replace(cells=()) == table.layout._replace(cells=())


def test_a_changed_cell_keeps_its_decimals_and_takes_more_where_it_needs_them(tmp_path: Path) -> None:
    table = read_text("rpm \\ kPa;40;60\n800;10,50;20\n1200;11;21,0\n", tmp_path)
    assert table.with_spark([[11.0, 20.5], [12.0, 22.0]]).text() == "rpm \\ kPa;40;60\n800;11,00;20,5\n1200;12;22,0\n"


@pytest.mark.parametrize(
    ("cells", "increment"), [("1,2\n900,3,4", 1.0), ("1.0,2\n900,3,4", 0.1), ("1.5,2\n900,3,4", 0.1), ("1.25,2\n900,3,4", 0.1), ("-1,2\n900,3,80", 1.0)]
)
def test_the_increment_is_the_last_decimal_written_but_no_finer_than_a_tenth(cells: str, increment: float, tmp_path: Path) -> None:
    text = f"rpm \\ kPa,40,60\n800,{cells}\n"
    assert read_text(text, tmp_path).increment.magnitude == increment
    assert read_text(text, tmp_path, increment="0.25 crank_deg").increment.magnitude == 0.25


@pytest.mark.parametrize(
    ("corner", "values", "kind", "inner"),
    [
        ("speed [rpm] \\ manifold pressure [kPa]", "50,100", "manifold pressure", (50e3, 100e3)),
        ("rpm \\ bar", "0.5,1", "manifold pressure", (50e3, 100e3)),
        ("rpm \\ Pa", "50000,100000", "manifold pressure", (50e3, 100e3)),
        ("rpm \\ psi", "10,14", "manifold pressure", (68947.57, 96526.60)),
        ("rpm \\ inHg", "10,30", "manifold pressure", (33863.89, 101591.67)),
        ("RPM \\ kPa absolute", "50,100", "manifold pressure", (50e3, 100e3)),
        ("speed [rpm] \\ air charge [mg per cylinder]", "100,600", "air charge", (1e-4, 6e-4)),
        ("speed [rpm] \\ charge_air [g per cylinder]", "0.1,0.6", "air charge", (1e-4, 6e-4)),
        ("rpm \\ kg", "1e-4,6e-4", "air charge", (1e-4, 6e-4)),
        ("Engine Speed [rpm] \\ mass: trapped air per cycle [g]", "0.1,0.6", "air charge", (1e-4, 6e-4)),
        ("speed [rpm] \\ load [mg per cylinder and cycle]", "100,600", "air charge", (1e-4, 6e-4)),
        ("speed [rpm] \\ Load - relative [%]", "20,80", "relative charge", (0.2, 0.8)),
        ("speed [rpm] \\ IntakePressure [kPa abs]", "50,100", "manifold pressure", (50e3, 100e3)),
        ("rpm \\ %", "20,80", "relative charge", (0.2, 0.8)),
        ("speed [rpm] \\ relative charge [percent]", "20,80", "relative charge", (0.2, 0.8)),
        ("speed [rpm] \\ relative charge [1]", "0.2,0.8", "relative charge", (0.2, 0.8)),
        ("speed (1/min) \\ load (kPa)", "50,100", "manifold pressure", (50e3, 100e3)),
    ],
)
def test_axes_become_what_the_corner_cell_says(corner: str, values: str, kind: str, inner: tuple[float, float], tmp_path: Path) -> None:
    table = read_text(f"{corner},{values}\n600,10,20\n1200,12,22\n", tmp_path)
    assert table.load_kind == kind
    assert table.loads == pytest.approx(inner, rel=1e-6)
    assert table.si.speed == pytest.approx([10.0, 20.0], rel=1e-12)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (PLAIN.replace("manifold pressure [kPa]", "V"), ["corner cell", '"V"', "manifold pressure (kPa", "voltage"]),
        (PLAIN.replace("manifold pressure [kPa]", "throttle [%]"), ["throttle [%]", "no measure of the charge"]),
        (PLAIN.replace("manifold pressure [kPa]", "throttle angle [deg]"), ["throttle", "no measure of the charge"]),
        (PLAIN.replace("manifold pressure [kPa]", "manifold vacuum [inHg]"), ["vacuum", "absolute pressure"]),
        (PLAIN.replace("manifold pressure [kPa]", "exhaust pressure [kPa]"), ["no load with a unit"]),
        (PLAIN.replace("manifold pressure [kPa]", "relative charge [kPa]"), ["no load with a unit"]),
        (PLAIN.replace(" [kPa]", ""), ["no load with a unit"]),
        (PLAIN.replace("[rpm]", ""), ["no engine speed with a unit"]),
        (PLAIN.replace("[kPa]", "[mg]"), ["no load with a unit that belongs to it"]),
        (PLAIN.replace("speed [rpm] \\ manifold pressure [kPa]", "kPa \\ rpm"), ["turn the table over"]),
        (PLAIN.replace(" \\ ", " "), ["write both axes into the corner cell"]),
        (PLAIN.replace("kPa", "bar"), ["column 2", "30 bar", "0.01 to 5 bar", "check the unit"]),
        (PLAIN.replace(",50,", ",20,"), ["column 3, manifold pressure", "20 kPa after 30 kPa", "sort the columns"]),
        (PLAIN.replace(",50,", ",30,"), ["column 3", "30 kPa after 30 kPa", "take one of the two out"]),
        (PLAIN.replace("1400", "700"), ["row 3, speed", "700 rpm after 800 rpm", "sort the rows"]),
        (PLAIN.replace("1400", "800"), ["row 3, speed", "take one of the two out"]),
        (PLAIN.replace(",30,22", ",30"), ["row 3", "3 cells", "4 cells, as in the first row"]),
        (PLAIN.replace("\n1400", "\n\n1400"), ["row 3", "an empty row"]),
        (PLAIN.replace(",34,", ",late,"), ["row 4, column 3", '"late"', "a plain number"]),
        (PLAIN.replace(",34,", ",nan,"), ["row 4, column 3", '"nan"']),
        (PLAIN.replace(",34,", ",inf,"), ["row 4, column 3", '"inf"']),
        (PLAIN.replace(",34,", ",,"), ["row 4, column 3", "a blank cell"]),
        (PLAIN.replace(",34,", ",x,").replace(",12,", ",y,"), ["row 3, column 2", '"y"', "row 4, column 3", '"x"']),
        (PLAIN.replace(",34,", ",81,"), ["row 4, column 3 (2000 rpm, 50 kPa)", "81", "-40 to 80"]),
        (PLAIN.replace(",34,", ",-40.5,"), ["-40.5", "-40 to 80"]),
        ("rpm \\ kPa,30,50\n800,1,2\n", ["1 x 2 cells", "at least two speeds"]),
        ("rpm \\ kPa,30\n800,1\n900,2\n", ["2 x 1 cells", "at least two speeds"]),
        ("", ["an empty file"]),
        ("rpm \\ kPa;30;50\n800;1.000,5;2\n900;3;4\n", ["row 2, column 2", '"1.000,5"']),
        ("rpm \\ kPa;30;50\n800;1.5;2\n900;3,5;4\n", ["decimal mark", '"1.5" in row 2, column 2 and "3,5" in row 3, column 2']),
        ("rpm \\ kPa;30 kPa;50\n800;1;2\n900;3;4\n", ["row 1, column 2", "without a unit"]),
    ],
)
def test_a_table_that_cannot_be_used_says_where_and_why(text: str, words: list[str], tmp_path: Path) -> None:
    with pytest.raises(CamcalcError) as caught:
        read_text(text, tmp_path)
    assert [word for word in ["base.csv", *words] if word not in str(caught.value)] == []


def test_a_file_that_is_not_there_or_not_text_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="No such file"):
        read_table(tmp_path / "none.csv")
    (tmp_path / "sheet.csv").write_bytes(PLAIN.encode("utf-16"))
    with pytest.raises(InputError, match="not UTF-8"):
        read_table(tmp_path / "sheet.csv")


def test_a_table_is_not_written_over_its_source_unless_told(tmp_path: Path) -> None:
    table = read_text(PLAIN, tmp_path)
    changed = table.with_spark(table.si.cells - 1.0)
    with pytest.raises(InputError, match="the file the table was read from"):
        changed.write(tmp_path / "base.csv")
    assert (tmp_path / "base.csv").read_text(encoding="utf-8") == PLAIN
    changed.write(tmp_path / "base.csv", overwrite=True)
    assert np.array_equal(read_table(tmp_path / "base.csv").si.cells, table.si.cells - 1.0)


def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    table = read_text(PLAIN, tmp_path)

    def fails(self: Path, target: Path) -> Path:
        raise OSError("no room")

    monkeypatch.setattr(Path, "replace", fails)
    with pytest.raises(InputError, match="no room"):
        table.with_spark(table.si.cells - 1.0).write(tmp_path / "base.csv", overwrite=True)
    assert (tmp_path / "base.csv").read_bytes() == PLAIN.encode()
    assert [path.name for path in tmp_path.iterdir()] == ["base.csv"]


@st.composite
def grids(draw: st.DrawFn) -> SparkTable:
    rows, columns = draw(st.integers(2, 6)), draw(st.integers(2, 6))
    steps = st.floats(0.5, 20.0)
    speed = 10.0 + np.cumsum([draw(steps) for _ in range(rows)])
    loads = 2e4 + 1e3 * np.cumsum([draw(steps) for _ in range(columns)])
    cells = np.array([[draw(st.floats(-40.0, 80.0)) for _ in range(columns)] for _ in range(rows)])
    return SparkTable(load_kind="manifold pressure", speed=speed, loads=loads, cells=cells, increment=1.0)


shares = st.lists(st.tuples(st.floats(-0.5, 1.5), st.floats(-0.5, 1.5)), min_size=1, max_size=20)


def points(table: SparkTable, at: list[tuple[float, float]]) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.array(at).T
    return tuple(axis[0] + share * (axis[-1] - axis[0]) for axis, share in ((table.si.speed, x), (table.loads, y)))  # type: ignore[return-value]


@given(table=grids(), at=shares)
def test_lookup_is_bilinear_inside_and_holds_the_edge_beyond(table: SparkTable, at: list[tuple[float, float]]) -> None:
    speed, load = points(table, at)
    inside = np.clip(speed, table.si.speed[0], table.si.speed[-1]), np.clip(load, table.loads[0], table.loads[-1])
    other = RegularGridInterpolator((table.si.speed, table.loads), table.si.cells)(np.column_stack(inside))
    assert table.spark_at(speed, load) == pytest.approx(other, abs=1e-10)
    assert [table.spark_at(float(s), float(p)) for s, p in zip(speed, load, strict=True)] == table.spark_at(speed, load).tolist()


@given(table=grids())
def test_lookup_at_a_cell_is_the_cell(table: SparkTable) -> None:
    speed, load = np.meshgrid(table.si.speed, table.loads, indexing="ij")
    assert np.array_equal(table.spark_at(speed, load), table.si.cells)


@given(table=grids(), at=shares)
def test_slopes_are_those_of_the_looked_up_surface(table: SparkTable, at: list[tuple[float, float]]) -> None:
    speed, load = points(table, at)
    along_speed, along_load = table.slopes_at(speed, load)
    # Between breakpoints the surface is straight along each axis: a short step ahead is exact but for rounding.
    for slope, axis, values, at_shift in (
        (along_speed, table.si.speed, speed, lambda h: table.spark_at(speed + h, load)),
        (along_load, table.loads, load, lambda h: table.spark_at(speed, load + h)),
    ):
        h = 1e-4 * float(np.diff(axis).min())
        clear = np.abs(values[:, None] - axis).min(axis=1) > 2.0 * h
        difference = (at_shift(h) - at_shift(-h)) / (2.0 * h)
        assert slope[clear] == pytest.approx(difference[clear], abs=1e-12 * 120.0 / h)


def test_faces_take_quantities_and_agree_with_their_kernels(tmp_path: Path) -> None:
    table = read_text(PLAIN, tmp_path)
    assert table.spark("1100 rpm", "40 kPa").magnitude == pytest.approx(18.0, abs=1e-12)
    assert table.spark("1100 rpm", "400 mbar").magnitude == pytest.approx(table.spark_at(1100.0 / 60.0, 40e3), abs=1e-12)
    slopes = table.slopes("1100 rpm", "40 kPa")
    assert slopes.along_speed.to("crank_deg/krpm").magnitude == pytest.approx(10.0, rel=1e-12)
    assert slopes.along_load.to("crank_deg/kPa").magnitude == pytest.approx(0.7, rel=1e-12)
    assert table.slopes_at(10.0, 20e3) == (0.0, 0.0)
    with pytest.raises(InputError, match="bare number"):
        table.spark(1100, "40 kPa")
    with pytest.raises(InputError, match="load"):
        table.spark("1100 rpm", "200 mg")


def test_a_table_made_in_code_is_written_and_read_back(tmp_path: Path) -> None:
    speed, loads = np.array([600.0, 1250.0, 1400.0]) / 60.0, np.array([105.0, 210.5]) * 1e-6
    table = SparkTable(load_kind="air charge", speed=speed, loads=loads, cells=np.array([[10.0, 20.5], [1.0, 2.0], [3.0, 1.0 / 3.0]]), increment=0.1)
    again = read_table(table.write(tmp_path / "made.csv"), increment="0.1 crank_deg")
    assert again.load_kind == "air charge"
    assert again.si.speed == pytest.approx(speed, rel=1e-12)
    assert again.loads == pytest.approx(loads, rel=1e-12)
    assert np.array_equal(again.si.cells, table.si.cells)


def test_a_table_cannot_be_changed_in_place(tmp_path: Path) -> None:
    cells = np.array([[1.0, 2.0], [3.0, 4.0]])
    table = SparkTable(load_kind="relative charge", speed=np.array([10.0, 20.0]), loads=np.array([0.2, 0.8]), cells=cells, increment=1.0)
    cells[0, 0] = 50.0
    assert table.si.cells[0, 0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        table.si.cells[0, 0] = 50.0


def test_a_table_prints_its_axes_and_gives_plain_data(tmp_path: Path) -> None:
    table = read_text(PLAIN, tmp_path)
    lines = str(table).splitlines()
    assert "speed [rpm] \\ manifold pressure [kPa]" in lines[0]
    assert lines[-1].split() == ["(4)", "2000", "18", "34", "25"]
    assert len({len(line) for line in lines[2:]}) == 1
    data = table.to_dict()
    assert data["load"] == {"value": [30.0, 50.0, 90.0], "unit": "kPa"}
    assert data["spark"]["value"][1] == [12.0, 30.0, 22.0]
    assert "2000" in table._repr_html_()


def test_kinds_of_load_are_those_that_advice_knows() -> None:
    assert tuple(LOADS) == LOAD_KINDS
