"""Sweeps: variants of a sheet, the same rows from whoever works them out, lost workers, files."""

from __future__ import annotations

import csv
import json
import math
import multiprocessing
import os
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any

import polars
import pytest

from camcalc import InputError, InputErrors, NoSolutionError, load_build, run_sweep, varied_builds
from camcalc.cli.main import main
from camcalc.sweep import SweepOutcome
from camcalc.sweep import rows as rows_of_sweeps
from camcalc.sweep.variants import values_of

ROOT = Path(__file__).resolve().parents[2]
SHEET = ROOT / "examples" / "quarry-road" / "build.toml"
LOBES = {"cam.lobe_separation": ["108 cam_deg", "114 cam_deg"], "idle.speed": ["850 rpm", "1000 rpm"]}


def spawned(workers: int) -> ProcessPoolExecutor:
    return ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn"))


class Loses(Executor):
    """Loses whoever works on some of the tasks."""

    def __init__(self, lost: set[int], *, breaks_at: int = 10**9) -> None:
        self.lost, self.breaks_at, self.asked = lost, breaks_at, 0

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        self.asked += 1
        if self.asked > self.breaks_at:
            raise BrokenProcessPool("lost")
        found: Future[Any] = Future()
        if self.asked in self.lost:
            found.set_exception(BrokenProcessPool("lost"))
        else:
            found.set_result(fn(*args, **kwargs))
        return found


# Variants.


def test_all_values_of_each_key_meet_all_of_the_others_and_the_sheet_is_as_it_was() -> None:
    found = varied_builds(SHEET, LOBES)
    assert [tuple(one.varied.values()) for one in found] == [(a, b) for a in LOBES["cam.lobe_separation"] for b in LOBES["idle.speed"]]
    assert [round(float(one.build.cam.lobe_separation.to("cam_deg").magnitude)) for one in found] == [108, 108, 114, 114]
    assert load_build(SHEET).cam.lobe_separation.to("cam_deg").magnitude == pytest.approx(112.0)


@pytest.mark.parametrize(
    ("text", "steps", "values"),
    [
        ("108..116 cam_deg", 3, ["108 cam_deg", "112 cam_deg", "116 cam_deg"]),
        ("0.9 .. 1.1", 2, ["0.9", "1.1"]),
        ("850, 950 rpm", 5, ["850 rpm", "950 rpm"]),
        ("1.0 inch, 26 mm", 5, ["1 inch", "26 mm"]),
        ("-2..2 crank_deg", 3, ["-2 crank_deg", "0 crank_deg", "2 crank_deg"]),
    ],
)
def test_values_are_a_range_or_a_list(text: str, steps: int, values: list[str]) -> None:
    assert values_of(text, key="x", steps=steps) == values


@pytest.mark.parametrize("text", ["", "wide", "1..", "1..2..3", "1.2.3", "108...116"])
def test_values_that_are_neither_are_refused(text: str) -> None:
    with pytest.raises(InputError, match="--vary x"):
        values_of(text, key="x")


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("cam.lobe_sep", "110 cam_deg", "lobe_separation"),
        ("cam.lobe_separation", "110 crank_deg", "cam_deg"),
        ("camm.lobe_separation", "110 cam_deg", "cam"),
        ("cam lobe", "1", "with dots between"),
        ("cam.lobe_separation", "160 cam_deg", "95 to 125"),
        ("engine.bore", "100", "unit"),
    ],
)
def test_a_key_or_value_that_the_sheet_cannot_have_is_refused_before_anything_is_computed(key: str, value: str, says: str) -> None:
    with pytest.raises((InputError, InputErrors), match=says):
        varied_builds(SHEET, {key: [value]})


def test_a_figure_under_a_name_with_dots_of_its_own_can_be_varied() -> None:
    (found,) = varied_builds(SHEET, {'cam.intake.duration."0.050 inch"': ["231 crank_deg"]})
    assert found.build.cam.events(at="0.050 inch").intake_duration.magnitude == pytest.approx(231.0)


# Rows.


def test_rows_come_in_order_with_their_signs() -> None:
    rows = run_sweep(varied_builds(SHEET, LOBES), model="quick").rows
    assert [row.variant for row in rows] == [1, 2, 3, 4]
    assert all(row.outcome is SweepOutcome.ANSWERED for row in rows)
    # Wider lobes overlap less: more vacuum at one speed, rough and reverting up to lower speeds.
    assert rows[2].si.vacuum > rows[0].si.vacuum
    assert rows[2].si.rough_below < rows[0].si.rough_below
    assert rows[2].si.reversion_below < rows[0].si.reversion_below
    assert rows[0].si.overlap_factor > rows[2].si.overlap_factor


def test_a_build_that_does_not_idle_is_a_row_with_its_outcome(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(engine: Any) -> Any:
        raise NoSolutionError("it does not idle")

    monkeypatch.setattr(rows_of_sweeps, "idle_state", none)
    found = run_sweep(varied_builds(SHEET, {"idle.speed": ["850 rpm"]}), model="quick")
    (row,) = found.rows
    assert (row.outcome, row.idle) == (SweepOutcome.NO_IDLE, None)
    assert math.isnan(row.si.vacuum)
    assert row.si.rough_below > 0.0
    assert found.to_dict()["rows"][0]["outcome"]["code"] == "no_idle"


def test_without_builds_there_is_no_sweep() -> None:
    with pytest.raises(InputError, match="no builds"):
        run_sweep([])


# Whoever works.


def test_processes_and_threads_make_the_same_rows_to_the_last_bit() -> None:
    variants = varied_builds(SHEET, LOBES)
    here = run_sweep(variants, model="quick").to_dict()
    with spawned(2) as processes:
        there = run_sweep(variants, model="quick", executor=processes)
    assert there.to_dict() == here
    assert there.done_again == 0
    assert run_sweep(variants[::-1], model="quick").to_dict()["rows"][0]["vacuum"] == here["rows"][-1]["vacuum"]


@pytest.mark.parametrize("executor", [Loses({2}), Loses({1, 2, 3, 4}), Loses(set(), breaks_at=2), Loses({1}, breaks_at=1)])
def test_what_a_lost_worker_had_is_done_again(executor: Loses) -> None:
    variants = varied_builds(SHEET, LOBES)
    told: list[float] = []
    found = run_sweep(variants, model="quick", executor=executor, progress=told.append)
    assert found.to_dict() == run_sweep(variants, model="quick").to_dict()
    assert found.done_again > 0
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_a_process_that_dies_costs_no_row() -> None:
    variants = varied_builds(SHEET, {"idle.speed": ["850 rpm", "1000 rpm"]})
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn"), initializer=os._exit, initargs=(1,)) as dying:
        found = run_sweep(variants, model="quick", executor=dying)
    assert found.done_again == 2
    assert found.to_dict() == run_sweep(variants, model="quick").to_dict()


@pytest.mark.slow
def test_a_cluster_of_two_workers_makes_the_same_rows() -> None:
    distributed = pytest.importorskip("distributed", reason="needs the extra: pip install camcalc[sweep]")
    variants = varied_builds(SHEET, LOBES)
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster, distributed.Client(cluster) as client:
        found = run_sweep(variants, model="quick", executor=client.get_executor())
    assert found.to_dict() == run_sweep(variants, model="quick").to_dict()
    assert found.done_again == 0


@pytest.mark.slow
def test_the_resolved_cycle_is_swept_too() -> None:
    rows = run_sweep(varied_builds(SHEET, {"cam.lobe_separation": ["110 cam_deg", "116 cam_deg"]})).rows
    assert rows[1].si.vacuum > rows[0].si.vacuum
    assert rows[1].si.residual < rows[0].si.residual
    assert rows[1].si.rough_below < rows[0].si.rough_below


# The command.


def test_the_command_prints_a_line_for_each_build_and_writes_rows(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["sweep", str(SHEET), "--vary", "cam.lobe_separation=108..116 cam_deg", "--steps", "3", "--quick"]
    assert main([*words, "--out", str(tmp_path / "rows.csv")]) == 0
    out = capsys.readouterr().out
    assert out.index("! Listen for knock") < out.index("108 cam_deg")
    assert [line.split()[0] for line in out.splitlines() if "cam_deg" in line] == ["108", "112", "116"]
    assert "for learning only" in out
    rows = list(csv.DictReader((tmp_path / "rows.csv").read_text(encoding="utf-8").splitlines()))
    assert [row["cam.lobe_separation"] for row in rows] == ["108 cam_deg", "112 cam_deg", "116 cam_deg"]
    assert [row["idle"] for row in rows] == ["rough"] * 3
    assert main([*words, "--out", str(tmp_path / "rows.parquet"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    frame = polars.read_parquet(tmp_path / "rows.parquet")
    assert frame["vacuum [inHg]"].to_list() == pytest.approx([row["vacuum"]["value"] for row in told["rows"]])


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--vary", "cam.lobe_separation"], "KEY=VALUES"),
        ([], "0 variants"),
        (["--vary", "idle.speed=850 rpm", "--out", "rows.txt"], ".csv or .parquet"),
        (["--vary", "idle.speed=850 rpm", "--workers", "0"], "1 or more"),
        (["--vary", "idle.speed=850..900 rpm", "--steps", "1"], "2 and more"),
    ],
)
def test_the_command_refuses_what_it_cannot_do(words: list[str], says: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sweep", str(SHEET), "--quick", *words]) == 1
    assert says in capsys.readouterr().err
