"""Other cures, one cell over spark, and the road test on a terminal, by the sections of the brief."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .data_figures import Figures
from .drive_sections import cure_blocks, road_test_blocks, trade_off_blocks
from .terminal_blocks import print_blocks

if TYPE_CHECKING:
    from rich.console import Console

    from ..advice.trade_off import TradeOff
    from ..cures import CureRanking
    from ..road_test import RoadTest
    from ..unit_system import UnitSystem

__all__ = ["print_cures", "print_road_test", "print_trade_off"]


def print_cures(ranking: CureRanking, console: Console, system: UnitSystem | None = None) -> None:
    """Print what else would cure it, best first, the cautions before it."""
    print_blocks(cure_blocks(ranking), Figures({"cures": ranking.to_dict()}, system), console)


def print_trade_off(trade: TradeOff, console: Console, system: UnitSystem | None = None) -> None:
    """Print what spark does at equal torque in one cell, the cautions before it; sparks that knock or pass a limit say so."""
    print_blocks(trade_off_blocks(trade), Figures({"trade_off": trade.to_dict()}, system), console)


def print_road_test(plan: RoadTest, console: Console, system: UnitSystem | None = None) -> None:
    """Print the plan of a road test."""
    print_blocks(road_test_blocks(plan), Figures({"road_test": plan.to_dict()}, system, plan.road_speed_unit), console)
