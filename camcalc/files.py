"""Files: read within a limit and only where they are files; written whole or not at all, beside their place first and then put there in one go."""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import shutil
import stat
import threading
import time
import uuid
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

from .errors import InputError

__all__ = ["BRIEF_BYTES", "SHEET_BYTES", "TABLE_BYTES", "abandon", "clear_parts", "placed", "read_file", "refuse_target", "write_files", "write_folder"]

# More than any build sheet, any table, any kept brief has [bytes]; ESTIMATE, each tenfold what the largest example has and more.
SHEET_BYTES, TABLE_BYTES, BRIEF_BYTES = 1_000_000, 5_000_000, 100_000_000
# What is not whole yet has a name of its own. Its maker holds a lock on it: without one, the maker is gone.
PART_NAME = re.compile(r"\.camcalc-[0-9a-f]{32}\.part")
KINDS = ((stat.S_ISDIR, "a folder"), (stat.S_ISFIFO, "a pipe"), (stat.S_ISSOCK, "a socket"), (stat.S_ISCHR, "a device"), (stat.S_ISBLK, "a device"))
WHERE = "the file to write"
# How often a part is made again when somebody clears it before its lock is on.
TRIES = 10


class Part(NamedTuple):
    """Something not yet in its place, and the open descriptor that holds its lock."""

    path: Path
    descriptor: int
    thread: int


# What is under way in this process, for whoever ends it early; the lock is held while finished parts are put in their places.
_under_way: dict[Path, Part] = {}
_new_folders: list[tuple[int, Path]] = []
_placing = threading.RLock()
# Held from before a part or a folder is made until it is known to be under way: whoever ends the process finds it then, and none is made after.
_making = threading.RLock()
placed: list[Path] = []


def kind_of(mode: int) -> str:
    """Return what a file's mode says it is, if it is no file.

    >>> kind_of(stat.S_IFIFO), kind_of(stat.S_IFREG)
    ('a pipe', '')
    """
    return next((words for is_kind, words in KINDS if is_kind(mode)), "" if stat.S_ISREG(mode) else "no file")


def read_file(path: Path, most: int | None) -> bytes:
    """Return what a file holds.

    Parameters
    ----------
    path : Path
    most : int or None
        More is refused [bytes]; None for a log, which is as long as the drive.

    Raises
    ------
    InputError
        If it is a pipe, a device or too large, or no path at all.
    OSError
        If it cannot be read.
    """
    try:
        _refuse_kind(path, os.stat(path).st_mode)
        # What was a file a moment ago may be a pipe by now; a pipe must not be waited for.
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except InputError:
        raise
    except ValueError:
        raise InputError("the file", came=repr(str(path)), expected="a path", fix="take out what cannot be in a path") from None
    with os.fdopen(descriptor, "rb") as file:
        _refuse_kind(path, os.fstat(descriptor).st_mode)
        data = file.read() if most is None else file.read(most + 1)
    if most is not None and len(data) > most:
        raise InputError("the file", came=f"{path}: more than {most / 1e6:g} MB", expected=f"a file of at most {most / 1e6:g} MB", fix="check the path")
    return data


def _refuse_kind(path: Path, mode: int) -> None:
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(None, "it is a folder", str(path))
    if not stat.S_ISREG(mode):
        raise InputError("the file", came=f"{path} is {kind_of(mode)}", expected="a file", fix="save it as a file, and give that")


def refuse_target(path: Path, *, replace: bool, where: str = WHERE, fix: str = "give another name or folder; nothing was written") -> Path:
    """Return where a file goes, links followed, or refuse it.

    Parameters
    ----------
    path : Path
    replace : bool
        Whether a file that is there may be replaced.
    where, fix : str
        For the error, what the path was given for, and what to do where a file is there already.

    Raises
    ------
    InputError
        If something is there that is no file, or a file that may not be replaced or written to.
    """
    try:
        found = os.stat(path)
    except (FileNotFoundError, NotADirectoryError):
        return Path(os.path.realpath(path))
    except ValueError:
        raise InputError(where, came=repr(str(path)), expected="a path", fix="take out what cannot be in a path") from None
    except OSError as error:
        raise InputError(where, came=f"{path}: {error.strerror}", expected="a file that can be written to", fix="give another name") from None
    if not stat.S_ISREG(found.st_mode):
        raise InputError(where, came=f"{path} is {kind_of(found.st_mode)}", expected="a file", fix="give the name of a file")
    if not replace:
        raise InputError(where, came=f"{path} is there already", expected="a new file", fix=fix)
    # The superuser may write to any file; one that is marked read-only is still not meant to be.
    if not found.st_mode & 0o222 or not os.access(path, os.W_OK):
        raise InputError(where, came=f"{path} is read-only", expected="a file that may be written to", fix="give another name, or make it writable")
    return Path(os.path.realpath(path))


def write_files(texts: Mapping[Path, str | bytes], *, replace: bool = False) -> None:
    """Write some files: all of them, each whole, or none.

    Parameters
    ----------
    texts : mapping of Path to str or bytes
    replace : bool
        Whether files that are there may be replaced; their permissions stay.

    Raises
    ------
    InputError
        If one cannot be written, or is there already. Then nothing was written.
    """
    made: list[tuple[Path, Path, Part]] = []
    with _undone_on_error():
        for path, text in texts.items():
            target = refuse_target(path, replace=replace)
            with _said(path):
                made.append((path, target, _part_of(target, text)))
        with _placing:
            _put(made, replace)
    for folder in {target.parent for _, target, _ in made}:
        _sync(folder)


def _put(made: list[tuple[Path, Path, Part]], replace: bool) -> None:
    """Put finished parts in their places; new ones go again where a later one cannot be put."""
    new: list[Path] = []
    try:
        for path, target, part in made:
            refuse_target(path, replace=replace)
            with _said(path):
                there = target.exists()
                _put_one(part.path, target, replace)
            if not there:
                new.append(target)
            _done(part)
    except BaseException:
        for target in new:
            target.unlink(missing_ok=True)
        raise
    placed.extend(path for path, _, _ in made)


def _put_one(part: Path, target: Path, replace: bool) -> None:
    if not replace:
        try:
            # Unlike a renaming, a second name never takes the place of a file that came in the meantime.
            os.link(part, target)
            part.unlink()
            return
        except FileExistsError:
            raise
        except OSError:  # no second names on this disk
            pass
    part.replace(target)


def write_folder(folder: Path, texts: Mapping[str, str] | Mapping[str, bytes], *, replace: bool = False) -> list[Path]:
    """Write files into a folder: a new one appears with all of them or not at all; into one that is there they go when all are written.

    Parameters
    ----------
    folder : Path
    texts : mapping of str to str or bytes
        By file name.
    replace : bool
        Whether files that are there may be replaced.

    Returns
    -------
    list of Path
    """
    paths = [folder / name for name in texts]
    if folder.exists():
        write_files(dict(zip(paths, texts.values(), strict=True)), replace=replace)
        return paths
    target = Path(os.path.realpath(folder))
    with _undone_on_error(), _said(folder):
        part = _new_part(target.parent, folder=True)
        for name, text in texts.items():
            with (part.path / name).open("xb") as file:
                _fill(file.fileno(), text)
        os.fsync(part.descriptor)
        with _placing:
            part.path.rename(target)
            _done(part)
            placed.extend(paths)
    _sync(target.parent)
    return paths


@contextlib.contextmanager
def _said(path: Path) -> Iterator[None]:
    try:
        yield
    except FileExistsError:
        raise InputError(WHERE, came=f"{path} is there already", expected="a new file", fix="give another name or folder; nothing was written") from None
    except OSError as error:
        raise InputError(WHERE, came=f"{path}: {error.strerror or error}", expected="a place that can be written to", fix="give another place") from None


def _part_of(target: Path, text: str | bytes) -> Part:
    """Return a finished part for a file, with the permissions of the file that it will replace."""
    part = _new_part(target.parent)
    _fill(part.descriptor, text)
    with contextlib.suppress(FileNotFoundError):
        there = target.stat()
        os.fchmod(part.descriptor, stat.S_IMODE(there.st_mode) & 0o777)
        with contextlib.suppress(PermissionError):
            os.fchown(part.descriptor, there.st_uid, there.st_gid)
    return part


def _fill(descriptor: int, text: str | bytes) -> None:
    data = memoryview(text if isinstance(text, bytes) else text.encode("utf-8", "backslashreplace"))
    while data:
        data = data[os.write(descriptor, data) :]
    os.fsync(descriptor)


def _new_part(home: Path, *, folder: bool = False) -> Part:
    """Make a part and lock it; whoever clears what others have left may have been quicker, then another is made."""
    with _making:
        _make_folders(home)
    clear_parts(home)
    for _ in range(TRIES):
        path = home / f".camcalc-{uuid.uuid4().hex}.part"
        with _making:
            if folder:
                path.mkdir()
                descriptor = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            else:
                descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o666)
            _under_way[path] = part = Part(path, descriptor, threading.get_ident())
        with contextlib.suppress(OSError):  # a disk without locks: nobody clears there
            fcntl.flock(descriptor, fcntl.LOCK_EX)
        if path.exists():
            return part
        _done(part)
    raise OSError(None, "it is being cleared all the time")


def _make_folders(folder: Path) -> None:
    missing = []
    while not folder.exists() and folder != folder.parent:
        missing.append(folder)
        folder = folder.parent
    for one in reversed(missing):
        with contextlib.suppress(FileExistsError):
            one.mkdir()
            _new_folders.append((threading.get_ident(), one))


def clear_parts(folder: Path) -> None:
    """Remove what runs that were killed have left in a folder; what a run is still writing is locked and stays."""
    try:
        left = [entry.path for entry in os.scandir(folder) if PART_NAME.fullmatch(entry.name)]
    except OSError:
        return
    for name in left:
        path = Path(name)
        if path in _under_way:
            continue
        with contextlib.suppress(OSError):
            descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
                _remove(path)
            finally:
                os.close(descriptor)


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)


def _done(part: Part) -> None:
    _under_way.pop(part.path, None)
    os.close(part.descriptor)


@contextlib.contextmanager
def _undone_on_error() -> Iterator[None]:
    try:
        yield
    except BaseException:
        _undo(threading.get_ident())
        raise
    _keep_folders()


def _undo(thread: int | None = None) -> None:
    """Take away every part under way, and the folders made for them; of one thread alone where it is given."""
    for part in list(_under_way.values()):
        if thread in (None, part.thread):
            with contextlib.suppress(OSError):
                _remove(part.path)
                _done(part)
    for owner, folder in reversed(list(_new_folders)):
        if thread in (None, owner):
            with contextlib.suppress(OSError):
                folder.rmdir()
    _keep_folders(thread)


def _keep_folders(thread: int | None = None) -> None:
    """Forget which folders were made: they hold files now, or are gone."""
    own = threading.get_ident() if thread is None else thread
    _new_folders[:] = [(owner, folder) for owner, folder in _new_folders if owner != own]


def abandon(patience: float) -> list[Path]:
    """Take away what is under way before the process ends, and return what was already written.

    Parameters
    ----------
    patience : float
        How long files that are just being put in their places are waited for [s].
    """
    ends = time.monotonic() + patience
    for lock in (_placing, _making):
        lock.acquire(timeout=max(ends - time.monotonic(), 0.0))
    _undo()
    return placed


def _sync(folder: Path) -> None:
    """Have the new names in a folder on disk; some disks cannot."""
    with contextlib.suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
