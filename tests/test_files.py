"""Files: what is refused, what is kept, what is left when something goes wrong on the way."""

from __future__ import annotations

import os
import socket
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from camcalc import InputError, files
from camcalc.files import read_file, refuse_target, write_files, write_folder

PART = ".camcalc-0123456789abcdef0123456789abcdef.part"


@pytest.fixture(params=["pipe", "socket", "folder", "device"])
def no_file(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A place where something is that is no file."""
    path = tmp_path / "place"
    if request.param == "device":
        return Path("/dev/null")
    if request.param == "pipe":
        os.mkfifo(path)
    elif request.param == "folder":
        path.mkdir()
    else:
        monkeypatch.chdir(tmp_path)  # a socket's path must be short
        with socket.socket(socket.AF_UNIX) as made:
            made.bind("place")
    return path


@pytest.mark.parametrize("replace", [True, False])
def test_what_is_no_file_is_never_replaced(no_file: Path, tmp_path: Path, replace: bool) -> None:
    kind = stat.S_IFMT(no_file.stat().st_mode)
    link = tmp_path / "link"
    link.symlink_to(no_file)
    for path in (no_file, link):
        with pytest.raises(InputError, match=r"pipe|socket|folder|device"):
            refuse_target(path, replace=replace)
        with pytest.raises(InputError):
            write_files({path: "new"}, replace=replace)
    assert stat.S_IFMT(no_file.stat().st_mode) == kind


def test_what_is_no_file_is_not_read(no_file: Path) -> None:
    with pytest.raises((InputError, IsADirectoryError)):
        read_file(no_file, 100)


def test_a_file_is_read_up_to_its_limit(tmp_path: Path) -> None:
    path = tmp_path / "sheet"
    path.write_bytes(b"x" * 100)
    assert read_file(path, 100) == b"x" * 100
    with pytest.raises(InputError, match="more than"):
        read_file(path, 99)
    with pytest.raises(InputError, match="a path"):
        read_file(Path("a\0b"), 99)
    with pytest.raises(InputError, match="a path"):
        refuse_target(Path("a\0b"), replace=True)


def test_a_link_is_followed_and_stays_one(tmp_path: Path) -> None:
    target, link, dangling = tmp_path / "deep" / "target", tmp_path / "link", tmp_path / "dangling"
    target.parent.mkdir()
    target.write_text("old", encoding="utf-8")
    link.symlink_to(target)
    write_files({link: "new"}, replace=True)
    assert link.is_symlink()
    assert target.read_text(encoding="utf-8") == "new"
    dangling.symlink_to(tmp_path / "yet to be")
    write_files({dangling: "made"})
    assert dangling.is_symlink()
    assert (tmp_path / "yet to be").read_text(encoding="utf-8") == "made"
    link.unlink()
    link.symlink_to(link)
    with pytest.raises(InputError):
        write_files({link: "round"}, replace=True)


def test_permissions_stay_and_new_files_have_those_of_the_user(tmp_path: Path) -> None:
    there, new = tmp_path / "there", tmp_path / "new"
    there.write_text("old", encoding="utf-8")
    there.chmod(0o640)
    before = os.umask(0o027)
    try:
        write_files({there: "new", new: "new"}, replace=True)
    finally:
        os.umask(before)
    assert stat.S_IMODE(there.stat().st_mode) == 0o640
    assert stat.S_IMODE(new.stat().st_mode) == 0o640
    there.chmod(0o604)
    write_files({there: "newer"}, replace=True)
    assert stat.S_IMODE(there.stat().st_mode) == 0o604


def test_a_file_marked_read_only_is_not_replaced_by_anybody(tmp_path: Path) -> None:
    path = tmp_path / "kept"
    path.write_text("old", encoding="utf-8")
    path.chmod(0o444)
    with pytest.raises(InputError, match="read-only"):
        write_files({path: "new"}, replace=True)
    assert path.read_text(encoding="utf-8") == "old"
    assert os.listdir(tmp_path) == ["kept"]


def test_all_files_are_written_or_none(tmp_path: Path) -> None:
    there = tmp_path / "b"
    there.write_text("old", encoding="utf-8")
    with pytest.raises(InputError, match="there already"):
        write_files({tmp_path / "new" / "a": "new", there: "new"})
    assert [path.name for path in tmp_path.rglob("*")] == ["b"]
    assert there.read_text(encoding="utf-8") == "old"


def test_a_file_that_comes_while_others_are_put_stays_and_the_others_go_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    link = os.link

    def quicker(part: Path, target: Path) -> None:
        if target.name == "b":
            target.write_text("somebody's", encoding="utf-8")
        link(part, target)

    monkeypatch.setattr(os, "link", quicker)
    with pytest.raises(InputError, match="there already"):
        write_files({tmp_path / "a": "new", tmp_path / "b": "new"})
    assert os.listdir(tmp_path) == ["b"]
    assert (tmp_path / "b").read_text(encoding="utf-8") == "somebody's"


def test_a_disk_without_second_names_takes_files_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_links(part: Path, target: Path) -> None:
        raise PermissionError(1, "not here")

    monkeypatch.setattr(os, "link", no_links)
    write_files({tmp_path / "a": "new"})
    assert (tmp_path / "a").read_text(encoding="utf-8") == "new"


def test_a_full_disk_leaves_nothing_and_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(descriptor: int, data: bytes) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    with pytest.raises(InputError, match="No space left"):
        write_files({tmp_path / "deep" / "a": "new"})
    with pytest.raises(InputError, match="No space left"):
        write_folder(tmp_path / "deep" / "tables", {"a": "new"})
    assert os.listdir(tmp_path) == []


def test_data_are_on_disk_before_they_have_their_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []
    fsync, link, replace = os.fsync, os.link, Path.replace
    monkeypatch.setattr(os, "fsync", lambda descriptor: done.append("sync") or fsync(descriptor))
    monkeypatch.setattr(os, "link", lambda part, target: done.append("name") or link(part, target))
    monkeypatch.setattr(Path, "replace", lambda part, target: done.append("name") or replace(part, target))
    write_files({tmp_path / "a": "new"})
    write_files({tmp_path / "a": "newer"}, replace=True)
    assert done == ["sync", "name", "sync"] * 2


def test_a_folder_appears_whole_or_not_at_all(tmp_path: Path) -> None:
    folder = tmp_path / "deep" / "tables"
    with pytest.raises(InputError):
        write_folder(folder, {"a": "one", "no/such": "two"})
    assert os.listdir(tmp_path) == []
    paths = write_folder(folder, {"a": "one", "b": "two"})
    assert [path.read_text(encoding="utf-8") for path in paths] == ["one", "two"]
    assert sorted(os.listdir(folder)) == ["a", "b"]
    assert os.listdir(tmp_path / "deep") == ["tables"]
    with pytest.raises(InputError, match="there already"):
        write_folder(folder, {"c": "three", "b": "three"})
    assert sorted(os.listdir(folder)) == ["a", "b"]
    write_folder(folder, {"c": "three", "b": "three"}, replace=True)
    assert sorted(os.listdir(folder)) == ["a", "b", "c"]


def test_what_a_killed_run_left_is_cleared_and_what_a_living_one_writes_is_not(tmp_path: Path) -> None:
    (tmp_path / PART).write_text("half", encoding="utf-8")
    (tmp_path / PART.replace("0", "f")).mkdir()
    (tmp_path / PART.replace("0", "f") / "inside").touch()
    (tmp_path / "brief.html.part").touch()  # somebody else's
    script = "import sys, pathlib\nfrom camcalc import files\nfiles._new_part(pathlib.Path(sys.argv[1]))\nprint('ready', flush=True)\nsys.stdin.read()"
    other = subprocess.Popen([sys.executable, "-c", script, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == "ready\n"
        left = [name for name in os.listdir(tmp_path) if name.startswith(".camcalc-")]
        assert len(left) == 1
        write_files({tmp_path / "a": "new"})
        assert sorted(os.listdir(tmp_path)) == sorted([*left, "a", "brief.html.part"])
    finally:
        other.kill()
        other.communicate()
    write_files({tmp_path / "b": "new"})
    assert sorted(os.listdir(tmp_path)) == ["a", "b", "brief.html.part"]


def test_what_is_under_way_is_taken_away_when_the_process_ends_early(tmp_path: Path) -> None:
    part = files._new_part(tmp_path / "deep")
    assert part.path.exists()
    files.abandon(0.1)
    files._placing.release()
    files._making.release()
    assert os.listdir(tmp_path) == []


def test_any_text_can_be_written(tmp_path: Path) -> None:
    write_files({tmp_path / "a": "half a sign: \ud800"})
    assert (tmp_path / "a").read_bytes() == b"half a sign: \\ud800"


# A part is made and the process ended before it is known of: by a thread, as a signal does it.
ENDED_WHILE_MADE = """
import os, sys, threading, time
from pathlib import Path
from camcalc import files
make, begun = os.{call}, []
def end():
    files.abandon(1.0)
    os._exit(7)
def made(path, *more):
    found = make(path, *more)
    if not begun and ".camcalc-" in str(path) or "{call}" == "mkdir" and not begun:
        begun.append(threading.Thread(target=end, daemon=True))
        begun[0].start()
        time.sleep(0.2)
    return found
os.{call} = made
files.{write}
begun[0].join()
"""


@pytest.mark.parametrize(
    ("call", "write"), [("open", "write_files({Path('in', 'a.txt'): 'text'})"), ("mkdir", "write_folder(Path('in', 'made'), {'a': 'text'})")]
)
def test_a_part_that_is_just_being_made_is_taken_away_too(tmp_path: Path, call: str, write: str) -> None:
    script = ENDED_WHILE_MADE.replace("{call}", call).replace("{write}", write)
    done = subprocess.run([sys.executable, "-c", script], cwd=tmp_path, check=False, timeout=60)
    assert done.returncode == 7
    assert list(tmp_path.rglob("*")) == []
