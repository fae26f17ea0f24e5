"""camcalc: from a cam card and a build sheet to a first-fire brief, on real physics with every unit checked.

Names are loaded when first used, so that ``import camcalc`` costs next to nothing.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from . import drawing
from ._version import VERSION as __version__

if TYPE_CHECKING:
    from .advice.trade_off import TradeOff, trade_off
    from .array_record import frame_of
    from .brief import Brief, make_brief
    from .brief_files import load_brief, save_brief
    from .cam.card import CamCard
    from .choose import ChosenCam, RankedCards, choose_cam, rank_cards, read_cards, read_wanted
    from .compare import Comparison, Lineup, compare_builds
    from .cures import CureRanking, rank_cures
    from .cycle.grid import CycleMap, simulate_map
    from .cycle.quick import QuickEngine
    from .cycle.resolved import ResolvedEngine
    from .cycle.simulate import CycleResult, simulate_cycle
    from .drive.drive_run import DriveRun, simulate_drive
    from .drive.every_gear import GearsOnTable, surge_in_gears
    from .drive.idle_swing import idle_swing_in_neutral
    from .drive.risk import surge_map, surge_risk
    from .drive.shaped_for_build import ShapedForBuild, add_back_for_build, shape_for_build
    from .drive.slope_rule import SlopeRule, slope_rule
    from .errors import CamcalcError, InputError, InputErrors, NoSolutionError
    from .explain import Explanation, explain_topic
    from .logs import DriveLog, compare_logs, find_surge, measure_swing, read_log, review_for_build, review_log
    from .measured import Learning, learn_build
    from .road_test import RoadTest, plan_road_test
    from .sheet import Build, CamSheet, load_build, load_cam, read_build, save_build
    from .sheet.card_reading import read_cam_card
    from .sound import HeardBuild, HeardDrive, HeardIdle, hear_build, hear_drive, hear_idle
    from .sweep import Sweep, run_sweep, varied_builds
    from .tables import ShapedTable, SparkTable, add_back, read_table, shape_table
    from .units import parse
    from .words import describe

_HOME = {
    "load_build": ".sheet", "read_build": ".sheet", "save_build": ".sheet", "Build": ".sheet",
    "load_cam": ".sheet", "CamSheet": ".sheet", "read_cam_card": ".sheet.card_reading", "CamCard": ".cam.card",
    "simulate_cycle": ".cycle.simulate", "simulate_map": ".cycle.grid",
    "CycleResult": ".cycle.simulate", "CycleMap": ".cycle.grid", "describe": ".words",
    "ResolvedEngine": ".cycle.resolved", "make_brief": ".brief", "Brief": ".brief",
    "load_brief": ".brief_files", "save_brief": ".brief_files", "QuickEngine": ".cycle.quick", "parse": ".units", "frame_of": ".array_record",
    "SparkTable": ".tables", "read_table": ".tables", "shape_table": ".tables", "add_back": ".tables", "ShapedTable": ".tables",
    "read_log": ".logs", "find_surge": ".logs", "measure_swing": ".logs",
    "review_for_build": ".logs", "review_log": ".logs", "compare_logs": ".logs", "DriveLog": ".logs",
    "compare_builds": ".compare", "Comparison": ".compare", "Lineup": ".compare",
    "choose_cam": ".choose", "rank_cards": ".choose", "read_cards": ".choose", "read_wanted": ".choose", "ChosenCam": ".choose", "RankedCards": ".choose",
    "explain_topic": ".explain", "Explanation": ".explain",
    "rank_cures": ".cures", "CureRanking": ".cures", "plan_road_test": ".road_test", "RoadTest": ".road_test",
    "learn_build": ".measured", "Learning": ".measured",
    "trade_off": ".advice.trade_off", "TradeOff": ".advice.trade_off",
    "surge_risk": ".drive.risk", "surge_map": ".drive.risk", "simulate_drive": ".drive.drive_run", "DriveRun": ".drive.drive_run",
    "surge_in_gears": ".drive.every_gear", "GearsOnTable": ".drive.every_gear", "idle_swing_in_neutral": ".drive.idle_swing",
    "shape_for_build": ".drive.shaped_for_build", "add_back_for_build": ".drive.shaped_for_build", "ShapedForBuild": ".drive.shaped_for_build",
    "slope_rule": ".drive.slope_rule", "SlopeRule": ".drive.slope_rule", "run_sweep": ".sweep", "Sweep": ".sweep", "varied_builds": ".sweep",
    "hear_build": ".sound", "hear_drive": ".sound", "hear_idle": ".sound",
    "HeardBuild": ".sound", "HeardDrive": ".sound", "HeardIdle": ".sound",
    "practice_questions": ".practice", "mark_answer": ".practice",
    "CamcalcError": ".errors", "InputError": ".errors", "InputErrors": ".errors", "NoSolutionError": ".errors",
}  # fmt: skip

__all__ = [
    "Brief", "Build", "CamCard", "CamSheet", "CamcalcError", "ChosenCam", "Comparison", "CureRanking", "CycleMap", "CycleResult", "DriveLog", "DriveRun",
    "Explanation", "GearsOnTable", "HeardBuild", "HeardDrive", "HeardIdle", "InputError", "InputErrors", "Learning", "Lineup", "NoSolutionError",
    "QuickEngine", "RankedCards", "ResolvedEngine", "RoadTest", "ShapedForBuild", "ShapedTable", "SlopeRule", "SparkTable", "Sweep", "TradeOff",
    "__version__", "add_back", "add_back_for_build", "choose_cam", "compare_builds", "compare_logs", "describe", "explain_topic", "find_surge", "frame_of",
    "hear_build", "hear_drive", "hear_idle", "idle_swing_in_neutral", "learn_build", "load_brief", "load_build", "load_cam", "make_brief", "mark_answer",
    "measure_swing", "parse", "plan_road_test", "practice_questions", "rank_cards", "rank_cures", "read_build", "read_cam_card", "read_cards", "read_log",
    "read_table", "read_wanted", "review_for_build", "review_log", "run_sweep", "save_brief", "save_build", "shape_for_build", "shape_table",
    "simulate_cycle", "simulate_drive", "simulate_map", "slope_rule", "surge_in_gears", "surge_map", "surge_risk", "trade_off", "varied_builds",
]  # fmt: skip

drawing.plots_are_in(f"{__name__}.plot")


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(importlib.import_module(_HOME[name], __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
