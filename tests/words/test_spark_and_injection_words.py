"""Ceilings, starting table, injection and later spark in words: every code has its own, and the record's figures are in them."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from camcalc import QuickEngine
from camcalc.advice.bands import Uncertain
from camcalc.advice.base_table import BaseTableCell
from camcalc.advice.fuel_placement import InjectionReason, Placement, Strategy
from camcalc.advice.injection import FuelDelivery, InjectionBasis, InjectionPoint, InjectionWindows, StrategyJump, StrategyMap, Window, injection_windows
from camcalc.advice.sensitivity import CeilingSensitivity, ChangedInput, Changes
from camcalc.advice.spark import SparkCeilings
from camcalc.advice.spark_limits import SETTLED_BY, Binds, CellState
from camcalc.advice.starting_table import StartingTable
from camcalc.advice.trade_off import LineEnd, TradeOff, trade_off
from camcalc.marks import Mark
from camcalc.words import describe
from camcalc.words.ceilings import (
    NO_ZONE,
    WORTH_A_LINE,
    base_table_words,
    binding_cells,
    binding_lines,
    finding_lines,
    range_lines,
    range_text,
    sensitivity_lines,
    variant_name,
)
from camcalc.words.injection import (
    STRATEGIES,
    basis_words,
    delivery_words,
    duty_words,
    end_words,
    injection_lines,
    jump_words,
    point_words,
    reason_lines,
    strategy_name,
)

Make = Callable[..., Any]
Plain = Callable[[str], str]
BARE = {"speed", "manifold_pressure", "restless_to", "spark_offset", "torque_curve"}


def a_grid(ceiling: list[list[float]], binds: Any = ((None,) * 3,) * 2, **changes: Any) -> SparkCeilings:
    """Ceilings of two loads and three speeds, everything else blank."""
    values = np.array(ceiling)
    blank = {name: np.full_like(values, np.nan) for name in SparkCeilings.measures() if name not in BARE}
    known: dict[str, Any] = blank | {
        "speed": np.array([1200.0, 1400.0, 1600.0]) / 60.0, "manifold_pressure": np.array([50e3, 60e3]), "restless_to": np.full(3, 60e3),
        "spark_offset": np.zeros(1), "torque_curve": np.zeros((2, 3, 1)), "ceiling": values, "least_limit": values, "gears": (3, 4, 5),
        "binds": tuple(map(tuple, binds)), "states": ((CellState.RUNS,) * 3,) * 2, "beyond_data": np.zeros((2, 3), dtype=bool),
        "wanders": np.zeros((2, 3), dtype=bool),
    }  # fmt: skip
    return SparkCeilings(**(known | changes))


NAN = math.nan


def test_the_zone_names_its_cells_and_its_lowest_ceiling(plain: Plain) -> None:
    grid = a_grid([[17.0, 19.0, NAN], [24.0, NAN, NAN]], [[Binds.KNOCK_OF_FULLEST, Binds.MISSED_CYCLES, None], [Binds.KNOCK_OF_FULLEST, None, None]])
    first, *rest = plain(describe(grid)).splitlines()
    assert first == "Low-speed zone: 3 cells, 1200 to 1400 rpm, 50 to 60 kPa. Lowest ceiling: 17 deg BTDC at 1200 rpm, 50 kPa."
    assert rest[0].startswith("2 cells: ")
    assert rest[1].startswith("1 cell: ")
    assert binding_cells(grid) == [(str(Binds.KNOCK_OF_FULLEST), "1200 rpm at 50 kPa; 1200 rpm at 60 kPa"), (str(Binds.MISSED_CYCLES), "1400 rpm at 50 kPa")]


def test_a_ceiling_is_a_range_where_cautious_figures_lower_it(plain: Plain) -> None:
    ceiling, low = [[27.0, NAN, NAN], [NAN] * 3], np.array([[15.0, NAN, NAN], [NAN] * 3])
    grid = a_grid(ceiling, [[Binds.MISSED_CYCLES, None, None], [None] * 3], ceiling_low=low)
    assert range_text(grid, 0, 0) == "15 to 27 deg BTDC"
    assert "Lowest ceiling: 15 to 27 deg BTDC at 1200 rpm, 50 kPa." in plain(describe(grid))
    same = grid.replace(ceiling_low=low + 11.9)
    assert range_text(same, 0, 0) == "27 deg BTDC"


@pytest.mark.parametrize("code", list(Binds), ids=lambda code: code.code)
def test_what_would_settle_a_ceiling_is_said_once(code: Binds, plain: Plain) -> None:
    lines = [plain(line) for line in range_lines(a_grid([[17.0] * 3] * 2, ((code, code, None), (None,) * 3)))]
    assert sum(SETTLED_BY[code].meaning in line for line in lines) == 1
    assert range_lines(a_grid([[NAN] * 3] * 2)) == []


def test_beyond_the_data_it_is_direction_not_degrees(plain: Plain) -> None:
    beyond = np.array([[True, False, True], [False] * 3])
    grid = a_grid([[17.0, 19.0, NAN], [NAN] * 3], [[Binds.MISSED_CYCLES] * 2 + [None], [None] * 3], beyond_data=beyond)
    told = [plain(line) for line in range_lines(grid) if "direction, not degrees" in line]
    assert len(told) == 1
    assert told[0].startswith("In 1 cell ")
    assert not any("direction" in line for line in range_lines(grid.replace(beyond_data=~beyond & False)))


def test_no_zone_is_a_verdict(plain: Plain) -> None:
    assert plain(describe(a_grid([[NAN] * 3] * 2))) == NO_ZONE


def test_no_zone_but_with_cautious_figures_is_said(plain: Plain) -> None:
    grid = a_grid([[NAN] * 3] * 2, ceiling_low=np.array([[28.0, 30.0, NAN], [NAN] * 3]))
    assert "2 cells" in plain(describe(grid))
    assert "cautious" in plain(describe(grid))


def test_a_zone_that_spark_cures_nowhere_says_what_to_do(plain: Plain) -> None:
    grid = a_grid([[37.0, NAN, NAN], [NAN] * 3], [[Binds.LATEST_USEFUL, None, None], [None] * 3], least_limit=np.full((2, 3), 20.0))
    assert "raise speed, change gear or cam" in plain(describe(grid)).splitlines()[0]


@pytest.mark.parametrize("code", WORTH_A_LINE, ids=lambda code: code.code)
def test_each_finding_of_a_cell_is_counted_in_its_own_words(code: Any, plain: Plain) -> None:
    grid = a_grid([[17.0] * 3] * 2, states=((code, code, CellState.RUNS), (CellState.RUNS,) * 3))
    assert [plain(line) for line in finding_lines(grid)] == [f"2 cells: {code.meaning}."]


def test_whatever_is_no_finding_of_a_cell_has_no_line() -> None:
    assert set(WORTH_A_LINE) == set(CellState) - {CellState.RUNS}


@pytest.mark.parametrize("code", list(Binds), ids=lambda code: code.code)
def test_what_ceilings_rest_on_is_counted_in_its_own_words(code: Binds, plain: Plain) -> None:
    grid = a_grid([[17.0] * 3] * 2, ((code, code, None), (None,) * 3))
    assert [plain(line) for line in binding_lines(grid)] == [f"2 cells: {code.meaning}."]
    assert binding_lines(grid)[0] in describe(grid)


def test_each_variant_of_the_ceilings_has_a_name_of_its_own() -> None:
    sheet = {Changes.NOTHING: NAN, Changes.LOAD_SWING: 0.05, Changes.OCTANE: 94.0, Changes.SMOOTH_GEARS: 4.0}
    names = [variant_name(ChangedInput(what=what, value=value)) for what, value in sheet.items()]
    names += [variant_name(ChangedInput(what=Changes.UNCERTAIN, input=which, value=1.1)) for which in Uncertain]
    assert len(set(names)) == len(sheet) + len(Uncertain)
    assert names[:4] == ["as the sheet is", "load swing 5 % r.m.s.", "research octane 94", "road load of gear 4"]
    assert variant_name(ChangedInput(what=Changes.LOAD_SWING, value=0.0)) == "no load swing"
    assert variant_name(ChangedInput(what=Changes.UNCERTAIN, input=Uncertain.SPARK_ENERGY, value=0.3)) == "spark energy 0.3 times"


def test_what_decides_the_ceilings_is_named_most_first(plain: Plain) -> None:
    blank: dict[str, Any] = dict.fromkeys(CeilingSensitivity.measures(), NAN)
    table = CeilingSensitivity(**blank, variants=(), decides=(Uncertain.KERNEL_TURBULENCE, Changes.OCTANE), gear=4)
    assert "What decides them, most first: turbulence at the kernel, octane." in [plain(line) for line in sensitivity_lines(table)]


@pytest.mark.parametrize(("span", "lines"), [(23.0, 2), (10.0, 1), (NAN, 1)])
def test_variants_far_apart_are_told_and_common_practice_is_named_as_such(span: float, lines: int, plain: Plain) -> None:
    table = CeilingSensitivity(
        speed=np.array([20.0]), manifold_pressure=np.array([5e4]), limit=np.zeros((1, 1)), least=np.zeros((1, 1)), floor=np.zeros(1), widest_span=span,
        widest_at=1400.0 / 60.0, variants=(ChangedInput(what=Changes.NOTHING),), decides=(), gear=4,
    )  # fmt: skip
    said = plain(describe(table)).splitlines()
    assert len(said) == lines
    assert "no source" in said[-1]
    assert (said[0] == "The variants lie up to 23 deg apart, at 1400 rpm. Start from the low side and work up.") is (lines == 2)


def test_a_table_above_the_ceilings_says_in_how_many_cells_and_where_most(plain: Plain) -> None:
    def cell(spark: float, rpm: float) -> BaseTableCell:
        blank = dict.fromkeys(BaseTableCell.measures())
        return BaseTableCell(**(blank | {"speed": rpm / 60.0, "manifold_pressure": 6e4, "table_spark": spark, "ceiling": 20.0}))

    said = plain(base_table_words([cell(30.0, 1200.0), cell(38.0, 1400.0)]))
    assert said.startswith("Your table is above the spark ceiling in 2 cells, by up to 18 deg at 1400 rpm, 60 kPa.")
    assert "in 1 cell," in base_table_words([cell(30.0, 1200.0)])
    assert base_table_words([]) == ""


# The starting table.


def a_table(**changes: Any) -> StartingTable:
    no = np.zeros((2, 2), dtype=bool)
    known: dict[str, Any] = {
        "speed": np.array([20.0, 25.0]), "manifold_pressure": np.array([5e4, 9e4]), "spark": np.full((2, 2), 20.0), "knock_low": np.full((2, 2), 25.0),
        "asked": np.full((2, 2), 20.5), "margin": 2.0, "least_spark": 5.0, "idle_spark": 17.0, "knock_sampled": True, "avoid": no, "zone": no, "wanders": no,
        "below_floor": no,
    }  # fmt: skip
    return StartingTable(**(known | changes))


def test_a_starting_table_says_under_what_its_cells_are(plain: Plain) -> None:
    sampled, not_sampled = plain(describe(a_table())), plain(describe(a_table(knock_sampled=False)))
    assert "under" not in sampled
    assert "low edge of its knock band, less another 2 deg" in sampled
    assert "was not sampled" in not_sampled
    assert len(sampled.splitlines()) == 3


def test_loads_to_keep_out_of_come_first_and_late_cells_are_counted(plain: Plain) -> None:
    marked = np.array([[False, True], [False, True]])
    lines = plain(describe(a_table(avoid=marked, below_floor=marked))).splitlines()
    assert lines[0].startswith("Do not load the engine at 1500 rpm, 50 kPa; 1500 rpm, 90 kPa. Knock leaves less than 5 deg BTDC there.")
    assert lines[1].startswith("2 cells of the low-speed zone burn later than the latest useful spark.")
    assert "1 cell of the low-speed zone burns" in describe(a_table(below_floor=np.array([[True, False], [False, False]])))


# Injection.


@pytest.fixture(scope="module")
def windows(build_of: Make) -> InjectionWindows:
    return injection_windows(QuickEngine(build_of("quarry-road")), np.array([1200.0, 1600.0]) / 60.0, np.array([60e3, 80e3]))


def with_reason(windows: InjectionWindows, strategy: Strategy | None, why: InjectionReason) -> InjectionWindows:
    shares = {name: np.full((2, 2), 0.25) for name in StrategyMap.measures()}
    closed, opened = StrategyMap(**shares), StrategyMap(**(shares | {"misplaced": np.full((2, 2), 0.04)}))
    return windows.replace(strategy=((strategy,) * 2,) * 2, why=((why,) * 2,) * 2, shut_valve=closed, open_valve=opened)


ENDS = {
    InjectionReason.FITS_CLOSED_VALVE: Strategy.CLOSED_VALVE, InjectionReason.TOO_LONG_FOR_CLOSED_VALVE: Strategy.OPEN_VALVE,
    InjectionReason.BLOWN_OFF_CLOSED_VALVE: Strategy.OPEN_VALVE, InjectionReason.TOO_LONG_FOR_BOTH: Strategy.CLOSED_VALVE,
    InjectionReason.MISPLACED_ON_BOTH: Strategy.OPEN_VALVE, InjectionReason.INJECTOR_TOO_SMALL: None, InjectionReason.NOT_RUNNING: None,
}  # fmt: skip


def test_every_reason_of_an_end_has_words_of_its_own(windows: InjectionWindows, plain: Plain) -> None:
    assert set(ENDS) == set(InjectionReason)
    said = {}
    for why, strategy in ENDS.items():
        (line,) = reason_lines(with_reason(windows, strategy, why), 0)
        assert line.startswith("1200, 1600 rpm: ")
        said[why] = plain(line)
        name = strategy_name(with_reason(windows, strategy, why), 0, 0)
        assert name.startswith(STRATEGIES[strategy]) if strategy else "valve" not in name
    assert len(set(said.values())) == len(InjectionReason)
    assert "25 % would go back past the injector" in said[InjectionReason.BLOWN_OFF_CLOSED_VALVE]
    assert "past the injector and back: 25 % of the fuel" in said[InjectionReason.FITS_CLOSED_VALVE]
    assert "Misplaced: 25 % on the closed valve, 4 % on the open one" in said[InjectionReason.MISPLACED_ON_BOTH]
    assert "larger injectors" in said[InjectionReason.INJECTOR_TOO_SMALL]


def test_a_reason_is_said_once_for_its_speeds_with_the_span_of_its_shares(windows: InjectionWindows) -> None:
    found = with_reason(windows, Strategy.CLOSED_VALVE, InjectionReason.FITS_CLOSED_VALVE)
    assert found.shut_valve is not None
    spread = found.replace(shut_valve=found.shut_valve.replace(past_injector=np.array([[0.97, 0.03]] * 2)), duty=np.array([[0.5, 0.93]] * 2))
    first, last = reason_lines(spread, 0)
    assert "3 to 97 % of the fuel" in first
    assert last.startswith("1600 rpm: The injector is open 93 % of the cycle.")


@pytest.mark.parametrize("why", list(InjectionReason), ids=lambda why: why.code)
def test_a_point_says_why_with_and_without_flows(why: InjectionReason, plain: Plain) -> None:
    window = Window(2e-3, 100.0, 30.0, *(NAN,) * 5, ENDS[why], why)
    placed = Placement(NAN, NAN, 150.0, 100.0, 0.3, 0.2, 0.1, 0.6, 0.0, False)
    by_events = plain(point_words(InjectionPoint(window, None, None, NAN, NAN, NAN, ENDS[why], why)))
    by_flows = plain(point_words(InjectionPoint(window, placed, placed, NAN, NAN, NAN, ENDS[why], why)))
    assert min(len(by_events), len(by_flows)) > 20


@pytest.mark.parametrize(("duty", "warned"), [(0.88, False), (0.92, True), (NAN, False)])
def test_an_injector_open_above_ninety_per_cent_is_warned_of(duty: float, warned: bool) -> None:
    assert (f"open {100 * duty:.0f} % of the cycle" in duty_words(duty)) is warned
    assert bool(duty_words(duty)) is warned


def test_every_fuel_delivery_and_every_basis_has_words_of_its_own(windows: InjectionWindows, plain: Plain) -> None:
    assert len({plain(delivery_words(delivery)) for delivery in FuelDelivery}) == len(FuelDelivery)
    assert len({plain(basis_words(windows.replace(basis=basis))) for basis in (*InjectionBasis, None)}) == len(InjectionBasis) + 1
    assert describe(windows.replace(applies=False, reason=FuelDelivery.DIRECT)) == delivery_words(FuelDelivery.DIRECT)


def test_an_end_has_its_zero_its_side_and_the_controller_s_count_where_that_differs(windows: InjectionWindows) -> None:
    found = windows.replace(end_of_injection=np.array([[112.2, -35.0], [NAN, 0.0]]), strategy=((Strategy.CLOSED_VALVE, Strategy.OPEN_VALVE),) * 2)
    assert end_words(found, 0, 0) == "112 deg before overlap TDC, closed valve"
    assert end_words(found, 0, 1) == "35 deg after overlap TDC, open valve"
    other = found.replace(controller_reference="after firing top dead centre", controller_end=np.full((2, 2), 247.8))
    assert end_words(other, 0, 0) == "112 deg before overlap TDC, closed valve; 248 deg after firing top dead centre"
    none = with_reason(windows, None, InjectionReason.NOT_RUNNING)
    assert end_words(none, 0, 0).startswith("No end of injection")


def test_steps_between_strategies_are_placed_along_speed_and_along_load(windows: InjectionWindows, plain: Plain) -> None:
    jumps = [StrategyJump((800.0 / 60.0, 20.0), (4e4, 4e4), 200.0), StrategyJump((20.0, 20.0), (4e4, 6e4), 195.0)]
    said = plain(jump_words(jumps))
    assert "between 800 and 1200 rpm at 40 kPa, 200 deg apart; between 40 and 60 kPa at 1200 rpm, 195 deg apart" in said
    assert said.endswith("Set two breakpoints side by side there, or keep one strategy on both.")
    ends = np.array([[100.0, -90.0], [100.0, 100.0]])
    stepped = windows.replace(end_of_injection=ends, strategy=((Strategy.CLOSED_VALVE, Strategy.OPEN_VALVE), (Strategy.CLOSED_VALVE,) * 2))
    assert "190 deg apart" in plain("\n".join(injection_lines(stepped, 0)))
    assert plain(describe(stepped)).splitlines()[-1] == injection_lines(stepped, 0)[-1]


# Later spark.


@pytest.fixture(scope="module")
def strip(build_of: Make) -> TradeOff:
    return trade_off(QuickEngine(build_of("quarry-road")), speed="1400 rpm", torque="60 N m", ceiling="20 crank_deg")


def test_every_end_of_a_line_has_words_of_its_own_with_the_limit_it_is_by(strip: TradeOff, plain: Plain) -> None:
    known = strip.replace(latest_half_burned=35.0, hottest_exhaust=1173.15, barometer=98e3)
    said = {end: plain(describe(known.replace(ends=end, to_ceiling=None))).splitlines()[0] for end in LineEnd}
    assert len(set(said.values())) == len(LineEnd)
    assert "35 deg ATDC" in said[LineEnd.LATEST_BURN]
    assert "900 degC" in said[LineEnd.HOTTEST_EXHAUST]
    assert "98 kPa" in said[LineEnd.NO_MORE_AIR]


def test_what_a_model_did_not_compute_is_said(strip: TradeOff, plain: Plain) -> None:
    said = plain(describe(strip))
    assert "Knock was not computed by this model" in said
    assert "Exhaust temperature does not answer to spark" in said
    known = strip.replace(knock_known=True, exhaust_temperature=np.full(strip.si.spark.size, 900.0))
    assert "Knock was not" not in describe(known)
    assert "Exhaust temperature" not in describe(known)
    assert "no fuel per work" in plain(describe(strip.replace(torque=0.0)))


def test_the_way_to_the_ceiling_comes_first_and_names_both_sparks(strip: TradeOff, plain: Plain) -> None:
    assert strip.to_ceiling is not None
    lines = plain(describe(strip)).splitlines()
    assert lines[0].startswith("From ")
    assert "20 deg BTDC" in lines[0]
    assert "no knock at its full end" in lines[1]
    assert "From " not in describe(strip.replace(to_ceiling=None)).splitlines()[0]


def test_a_last_spark_that_is_marked_says_so(strip: TradeOff) -> None:
    marks = dict(strip.marks) | {"spark": (None,) * (strip.si.spark.size - 1) + (Mark.PAST_LIMIT,)}
    assert "past limit" in describe(strip.replace(marks=marks))
