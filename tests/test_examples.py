"""The examples: invented, labelled so, free of contradictions, and answered sensibly."""

from __future__ import annotations

import math
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from camcalc import compare_logs, read_log, read_table, review_log
from camcalc.advice.table_ceilings import ceilings_on_table
from camcalc.cycle.models import MODELS
from camcalc.logs.causes import Cause
from camcalc.logs.comparison import ComparisonVerdict
from tests.logs import make_steep_table

Make = Callable[..., Any]


ENGINES = [("quarry-road", 5.9, 8, "clutch"), ("long-meadow", 4.8, 8, "converter"), ("dockside", 2.0, 4, "clutch")]


def test_every_example_is_tested(root: Path) -> None:
    assert sorted(p.parent.name for p in (root / "examples").glob("*/build.toml")) == sorted(name for name, *_ in ENGINES)


def test_an_example_says_in_its_first_line_and_its_label_that_it_is_invented(example_path: Path, build_of: Make, example: str) -> None:
    first = example_path.read_text(encoding="utf-8").splitlines()[0]
    assert re.match(r"# INVENTED EXAMPLE\. No real engine, car, cam, maker or shop is meant\.", first)
    build = build_of(example)
    assert build.label == "invented example"
    for cam in (build.cam, build.replaced_cam):
        assert cam.name.endswith("(invented)")


def test_an_example_contradicts_itself_nowhere(build_of: Make, example: str) -> None:
    assert build_of(example).notes == ()


@pytest.mark.parametrize(("name", "litres", "cylinders", "transmission"), ENGINES)
def test_an_example_is_the_engine_the_readme_names(engine_of: Make, root: Path, name: str, litres: float, cylinders: int, transmission: str) -> None:
    engine = engine_of(name)
    assert round(engine.geometry.displacement * 1e3, 1) == litres
    assert f"{litres} L" in (root / "README.md").read_text(encoding="utf-8")
    assert engine.build.engine.cylinders == cylinders
    assert engine.build.vehicle.transmission == transmission


def test_the_longer_cam_costs_vacuum_and_even_pulling_and_keeps_an_idle(brief_of: Make, example: str) -> None:
    brief = brief_of(example)
    assert brief.cam.overlap.si.angle > brief.replaced_cam.overlap.si.angle
    assert brief.cam.si.overlap_factor > brief.replaced_cam.si.overlap_factor
    assert brief.cam.effective_compression < brief.replaced_cam.effective_compression
    idle = brief.idle.si
    assert 0.0 < idle.vacuum_penalty_at_equal_speed < idle.vacuum
    assert idle.lowest_speed <= brief.build.idle.si.speed
    assert brief.spark_ceilings.has_zone
    assert any(math.isfinite(gear.si.blow_back_below) for gear in brief.reversion.new)


def test_an_idle_of_an_example_is_within_what_an_engine_can_do(brief_of: Make, example: str) -> None:
    for state in (*brief_of(example).idle.new, *brief_of(example).idle.replaced):
        si = state.si
        assert 15e3 < si.manifold_pressure < 80e3
        assert 0.0 < si.burned_fraction < 0.5
        assert si.air_flow > 0.0
        assert -10.0 < si.spark <= 60.0


def test_the_steep_table_bucks_its_shaped_form_does_not_and_the_logs_say_so(root: Path) -> None:
    folder = root / "examples" / "steep-table"
    steep, shaped = read_table(folder / "steep.csv"), read_table(folder / "shaped.csv")
    before, after = read_log(folder / "before.csv"), read_log(folder / "after.csv")
    bucking, quiet = review_log(before, steep), review_log(after, shaped)
    assert bucking.main_cause is Cause.TABLE
    assert bucking.findings.share > 0.5
    assert bucking.lower
    assert quiet.findings.episodes == ()
    assert compare_logs(before, after).verdict is ComparisonVerdict.BETTER


@pytest.mark.parametrize(("name", "table", "seed"), [("before", "steep", make_steep_table.BEFORE), ("after", "shaped", make_steep_table.AFTER)])
def test_a_log_of_the_scenario_is_what_the_independent_simulation_logs_on_its_table(root: Path, tmp_path: Path, name: str, table: str, seed: int) -> None:
    folder = root / "examples" / "steep-table"
    fresh = read_log(make_steep_table.write_log(tmp_path / "log.csv", table=folder / f"{table}.csv", seed=seed))
    kept = read_log(folder / f"{name}.csv")
    # Three decimals are written.
    assert [np.allclose(fresh.values(c), kept.values(c), rtol=0.0, atol=2e-3) for c in kept.channels] == [True] * len(kept.channels)


def test_the_shaped_table_of_the_scenario_is_what_shaping_makes_of_the_steep_one(root: Path, tmp_path: Path) -> None:
    kept, fresh = read_table(root / "examples" / "steep-table" / "shaped.csv"), read_table(make_steep_table.shape(tmp_path / "shaped.csv"))
    # Whole degrees: a ceiling that moves by a tenth may move a cell, and its neighbours with it, by one.
    assert np.abs(fresh.si.cells - kept.si.cells).max() <= 1.0


# What a script asks the engine with, and some of what it must print; where a figure stands it is geometry of the invented card or logs.
SCRIPTS = {
    "what_are_my_events": (
        [],
        [
            "QR 282 (invented)",
            "LSA 112 cam deg",
            r"overlap +9\.0 crank deg",
            r"overlap +62\.0 crank deg",
            r"IVO +33\.0 deg BTDC",
            r"overlap area 74\.\d+ mm deg",
        ],
    ),
    "what_does_my_log_show": (
        [],
        [
            "Cause: the table",
            "2.35 Hz",
            "severe bucking (our grade)",
            "lower    1400 rpm, 30 kPa: 30 (was 33)",
            "No surge in 30 s",
            r"Better: the swing is \d+ %",
        ],
    ),
    "what_spark_to_start_with": (
        [],
        [
            "! Listen for knock",
            r"idle spark: \d+ at 550 rpm",
            "spark ceilings",
            "starting table",
            r"\(\d+\)",
            "spark alone cannot",
            "Do not load the engine at",
        ],
    ),
    "when_should_injection_end": (
        ["quick"],
        ["! The quick model is for", r"60 kPa, 2000 rpm: end \d+ deg (before|after) overlap TDC, \w+ valve, pulse \d+\.\d ms"],
    ),
    "which_gear_bucks": (["quick"], ["quick model", "! The quick model is for", r"gear 1: least damping ratio -?\d\.\d+ at \d+ rpm \(\d+ mph\)", "gear 6: "]),
    "which_of_two_cams": (
        [],
        ["Brakes: test at a standstill", "has the better street manners", r"idle vacuum, own idle speed +\d+\.?\d* +\d+\.?\d* +inHg +QR standard"],
    ),
    "will_it_idle": (["quick"], ["quick model", "! The quick model is for", r"Rough idle at 850 rpm, but alive: \d+\.\d inHg of vacuum", "Runs at all"]),
}
QUESTIONS = "examples/questions"
# These take more than some seconds.
LONG = {name for name, (options, _) in SCRIPTS.items() if options} | {"what_spark_to_start_with", "which_of_two_cams"}


def test_every_question_is_asked_here_and_listed(root: Path) -> None:
    assert {path.stem for path in (root / QUESTIONS).glob("*.py")} == set(SCRIPTS)
    listed = re.findall(r"^\| `(\w+)\.py` \|", (root / QUESTIONS / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert sorted(listed) == sorted(SCRIPTS)


@pytest.mark.parametrize("name", [pytest.param(name, marks=[pytest.mark.slow] if name in LONG else []) for name in SCRIPTS])
def test_a_script_answers_its_question_with_units(root: Path, name: str) -> None:
    options, patterns = SCRIPTS[name]
    done = subprocess.run([sys.executable, "-W", "error", f"{QUESTIONS}/{name}.py", *options], cwd=root, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert [pattern for pattern in patterns if not re.search(pattern if "\\" in pattern else re.escape(pattern), done.stdout)] == []


@pytest.mark.parametrize("name", SCRIPTS)
def test_a_script_is_short_and_says_how_it_is_run(root: Path, name: str) -> None:
    text = (root / QUESTIONS / f"{name}.py").read_text(encoding="utf-8")
    assert 15 <= len(text.splitlines()) <= 45
    assert f"``python {QUESTIONS}/{name}.py" in text.splitlines()[0]
    assert "import camcalc as cc" in text


@pytest.mark.slow
@pytest.mark.parametrize("name", ["dockside", "long-meadow"])
def test_a_base_table_suits_the_cam_it_was_made_for(root: Path, build_of: Make, name: str) -> None:
    table, old = read_table(root / "examples" / name / "spark.csv"), MODELS["resolved"](build_of(name, old=True))
    si = ceilings_on_table(old, table.si.speed[2:9], table.loads, table.load_kind)
    allowed = si.best
    known = np.isfinite(allowed)
    assert known.sum() > 30
    # The least numbers of the table stand where even they are more than a clean burn without knock allows at full load.
    assert (table.si.cells[2:9][known] <= np.maximum(allowed[known], table.si.cells.min())).all()
    assert not np.isfinite(si.ceiling).any()


def test_the_picture_of_the_readme_is_the_first_screen_of_a_page(root: Path) -> None:
    content = (root / "examples" / "quarry-road" / "brief.png").read_bytes()
    assert content.startswith(b"\x89PNG")
    assert (int.from_bytes(content[16:20]), int.from_bytes(content[20:24])) == (1100, 900)
    assert len(content) < 200_000
