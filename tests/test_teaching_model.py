"""The quick model is for reading a cam and for learning: nothing that an engine would be run on comes from it."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console

from camcalc import InputError, QuickEngine, compare_builds, make_brief
from camcalc.advice.spark import spark_ceilings
from camcalc.advice.table_ceilings import ceilings_on_table
from camcalc.cli.main import main
from camcalc.cycle.operating import ModelUse
from camcalc.report.brief_page import brief_html
from camcalc.report.tables import brief_tables
from camcalc.report.terminal import print_brief
from camcalc.words import describe

Make = Callable[..., Any]
TEACHING_ONLY = describe(ModelUse.TEACHING_ONLY)


@pytest.fixture(scope="module")
def brief(build_of: Make) -> Any:
    return make_brief(build_of("quarry-road"), model="quick", bands=False)


def test_a_quick_brief_has_no_spark_table_no_ceilings_and_no_word_on_the_brakes(brief: Any) -> None:
    assert brief.spark_ceilings is None
    assert brief.starting_table is None
    assert brief.sensitivity is None
    assert brief.base_table == ()
    assert brief.idle.brakes is None
    assert brief.trade_off is None
    data = json.loads(json.dumps(brief.to_dict(), allow_nan=False))
    assert data["spark_ceilings"] is data["starting_table"] is data["sensitivity"] is None
    assert data["about"]["not_for"] == {"code": "teaching_only", "text": ModelUse.TEACHING_ONLY.meaning}
    assert "brakes" not in data["cures"]["troubles"]
    assert not any(worse["code"] == "brakes" for cure in data["cures"]["cures"] for worse in cure["makes_worse"])
    # What reads a cam is there.
    assert data["idle"]["vacuum"]["value"] > 0.0
    assert data["events"]["new"]


def test_it_says_in_its_header_what_it_is_not_for(brief: Any) -> None:
    console = Console(width=100, file=io.StringIO())
    print_brief(brief, console)
    shown = console.file.getvalue()  # type: ignore[attr-defined]
    flat = " ".join(shown.split())
    assert TEACHING_ONLY in flat
    assert flat.index(TEACHING_ONLY) < flat.index("Idle, warm")
    assert "Starting table" not in flat
    assert "booster" not in flat
    page = brief_html(brief)
    assert TEACHING_ONLY in " ".join(page[: page.index('id="answers"')].split())
    assert "Starting table" not in page
    assert "booster" not in page
    assert not {name for name in brief_tables(brief) if name.split(".")[0] in ("starting_table", "ceiling", "knock", "best_spark", "floor")}


@pytest.mark.parametrize("ask", ["ceilings", "table", "compare"])
def test_what_an_engine_would_be_run_on_is_refused(build_of: Make, ask: str) -> None:
    engine = QuickEngine(build_of("quarry-road"))
    asked: dict[str, Callable[[], Any]] = {
        "ceilings": lambda: spark_ceilings(engine),
        "table": lambda: ceilings_on_table(engine, np.array([20.0, 30.0]), np.array([40e3, 60e3]), "manifold pressure"),
        "compare": lambda: compare_builds(build_of("quarry-road"), model="quick", bands=False),
    }
    with pytest.raises(InputError, match="knows knock"):
        asked[ask]()


@pytest.mark.parametrize("command", ["shape", "review", "trade-off", "cures", "road-test", "compare"])
def test_no_command_but_the_brief_takes_the_quick_model(command: str, root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = str(root / "examples" / "quarry-road" / "build.toml")
    words = {"review": ["log.csv", sheet], "trade-off": [sheet, "--speed", "1400 rpm"], "compare": [sheet, sheet]}.get(command, [sheet])
    assert main([command, *words, "--model", "quick"]) == 2
    assert "unrecognized arguments: --model" in capsys.readouterr().err
