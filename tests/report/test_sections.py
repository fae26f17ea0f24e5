"""Sections of a brief: one list for terminal, page and files; every figure that was ever there; the option that names one."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.console import Console

from camcalc.advice.base_table import compare_with_base
from camcalc.advice.injection import StrategyMap
from camcalc.advice.mixture import LoadSensing
from camcalc.cli import brief as command
from camcalc.cli.main import main
from camcalc.cycle.models import MODELS
from camcalc.report.blocks import Grid, Records, Series
from camcalc.report.sections import SECTIONS, all_blocks, section_named, sections_of
from camcalc.report.tables import MARKED, NAMES, brief_tables
from camcalc.report.terminal import print_brief, print_sections
from camcalc.tables.proposed import level_table

Make = Callable[..., Any]
Said = pytest.CaptureFixture[str]
KEYS = Path(__file__).with_name("keys_of_the_brief.txt")


def figure_keys(data: Any, path: str = "") -> Iterator[str]:
    """Where data hold figures, indices as stars; what is none counts, since it may be a figure with another build."""
    if isinstance(data, dict):
        if "value" in data and "unit" in data:
            yield path
        else:
            for key, value in data.items():
                yield from figure_keys(value, f"{path}/{key}" if path else key)
    elif isinstance(data, list):
        for value in data:
            yield from figure_keys(value, f"{path}/*")
    elif data is None or (isinstance(data, int | float) and not isinstance(data, bool)):
        yield path


def test_every_figure_that_a_brief_has_had_is_still_where_it_was(brief_of: Make, banded_brief: Any) -> None:
    plain = brief_of("quarry-road")
    # A table that passes ceilings; the examples' own do not by the tests' engine.
    steep = plain.replace(base_table=compare_with_base(MODELS["coarse"](plain.build), plain.spark_ceilings, level_table(45.0)))
    found = {key for brief in (steep, banded_brief) for key in figure_keys(json.loads(json.dumps(brief.to_dict())))}
    # Parts that need the flows in the runners, which the tests' engine has not.
    one = np.ones((1, 1))
    flows: Any = StrategyMap(**dict.fromkeys(StrategyMap.measures(), one))
    meters = {name for name, _ in LoadSensing.measures().items()}
    found |= {f"injection/{which}/{key}" for which in ("shut_valve", "open_valve") for key in figure_keys(flows.to_dict())}
    found |= {f"sensing/load/{name}" for name in meters}
    wanted = set(KEYS.read_text(encoding="utf-8").split())
    # Headlines are sampled where the build has them: a zone, gears that are rough, sequential injection.
    free = {key for key in wanted if key.startswith(("about/bands/headlines/", "about/bands/no_answer_share/"))}
    assert len(wanted) > 250
    assert wanted - free - found == set()
    assert free & found


def test_the_options_names_are_those_of_the_sections() -> None:
    assert tuple(section.key for section in SECTIONS) == command.SECTION_NAMES
    assert len(set(command.SECTION_NAMES)) == len(command.SECTION_NAMES)


def test_a_section_can_be_printed_alone(brief_of: Make, example: str) -> None:
    brief = brief_of(example)
    whole = Console(width=100, file=io.StringIO())
    print_brief(brief, whole)
    text = whole.file.getvalue()  # type: ignore[attr-defined]
    for section in sections_of(brief):
        alone = Console(width=100, file=io.StringIO())
        print_sections(brief, [section], alone)
        part = alone.file.getvalue()  # type: ignore[attr-defined]
        assert section.title in part
        assert part.strip() in text


def test_a_wrong_name_of_a_section_is_answered_with_all(capsys: Said) -> None:
    assert main(["brief", "build.toml", "--section", "fule"]) == 1
    said = capsys.readouterr().err
    assert all(section.key in said for section in SECTIONS)
    assert 'did you mean "fuel"' in said


def test_help_lists_the_sections(capsys: Said) -> None:
    assert main(["brief", "--help"]) == 0
    said = " ".join(capsys.readouterr().out.split()).replace("- ", "-")
    assert all(section.key in said for section in SECTIONS)


def test_a_section_that_a_brief_has_not_says_so(brief_of: Make, capsys: Said, tmp_path: Path) -> None:
    from camcalc import save_brief

    kept = save_brief(brief_of("dockside").replace(cures=None), tmp_path / "brief.json")
    assert main(["brief", "--from", str(kept), "--section", "cures"]) == 0
    assert "has no section cures" in capsys.readouterr().out


def test_every_file_comes_from_a_block_and_every_block_from_the_data(brief_of: Make, banded_brief: Any) -> None:
    blocks = [block for brief in (brief_of("quarry-road"), banded_brief) for block in all_blocks(brief)]
    files = {block.file for block in blocks if isinstance(block, Grid | Records | Series)} - {""}
    # Bands of ceilings need a zone and bands, the controller its own way of counting.
    assert files | {"end_of_injection_controller", "ceiling_low", "ceiling_high"} == set(NAMES)
    marked = {block.file for block in blocks if isinstance(block, Grid) and block.spark}
    assert marked | {"ceiling_low", "ceiling_high"} == set(MARKED)
    assert all(name.rpartition(".")[0].removesuffix("_marks") in NAMES for name in brief_tables(banded_brief))


def test_a_surge_table_has_no_row_without_an_answer(brief_of: Make, example: str) -> None:
    brief = brief_of(example)
    for block in section_named("surge").blocks(brief):
        if isinstance(block, Records) and block.paths and block.paths[0].startswith("surge/"):
            for path in block.paths:
                _, number, _, gear = path.split("/")
                assert brief.surge[int(number)].gears[int(gear)].worst is not None
