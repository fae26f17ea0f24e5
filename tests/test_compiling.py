"""Compiled kernels: never stale, never in the package, safe with two processes at once, and no trouble where nothing can be written."""

from __future__ import annotations

import errno
import io
import logging
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numba
import platformdirs
import pytest

from camcalc import compiling

PACKAGE = Path(compiling.__file__).parent
SHEET = str(PACKAGE.parent / "examples" / "quarry-road" / "build.toml")
CYCLE = ["-m", "camcalc.cli.main", "cycle", SHEET, "--speed", "850 rpm", "--manifold-pressure", "62 kPa"]
# The kernel called and the one it calls stand in two files.
CALLER = "from camcalc.burn.ignition import ignition_energy; print(ignition_energy(600.0, 5e5, 0.3, 0.3, 0.0))"
CALLEE_LINE = "VISCOSITY_POWER = 1.85e-5"
KERNEL = "from camcalc.burn.stretch import viscosity; print(viscosity({}))"
TABLED = "from camcalc.burn.flame import dilution_ratio_kernel; print(dilution_ratio_kernel(0.2, 700.0, 8e5))"

AS_A_COMMAND = """from camcalc.cli.main import log_on_stderr
with log_on_stderr(): {}"""

Run = Callable[..., "subprocess.CompletedProcess[str]"]


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy of the package, free to be changed."""
    return Path(shutil.copytree(PACKAGE, tmp_path / "place" / "camcalc", ignore=shutil.ignore_patterns("__pycache__")))


@pytest.fixture
def surroundings(tmp_path: Path) -> dict[str, str]:
    """The environment of a user whose cache folder is empty."""
    for name in ("home", "temporary"):
        (tmp_path / name).mkdir()
    own = {name: value for name, value in os.environ.items() if not name.startswith(("NUMBA_", "XDG_"))}
    home = str(tmp_path / "home")
    return own | {"HOME": home, "LOCALAPPDATA": home, "TMPDIR": str(tmp_path / "temporary"), "PYTHONPATH": str(PACKAGE.parent)}


@pytest.fixture
def run(surroundings: dict[str, str], tmp_path: Path) -> Run:
    """Run Python on a script in an environment of its own; it has to succeed."""

    def run(*words: str, **more: str) -> subprocess.CompletedProcess[str]:
        words = words if len(words) > 1 else ("-c", *words)
        return subprocess.run([sys.executable, "-W", "error", *words], env=surroundings | more, cwd=tmp_path, capture_output=True, text=True, check=True)

    return run


def kept(folder: Path) -> list[Path]:
    """The files of compiled code anywhere in a folder."""
    return sorted(folder.rglob("*.nbc"))


# What the code is kept under.


def test_a_change_to_any_source_below_advice_gives_another_key(copy: Path) -> None:
    before = compiling.source_hash(copy)
    seen = {before}
    for part in compiling.PARTS:
        path = copy / part if part.endswith(".py") else copy / part / "__init__.py"
        path.write_text(path.read_text(encoding="utf-8") + "\n# changed\n", encoding="utf-8")
        seen.add(compiling.source_hash(copy))
    (copy / "burn" / "new.py").touch()
    seen.add(compiling.source_hash(copy))
    (copy / "burn" / "new.py").rename(copy / "burn" / "renamed.py")
    seen.add(compiling.source_hash(copy))
    table = copy / "burn" / "dilution.csv"
    table.write_text(table.read_text(encoding="utf-8") + "# changed\n", encoding="utf-8")
    seen.add(compiling.source_hash(copy))
    assert len(seen) == len(compiling.PARTS) + 4


def test_where_a_source_lies_or_what_stands_above_the_kernels_does_not_count(copy: Path) -> None:
    (copy / "cli" / "main.py").write_text("", encoding="utf-8")
    assert compiling.source_hash(copy) == compiling.source_hash()


@pytest.mark.parametrize("name", compiling.SETTINGS)
def test_a_setting_of_numba_gives_another_key(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    before = compiling.folder_name("sources")
    assert compiling.folder_name("sources") == before
    assert hasattr(numba.config, name)
    monkeypatch.setattr(numba.config, name, "generic")
    assert compiling.folder_name("sources") != before


@pytest.mark.parametrize("changed", ["numba.__version__", "llvmlite.binding.get_host_cpu_name", "numba.core.codegen.get_host_cpu_features", "sources"])
def test_another_numba_processor_or_source_gives_another_key(changed: str, monkeypatch: pytest.MonkeyPatch) -> None:
    before = compiling.folder_name("sources")
    if changed != "sources":
        monkeypatch.setattr(changed, "0.0" if changed.endswith("version__") else lambda: "another")
    assert compiling.folder_name("others" if changed == "sources" else "sources") != before
    assert compiling.FOLDER_NAME.fullmatch(before)


def test_a_changed_kernel_is_met_in_its_callers_too_and_the_old_one_is_still_there(copy: Path, run: Run, tmp_path: Path) -> None:
    def answer() -> str:
        return run(CALLER, PYTHONPATH=str(copy.parent)).stdout

    first, path = answer(), copy / "burn" / "stretch.py"
    source = path.read_text(encoding="utf-8")
    path.write_text(source.replace(CALLEE_LINE, CALLEE_LINE.replace("1.85e-5", "1.95e-5")), encoding="utf-8")
    assert answer() != first
    compiled = kept(tmp_path)
    path.write_text(source, encoding="utf-8")
    assert answer() == first
    assert kept(tmp_path) == compiled
    assert run(CALLER).stdout == first, "the same sources elsewhere"
    assert kept(tmp_path) == compiled


def test_a_changed_table_is_met_in_the_kernels_that_hold_it(copy: Path, run: Run) -> None:
    path = copy / "burn" / "dilution.csv"
    first, table = run(TABLED, PYTHONPATH=str(copy.parent)).stdout, path.read_text(encoding="utf-8")
    old = next(line for line in table.splitlines() if line.startswith("C3H8,8,700,0.2,"))
    cells = old.split(",")
    cells[4] = str(0.5 * float(cells[4]))
    path.write_text(table.replace(old, ",".join(cells)), encoding="utf-8")
    assert float(run(TABLED, PYTHONPATH=str(copy.parent)).stdout) == pytest.approx(0.5 * float(first), rel=1e-12)


def test_sources_that_change_under_a_running_process_leave_nothing_behind(copy: Path, run: Run, tmp_path: Path) -> None:
    path = copy / "burn" / "stretch.py"
    edit = f"path = {str(path)!r}; text = open(path).read().replace('1.85e-5', '1.95e-5'); open(path, 'w').write(text)"
    changed = run(f"import camcalc.engine.valve_flow; {edit}; {CALLER}", PYTHONPATH=str(copy.parent)).stdout
    assert kept(tmp_path) == []
    assert run(CALLER, PYTHONPATH=str(copy.parent)).stdout == changed


# Where it is kept.


@pytest.mark.slow
def test_a_command_keeps_its_code_with_the_user_says_so_once_and_leaves_the_package_alone(copy: Path, run: Run, tmp_path: Path) -> None:
    before = {path for path in copy.rglob("*") if path.is_file()}
    cold = run(*CYCLE, PYTHONPATH=str(copy.parent))
    assert cold.stderr.splitlines() == [f"camcalc: {compiling.COMPILING}"]
    files = kept(tmp_path)
    assert len(files) >= 8
    assert all(path.is_relative_to(tmp_path / "home") for path in files)
    warm = run(*CYCLE)
    assert (warm.stdout, warm.stderr) == (cold.stdout, "")
    assert kept(tmp_path) == files
    assert {path for path in copy.rglob("*") if path.is_file() and path.suffix != ".pyc"} == before


def test_numba_s_own_cache_folder_is_respected_with_the_key_inside(run: Run, tmp_path: Path) -> None:
    run(KERNEL.format(600.0), NUMBA_CACHE_DIR=str(tmp_path / "chosen"))
    (file,) = kept(tmp_path)
    assert file.parent == tmp_path / "chosen" / compiling.folder_name(compiling.SOURCES)


def test_kernels_of_others_in_the_same_process_are_left_alone(run: Run, tmp_path: Path) -> None:
    (tmp_path / "others.py").write_text("import numba\n@numba.njit(cache=True)\ndef twice(x):\n    return 2.0 * x\n", encoding="utf-8")
    search = os.pathsep.join((str(PACKAGE.parent), str(tmp_path)))
    said = run(f"{KERNEL.format(600.0)}; import others; others.twice(1.0); print(others.twice.stats.cache_path)", PYTHONPATH=search).stdout
    assert said.split()[-1] == str(tmp_path / "__pycache__")
    assert [path.name.split(".")[0] for path in kept(tmp_path / "home")] == ["camcalc"]


def test_a_home_that_takes_no_files_costs_one_line_and_a_temporary_folder_serves(run: Run, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    no_home = {"HOME": str(tmp_path / "file"), "LOCALAPPDATA": str(tmp_path / "file")}
    first = run(KERNEL.format(600.0), **no_home)
    (file,) = kept(tmp_path)
    assert file.is_relative_to(tmp_path / "temporary")
    (line,) = first.stderr.splitlines()
    assert "cannot be written to" in line
    assert str(file.parent) in line
    made = file.stat().st_mtime_ns
    assert run(KERNEL.format(600.0), **no_home).stdout == first.stdout
    assert file.stat().st_mtime_ns == made
    assert run(AS_A_COMMAND.format(KERNEL.format(600.0)), **no_home).stderr == f"camcalc: {line}\n"


@pytest.fixture
def asked_anew() -> Callable[[], Path | None]:
    """Decide on the folder, as if for the first time."""
    return compiling.kernel_folder.__wrapped__


def test_a_cache_folder_on_a_read_only_disk_counts_as_none(
    asked_anew: Callable[[], Path | None], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    def opened(dir: Path) -> io.BytesIO:
        if dir.is_relative_to(tmp_path / "read-only"):
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        return io.BytesIO()

    monkeypatch.setattr(numba.config, "CACHE_DIR", str(tmp_path / "read-only"))
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr("tempfile.TemporaryFile", opened)
    folder = asked_anew()
    assert folder is not None
    assert not folder.is_relative_to(tmp_path / "read-only")
    (line,) = caplog.messages
    assert os.strerror(errno.EROFS) in line


def test_without_a_home_nothing_is_made_where_the_user_happens_to_stand(
    asked_anew: Callable[[], Path | None], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(numba.config, "CACHE_DIR", "")
    monkeypatch.setattr(platformdirs, "user_cache_path", lambda *_, **__: Path("~/.cache/camcalc"))
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "temporary"))
    (tmp_path / "temporary").mkdir()
    folder = asked_anew()
    assert folder is not None
    assert folder.is_relative_to(tmp_path / "temporary")
    assert "there is no home folder" in caplog.text
    assert [path.name for path in tmp_path.iterdir()] == ["temporary"]


@pytest.mark.skipif(not hasattr(os, "getuid"), reason="a temporary folder is the user's own here")
def test_a_temporary_folder_that_others_may_write_to_is_not_trusted(
    asked_anew: Callable[[], Path | None], monkeypatch: pytest.MonkeyPatch, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "file").touch()
    monkeypatch.setattr(numba.config, "CACHE_DIR", str(tmp_path / "file"))
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    planted = tmp_path / f"camcalc-{os.getuid()}"
    planted.mkdir()
    planted.chmod(0o777)
    assert asked_anew() is None
    (line,) = caplog.messages
    assert "every run compiles again" in line
    planted.chmod(0o700)
    assert asked_anew() == planted / compiling.folder_name(compiling.SOURCES)


def test_without_any_folder_kernels_run_all_the_same(run: Run) -> None:
    script = f"import camcalc.compiling as c; c.kernel_folder = lambda: None; {KERNEL.format(600.0)}"
    assert run(script).stdout == run(KERNEL.format(600.0)).stdout


# Processes at once, and damage.


@pytest.mark.slow
def test_two_processes_that_start_cold_at_once_do_each_other_no_harm(run: Run, surroundings: dict[str, str], tmp_path: Path) -> None:
    orders = ("600.0", "600"), ("600", "600.0")
    scripts = [f"{KERNEL.format(first)}; print(viscosity({second}))" for first, second in orders]
    alone = [run(script, NUMBA_CACHE_DIR=str(tmp_path / f"alone-{n}")).stdout.split() for n, script in enumerate(scripts)]
    for trial in range(2):
        together = tmp_path / f"together-{trial}"
        started = [
            subprocess.Popen([sys.executable, "-c", script], env=surroundings | {"NUMBA_CACHE_DIR": str(together)}, stdout=subprocess.PIPE, text=True)
            for script in scripts
        ]
        assert [process.communicate(timeout=120)[0].split() for process in started] == alone
        assert [process.returncode for process in started] == [0, 0]
        files = {path: path.stat().st_mtime_ns for path in together.rglob("*") if path.is_file()}
        assert len(files) == 2
        assert [run(script, NUMBA_CACHE_DIR=str(together)).stdout.split() for script in scripts] == alone
        assert {path: path.stat().st_mtime_ns for path in together.rglob("*") if path.is_file()} == files, "compiled again"


@pytest.mark.parametrize("damage", [b"", None], ids=["empty", "cut short"])
def test_a_damaged_file_is_compiled_again_and_replaced(damage: bytes | None, run: Run, tmp_path: Path) -> None:
    first = run(KERNEL.format(600.0)).stdout
    (file,) = kept(tmp_path)
    whole = file.read_bytes()
    file.write_bytes(whole[:-1] if damage is None else damage)
    assert run(KERNEL.format(600.0)).stdout == first
    assert compiling._read(file) is not None
    assert kept(tmp_path) == [file]


def test_a_disk_that_is_full_costs_one_line_and_no_answer(tmp_path: Path, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(path: Path, code: bytes) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    for name in ("one.nbc", "two.nbc"):
        compiling._write(tmp_path / name, b"code")
    (line,) = caplog.messages
    assert "No space left on device" in line
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_another_process_removed_is_made_again(tmp_path: Path) -> None:
    compiling._write(tmp_path / "gone" / "kernel.nbc", b"code")
    assert compiling._read(tmp_path / "gone" / "kernel.nbc") == b"code"
    assert [path.name for path in (tmp_path / "gone").iterdir()] == ["kernel.nbc"]


def test_folders_of_other_keys_do_not_pile_up(tmp_path: Path) -> None:
    now = time.time()
    ages = {f"camcalc-0.1.0-{age:016x}": age * 86400.0 for age in (*range(12), 40)}
    for name, age in {**ages, "camcalc-notes": 9e6, "elsewhere": 9e6}.items():
        (tmp_path / name).mkdir()
        (tmp_path / name / "kernel.nbc").touch()
        os.utime(tmp_path / name, (now - age, now - age))
    own = compiling.open_folder(tmp_path, f"camcalc-0.1.0-{99:016x}")
    youngest = [f"camcalc-0.1.0-{age:016x}" for age in range(compiling.OTHERS_KEPT)]
    assert {path.name for path in tmp_path.iterdir()} == {*youngest, own.name, "camcalc-notes", "elsewhere"}
    os.utime(tmp_path / youngest[0], (now - 40 * 86400.0,) * 2)
    compiling.open_folder(tmp_path, own.name)
    assert (tmp_path / youngest[0]).is_dir(), "looked at only when a folder is new"
    compiling.open_folder(tmp_path, f"camcalc-0.1.0-{98:016x}")
    assert not (tmp_path / youngest[0]).exists()


# What the user is told.


def test_a_command_says_that_it_compiles_only_when_nothing_was_compiled_before(run: Run) -> None:
    assert run("-m", "camcalc.cli.main", "events", SHEET).stderr == ""
    both = f"{KERNEL.format(600.0)}; print(viscosity(700.0))"
    assert run(AS_A_COMMAND.format(both)).stderr == f"camcalc: {compiling.COMPILING}\n"
    assert run(AS_A_COMMAND.format(both)).stderr == ""
    assert run(AS_A_COMMAND.format(KERNEL.format(600))).stderr == "", "one kernel more is no matter of seconds"


def test_the_package_itself_is_quiet_while_it_compiles(run: Run) -> None:
    assert run(KERNEL.format(600.0)).stderr == ""


def test_a_command_leaves_the_log_as_it_was(capsys: pytest.CaptureFixture[str]) -> None:
    from camcalc.cli.main import main

    log = logging.getLogger("camcalc")
    before = log.handlers[:], log.level
    assert main(["events", SHEET]) == 0
    assert (log.handlers[:], log.level) == before


def test_a_kernel_inside_a_function_is_refused() -> None:
    def inner(lift: float) -> float:
        return lift

    with pytest.raises(TypeError, match="defined inside a function"):
        compiling.compiled(inner)


def test_every_kernel_is_kept_by_camcalc_itself() -> None:
    from camcalc.cycle import gas_kernel, rates
    from camcalc.drive import driveline_kernel, event_kernel

    kernels = [item for module in (gas_kernel, rates, driveline_kernel, event_kernel) for item in vars(module).values() if numba.extending.is_jitted(item)]
    assert len(kernels) > 15
    assert all(isinstance(kernel._cache, compiling.KernelFiles) for kernel in kernels)
