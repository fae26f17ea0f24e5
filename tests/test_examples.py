"""The examples: invented, labelled so, free of contradictions, and answered sensibly."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from camcalc import compare_logs, read_log, read_table, review_log, shape_table
from camcalc.advice.table_ceilings import ceilings_on_table
from camcalc.brief import MODELS

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
    # The moderate cam of long-meadow runs evenly wherever the road leads above idle.
    assert brief.spark_ceilings.has_zone == (example != "long-meadow")
    assert any(math.isfinite(gear.si.blow_back_below) for gear in brief.reversion)


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
    assert bucking.main_cause == "the table"
    assert bucking.findings.share > 0.5
    assert bucking.lower
    assert quiet.findings.episodes == ()
    assert "better" in compare_logs(before, after).verdict


def test_the_shaped_table_of_the_scenario_is_what_shaping_makes_of_the_steep_one(root: Path, build_of: Make) -> None:
    folder = root / "examples" / "steep-table"
    steep, shaped = read_table(folder / "steep.csv"), read_table(folder / "shaped.csv")
    found = ceilings_on_table(MODELS["resolved"](build_of("quarry-road")), steep.si.speed, steep.loads, steep.load_kind)
    # Whole degrees: a ceiling that moves by a tenth may move a cell, and its neighbours with it, by one.
    assert np.abs(shape_table(steep, found.ceiling).table.si.cells - shaped.si.cells).max() <= 1.0
