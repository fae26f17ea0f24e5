"""A command meets a full disk, a closed pipe, odd places and odd texts, or is ended early: it says so in one line and leaves nothing half done."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import camcalc.brief
from camcalc.cli import main as entry
from camcalc.cli.main import main
from camcalc.cli.outputs import refuse_outputs
from camcalc.plain_text import visible

Said = pytest.CaptureFixture[str]
HOSTILE = "a\x1b]0;owned\x07\u202eb"


@pytest.fixture
def sheet(root: Path) -> str:
    return str(root / "examples" / "dockside" / "build.toml")


@pytest.fixture
def ready(monkeypatch: pytest.MonkeyPatch, brief_of: Callable[[str], Any]) -> None:
    """Have the brief of the example at hand, for tests of what is done with it."""
    brief = brief_of("dockside")
    monkeypatch.setattr(camcalc.brief, "make_brief", lambda build, **options: brief)


def command(*words: str) -> list[str]:
    return [sys.executable, "-W", "error", "-m", "camcalc.cli.main", *words]


def shell(line: str, **more: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["bash", "-c", line], capture_output=True, text=True, check=False, timeout=120, **more)


# --- what is there stays


@pytest.mark.parametrize(
    "words", [["brief", "--html"], ["brief", "--no-bands", "--tables"], ["explain", "overlap", "--html"], ["explain", "overlap", "--markdown"]]
)
def test_no_command_replaces_what_is_there_unless_it_is_forced(words: list[str], sheet: str, tmp_path: Path, ready: None, capsys: Said) -> None:
    place = tmp_path / "place"
    *front, option = words
    whole = [*front[:2], sheet, *front[2:], option, str(place)] if front[0] == "explain" else [*front, sheet, option, str(place)]
    assert main(whole) == 0
    before = {path: (path.read_bytes(), path.stat().st_ino) for path in tmp_path.rglob("*") if path.is_file()}
    assert before
    assert main(whole) == 1
    assert "--force" in capsys.readouterr().err
    assert {path: (path.read_bytes(), path.stat().st_ino) for path in tmp_path.rglob("*") if path.is_file()} == before
    assert main([*whole, "--force"]) == 0
    after = {path: path.stat().st_ino for path in tmp_path.rglob("*") if path.is_file()}
    assert after.keys() == before.keys()
    assert all(before[path][1] != inode for path, inode in after.items())


def test_every_command_that_writes_asks_for_force_and_hands_it_on(root: Path) -> None:
    for name in entry.COMMANDS:
        source = (root / "camcalc" / "cli" / f"{name.replace('-', '_')}.py").read_text(encoding="utf-8")
        writes = 'metavar="DIR"' in source or "write_files(" in source or "save_build(" in source
        assert ("add_force(parser)" in source) == writes, name
        assert sum(source.count(f"{word}=options.force") for word in ("replace", "force", "overwrite")) >= 2 * writes, name


def test_a_device_is_refused_before_the_work_begins(sheet: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Said) -> None:
    monkeypatch.setattr(camcalc.brief, "make_brief", lambda *given, **options: pytest.fail("the work began"))
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for place in ("/dev/full", str(pipe), str(tmp_path)):
        assert main(["brief", sheet, "--html", place, "--force"]) == 1
        assert "--html" in capsys.readouterr().err
    assert not Path("/dev/full").is_file()
    assert pipe.is_fifo()


def test_the_first_command_of_the_readme_runs_twice(root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ready: None) -> None:
    (line,) = [line for line in (root / "README.md").read_text(encoding="utf-8").splitlines() if "camcalc brief examples" in line and "&&" in line]
    words = line.rpartition("camcalc ")[2].split()
    monkeypatch.chdir(tmp_path)
    (tmp_path / "examples").symlink_to(root / "examples")
    assert [main(words), main(words)] == [0, 0]


def test_an_old_table_of_an_earlier_brief_goes_with_the_others(sheet: str, tmp_path: Path, ready: None) -> None:
    words = ["brief", sheet, "--tables", str(tmp_path / "tables")]
    assert main(words) == 0
    written = set(os.listdir(tmp_path / "tables"))
    (tmp_path / "tables" / "knock_marks.csv").write_text("old", encoding="utf-8")
    (tmp_path / "tables" / "my own.csv").write_text("mine", encoding="utf-8")
    assert main([*words, "--force"]) == 0
    assert set(os.listdir(tmp_path / "tables")) == written | {"my own.csv"}


def test_a_folder_whose_files_are_inputs_is_refused(tmp_path: Path) -> None:
    (tmp_path / "ceiling.csv").touch()
    with pytest.raises(camcalc.InputError, match="no input"):
        refuse_outputs({}, [tmp_path / "ceiling.csv"], folders={"--tables": (tmp_path, ["ceiling.csv"])}, force=True)


# --- output that goes nowhere


@pytest.mark.parametrize("words", ["events {0}", "events {0} --json", "explain overlap {0}", "completion bash", "--help"])
def test_a_full_disk_behind_the_output_is_one_line(words: str, sheet: str) -> None:
    done = shell(f"{sys.executable} -W error -m camcalc.cli.main {words.format(sheet)} > /dev/full")
    assert (done.returncode, done.stderr.count("\n")) == (1, 1)
    assert "No space left" in done.stderr


@pytest.mark.parametrize("words", ["events {0}", "explain overlap {0} --full --html {1}"])
def test_whoever_closes_the_pipe_has_seen_enough_and_files_are_written_still(words: str, sheet: str, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    # The reader is gone before anything is written.
    done = shell(f"{{ sleep 0.5; {sys.executable} -W error -m camcalc.cli.main {words.format(sheet, page)}; echo $? >&2; }} | true")
    assert done.stderr.split("\n")[-2] == "0"
    assert "Traceback" not in done.stderr
    assert page.exists() == ("--html" in words)


def test_a_command_without_any_output_says_so(sheet: str, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    done = shell(f"{sys.executable} -W error -m camcalc.cli.main explain overlap {sheet} --html {page} >&- 2>{tmp_path / 'said'}")
    said = (tmp_path / "said").read_text(encoding="utf-8")
    assert page.read_text(encoding="utf-8").startswith("<!DOCTYPE")
    assert "Traceback" not in said
    assert done.returncode == 1
    assert said.splitlines()[-1] == "camcalc: standard output cannot be written to (Bad file descriptor)."
    none = shell(f"{sys.executable} -W error -m camcalc.cli.main events {sheet} <&- >&- 2>&-")
    assert none.returncode == 1


# --- inputs that are no files, or too much


@pytest.mark.parametrize("place", ["/dev/zero", "/dev/full", "pipe", "a\0b", "."])
def test_what_is_no_file_is_no_sheet_and_no_table(place: str, sheet: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Said) -> None:
    monkeypatch.chdir(tmp_path)
    os.mkfifo("pipe")
    for words in (["events", place], ["brief", place], ["shape", sheet, "--table", place], ["brief", "--from", place], ["surge", sheet, "--table", place]):
        assert main(words) == 1
        said = capsys.readouterr().err
        assert said.startswith("camcalc: ")
        assert len(said.splitlines()) <= 5


def test_a_sheet_or_table_that_is_too_large_is_refused_with_the_limit(sheet: str, tmp_path: Path, capsys: Said) -> None:
    path = tmp_path / "large"
    for size, words, limit in ((1_000_001, ["events", str(path)], "1 MB"), (5_000_001, ["shape", sheet, "--table", str(path)], "5 MB")):
        path.write_bytes(b"#" * size)
        assert main(words) == 1
        assert limit in capsys.readouterr().err


def figures(k: int) -> str:
    return f"k{k // 1296:x}{k // 36 % 36:x}{k % 36:x}"


def made_to_take_long(sheet: str, cam: Any) -> dict[str, str]:
    """Sheets of at most 1 MB that ask much of whoever reads them."""
    heights = [0.3 + 0.01 * k for k in range(150)]
    edges = {height: cam.lift_curve("intake").edges(1e-3 * height, side="valve") for height in heights}
    opens = "".join(f'"{height:.2f} mm" = "{-edges[height][0]:.2f} crank_deg before TDC"\n' for height in heights)
    closes = "".join(f'"{height:.2f} mm" = "{edges[height][1] - 180.0:.2f} crank_deg after BDC"\n' for height in heights)
    many = sheet.replace("[cam.intake.opens]\n", "[cam.intake.opens]\n" + opens, 1).replace("[cam.intake.closes]\n", "[cam.intake.closes]\n" + closes, 1)
    many = "\n".join(line for k, line in enumerate(many.split("\n")) if '"1.0 mm"' not in line or k > many[: many.index("[cam.exhaust]")].count("\n"))
    return {
        "keys": "".join(f"{figures(k)}=1\n" for k in range(110_000)) + sheet,
        "keys of a section": sheet + "\n[site]\n" + "".join(f"{figures(k)}=1\n" for k in range(110_000)),
        "unknown keys": sheet + "\n[extra]\n" + "".join(f"{figures(k)}=1\n" for k in range(2000)),
        "dots": sheet + "\n[deep]\n" + ".".join("a" for _ in range(40_000)) + " = 1\n",
        "dots inside": sheet + "\n[deep]\nx = {" + ".".join('"a"' for _ in range(40_000)) + " = 1}\n",
        "dotted": sheet + "\n" + "".join(f"x.{'.'.join('ab' for _ in range(200))}.k{k} = 1\n" for k in range(1200)),
        "brackets": sheet + "\nx = " + "[" * 100_000 + "]" * 100_000 + "\n",
        "one key": sheet + "\n" + "k" * 500_000 + " = 1\n",
        "one value": sheet.replace("[engine]", '[engine]\nstroke2 = "' + "9" * 500_000 + ' mm"', 1),
        "heights": many,
    }


SLOW = ("keys", "keys of a section", "unknown keys", "dots", "dots inside", "dotted", "brackets", "one key", "one value", "heights")


@pytest.mark.parametrize("which", SLOW)
def test_a_sheet_made_to_take_long_is_answered_soon(which: str, sheet: str, tmp_path: Path, capsys: Said, build_of: Callable[..., Any]) -> None:
    path = tmp_path / "odd.toml"
    text = made_to_take_long(Path(sheet).read_text(encoding="utf-8"), build_of("dockside").cam)[which]
    assert len(text) <= 1_000_000
    path.write_text(text, encoding="utf-8")
    main(["events", sheet])  # what is loaded once is loaded
    capsys.readouterr()
    begun = time.process_time()
    ended = main(["events", str(path)])
    # About a second is meant; a machine that is busy or slow may take a few.
    assert time.process_time() - begun < 4.0
    said = capsys.readouterr().err
    assert ended == 1 or which == "heights"
    assert len(said.splitlines()) < 40
    assert len(said) < 5000


# --- signals


def started(words: list[str], tmp_path: Path, **more: Any) -> subprocess.Popen[bytes]:
    # Ctrl-C is ignored by what a shell starts in the background, and by all that this starts.
    return subprocess.Popen(command(*words), stderr=subprocess.PIPE, stdout=subprocess.PIPE, cwd=tmp_path, preexec_fn=heard, **more)


def heard() -> None:
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)


LONG = {
    "pool": "from camcalc.brief_parts import side_by_side\nside_by_side({'a': lambda: busy(), 'b': lambda: busy()})",
    "kernel": "busy()",
    "sleep": "import time\nprint('busy', flush=True)\ntime.sleep(60)",
}


@pytest.mark.parametrize("where", sorted(LONG))
@pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_signal_ends_a_command_at_once_with_one_line(where: str, number: int, code: int, tmp_path: Path) -> None:
    """In the middle of files, too, in a kernel of minutes, and while a pool of threads is waited for."""
    script = (
        "import os, pathlib, sys, types\nfrom camcalc import files\nfrom camcalc.cli import main\nfrom camcalc.compiling import compiled\nimport long_kernel\n"
        "def busy():\n    long_kernel.spin(1)\n    os.write(1, b'busy\\n')\n    long_kernel.spin(10**14)\n"
        f"def run(options):\n    files._new_part(pathlib.Path('deep'))\n    exec({LONG[where]!r}, {{'busy': busy}})\n"
        "main.module_of = lambda name: types.SimpleNamespace(run=run, add_arguments=lambda parser: parser.add_argument('build'))\n"
        "sys.argv[1:] = ['events', 'x', '--no-cache']\nsys.exit(main.main())\n"
    )
    (tmp_path / "long_kernel.py").write_text(
        "from camcalc.compiling import compiled\n@compiled\ndef spin(n):\n    x = 0.5\n    for k in range(n):\n        x = 3.9 * x * (1.0 - x)\n    return x\n",
        encoding="utf-8",
    )
    (tmp_path / "run.py").write_text(script, encoding="utf-8")
    inside = os.environ | {"PYTHONPATH": os.pathsep.join([str(tmp_path), *sys.path]), "PYTHONUNBUFFERED": "1"}
    running = subprocess.Popen([sys.executable, "run.py"], cwd=tmp_path, env=inside, stderr=subprocess.PIPE, stdout=subprocess.PIPE, preexec_fn=heard)
    try:
        assert running.stdout is not None
        assert running.stdout.readline() == b"busy\n"
        assert (tmp_path / "deep").exists()
        begun = time.monotonic()
        running.send_signal(number)
        _, said = running.communicate(timeout=30)
    finally:
        # It would go on for hours.
        running.kill()
    # Half a second is meant; on a machine where others work, a process may wait for its turn.
    assert time.monotonic() - begun < 2.0
    assert running.returncode == code
    lines = [line for line in said.decode().splitlines() if "ompil" not in line]
    assert len(lines) == 1
    assert lines[0].endswith("Nothing was written.")
    assert not (tmp_path / "deep").exists()


def test_a_signal_ignored_on_purpose_stays_ignored(sheet: str, tmp_path: Path) -> None:
    running = subprocess.Popen(
        command("events", sheet), stdout=subprocess.PIPE, stderr=subprocess.PIPE, preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_IGN)
    )
    time.sleep(0.3)
    running.send_signal(signal.SIGINT)
    running.communicate(timeout=60)
    assert running.returncode == 0


def test_ctrl_c_inside_a_program_of_ones_own_is_one_line(sheet: str, monkeypatch: pytest.MonkeyPatch, capsys: Said) -> None:
    def interrupted(name: str) -> Any:
        raise KeyboardInterrupt

    monkeypatch.setattr(entry, "answers_kept", lambda **options: interrupted(""))
    assert main(["events", sheet]) == 130
    assert capsys.readouterr().err == "camcalc: Stopped by Ctrl-C. Nothing was written.\n"


# --- texts


def spoilt(sheet: str, tmp_path: Path, name: str) -> Path:
    path = tmp_path / "named.toml"
    text = Path(sheet).read_text(encoding="utf-8")
    path.write_text(text.replace("DS fast road (invented)", name).replace("DS standard (invented)", name), encoding="utf-8")
    assert name in path.read_text(encoding="utf-8")
    return path


@pytest.mark.parametrize("name", [HOSTILE, "\x9b31m", "a\u2066b", "\u200fx"])
def test_hidden_characters_reach_no_terminal(name: str, sheet: str, tmp_path: Path, capsys: Said, build_of: Callable[..., Any]) -> None:
    """In the name of a file, in a sheet, in the words of a command."""
    from camcalc.explain import explain_topic
    from camcalc.explain.as_page import explanation_html, explanation_markdown
    from camcalc.report.explanation_terminal import print_explanation
    from camcalc.report.terminal_parts import console, print_table, table

    path = tmp_path / f"{name}.toml"
    for words in (["events", str(path)], ["explain", name, sheet], [name], ["events", sheet, f"--{name}"], ["shape", sheet, "--table", str(path)]):
        assert main(words) > 0
    path.write_text(f'[cam]\n"{name}" = {name}\n', encoding="utf-8")
    assert main(["events", str(path)]) == 1
    explained = explain_topic(build_of("dockside").replace(name=name), "overlap")
    made = table(name, [name, "b"])
    made.add_row(name, "1")
    screen = console()
    print_table(made, screen)
    print_explanation(explained, screen)
    said = capsys.readouterr()
    for text in (said.out, said.err, explanation_html(explained), explanation_markdown(explained)):
        assert visible(text) == text
    assert visible(name) in said.out
    assert visible(name) in explanation_html(explained)


@pytest.mark.parametrize("name", ["$5 cam$ \\frac{", "_hidden", "[bold]x[/y]", "<b>&amp;", "=cmd()", "{{ 7*7 }}", "50 % $"])
def test_a_name_is_text_everywhere(name: str, sheet: str, tmp_path: Path, build_of: Callable[..., Any], capsys: Said) -> None:
    from markupsafe import escape

    from camcalc.advice.curves import ResidualCurve
    from camcalc.plot import plot_residual
    from camcalc.report.figures import svg_text

    path = spoilt(sheet, tmp_path, name.replace("\\", "\\\\"))
    assert main(["events", str(path)]) == 0
    assert name in capsys.readouterr().out.replace("\n", " ")
    import numpy as np

    one = ResidualCurve(cam=name, speed=np.array([10.0, 20.0]), residual=np.array([0.3, 0.2]), manifold_pressure=4e4, spark=30.0)
    ax = plot_residual([one, one])
    shown = [text.get_text().replace("\\$", "$").strip() for text in ax.get_legend().get_texts()]
    assert shown[:2] == [name, f"{name}, 2"]
    assert str(escape(f"{name}: 30 % at 600 rpm")) in svg_text(ax, "residual")


def test_cells_that_a_spreadsheet_would_run_are_text() -> None:
    from camcalc.report.tables import _csv

    cells = ["=1+1", "+1", "-1.5", "-x", "@sum", "\tx", "\rx", "24 (cap)", "", HOSTILE]
    assert _csv([cells]).rstrip("\r\n") == f"'=1+1,+1,-1.5,'-x,'@sum,'\tx,'\\u000dx,24 (cap),,{visible(HOSTILE)}"


def test_every_page_has_the_same_policy(root: Path) -> None:
    pages = [path for path in (root / "camcalc" / "pages").glob("*.html") if "<!DOCTYPE" in path.read_text(encoding="utf-8")]
    assert len(pages) == 8
    for path in pages:
        text = path.read_text(encoding="utf-8")
        assert text.count('{% include "head.html" %}') == 1
        assert "<meta" not in text
    head = (root / "camcalc" / "pages" / "head.html").read_text(encoding="utf-8")
    assert "default-src 'none'" in head
    assert "script-src {{ script_sources }}" in head


@pytest.mark.parametrize(
    "locale", [{"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}, {"PYTHONIOENCODING": "ascii"}, {"PYTHONIOENCODING": "latin-1"}]
)
def test_every_encoding_prints(locale: dict[str, str], sheet: str, tmp_path: Path) -> None:
    for words in (["explain", "overlap", sheet, "--full"], ["events", sheet], ["events", f"{tmp_path}/\udcff.toml"]):
        done = subprocess.run(command(*words), capture_output=True, check=False, env={**os.environ, **locale}, timeout=60)
        assert done.returncode == ("\udcff" in words[1])
        assert b"Traceback" not in done.stderr
        if "ascii" in str(locale) or "LC_ALL" in locale:
            assert (done.stdout + done.stderr).isascii()
    assert b"\\udcff.toml" in done.stderr


def test_figures_keep_their_ends_on_a_narrow_screen(monkeypatch: pytest.MonkeyPatch) -> None:
    import io

    from camcalc.report.terminal_parts import ShownConsole, print_table, table

    made = table("Wide", ["speed", *(f"{k} kPa" for k in range(30, 90, 5))])
    for row in range(3):
        made.add_row(f"{1000 + 200 * row} rpm", *(f"{28.5 + row + k:.1f} (cap)" for k in range(12)))
    out = io.StringIO()
    print_table(made, ShownConsole(file=out, width=40))
    text = out.getvalue()
    assert max(map(len, text.splitlines())) <= 40
    assert "…" not in text
    assert "..." not in text
    for row in range(3):
        assert all(f"{28.5 + row + k:.1f}" in text for k in range(12))


def narrow(words: list[str], width: int) -> str:
    """What a command shows on a terminal of so many columns."""
    master, slave = pty.openpty()
    running = subprocess.Popen(command(*words), stdout=slave, stderr=slave, stdin=slave, env={**os.environ, "COLUMNS": str(width), "TERM": "dumb"})
    os.close(slave)
    said = b""
    while select.select([master], [], [], 60)[0]:
        try:
            said += os.read(master, 65536)
        except OSError:
            break
    running.wait()
    os.close(master)
    return said.decode()


def test_events_at_width_40_lose_no_figure(sheet: str, capsys: Said) -> None:
    assert main(["events", sheet]) == 0
    wide = {word for word in capsys.readouterr().out.split() if word.replace(".", "").replace("-", "").isdigit()}
    text = narrow(["events", sheet], 40)
    assert "…" not in text
    assert wide - set(text.split()) == set()


# --- nowhere to keep anything


def test_without_a_home_one_line_is_said_and_all_else_is_the_same(sheet: str, tmp_path: Path) -> None:
    words = command("cycle", sheet, "--speed", "850 rpm", "--manifold-pressure", "62 kPa")
    at_home = {name: text for name, text in os.environ.items() if name not in ("CAMCALC_CACHE", "NUMBA_CACHE_DIR", "XDG_CACHE_HOME")}
    # Nobody, not even the superuser, can make a folder there.
    nowhere = at_home | {"HOME": "/proc/self/fdinfo", "XDG_CACHE_HOME": "/proc/self/fdinfo", "MPLCONFIGDIR": "/proc/self/fdinfo/x", "TMPDIR": str(tmp_path)}
    first = subprocess.run(words, capture_output=True, text=True, env=at_home, check=False, timeout=300)
    second = subprocess.run(words, capture_output=True, text=True, env=nowhere, check=False, timeout=300)
    assert second.returncode == 0

    def figures(text: str) -> list[str]:
        # What is left of the integration's own error is a difference of sums, which code compiled on another occasion may round otherwise.
        return [line for line in text.splitlines() if not line.startswith(("periodicity residual", "mass error", "energy error", "burned error"))]

    assert figures(second.stdout) == figures(first.stdout)
    assert len(figures(first.stdout)) > 30
    said = [line for line in second.stderr.splitlines() if "Compiling" not in line]
    assert len(said) == 1
    assert "cannot be written to" in said[0]


@pytest.fixture
def loaded(sheet: str) -> Callable[..., set[str]]:
    def modules(*words: str) -> set[str]:
        script = f"import sys\nfrom camcalc.cli.main import main\nmain({list(words)!r})\nprint(*sys.modules, file=sys.stderr)"
        done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=120)
        return set(done.stderr.split())

    return modules


def test_a_command_loads_no_library_that_it_does_not_need(loaded: Callable[..., set[str]], sheet: str, tmp_path: Path) -> None:
    # What the library of units takes up of others that happen to be installed, such as scipy, is none of ours.
    events = loaded("events", sheet)
    assert {"polars", "matplotlib", "sympy", "cantera"} & events == set()
    new = loaded("new", str(tmp_path / "new.toml"))
    assert {"polars", "matplotlib", "sympy", "numba"} & new == set()
    brief = loaded("brief", sheet, "--model", "quick", "--no-bands", "--no-cures")
    assert {"polars", "matplotlib"} & brief == set()
    assert "numpy" in events & brief
    assert json.dumps(sorted(events))
