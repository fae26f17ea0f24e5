"""Kernels compiled by numba, and the folder that keeps their machine code: one of the user's, never the package's own.

Numba by itself writes beside the sources, where an uninstall leaves the files behind, and takes code as fresh while the file of the function
itself is unchanged, whatever happened to the functions it calls. So camcalc keeps its own files, under a key of all that the code depends on.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import logging
import os
import pickle
import platform
import re
import shutil
import stat
import sys
import tempfile
import time
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, TypeVar, overload

import llvmlite.binding
import numba
import numpy
import platformdirs
from numba.core import codegen, config
from numba.core.caching import NullCache
from numba.core.compiler import CompileResult
from numba.core.serialize import dumps

from ._version import VERSION

__all__ = ["compiled", "kernel_folder"]

PACKAGE = Path(__file__).resolve().parent
# Where kernels are, and all that a module with kernels imports; a test walks the imports. What lies above may change without compiling again.
PARTS = (
    "_version.py", "array_record.py", "codes.py", "compiling.py", "constants.py", "data_reading.py", "drawing.py", "errors.py", "files.py", "marks.py",
    "plain_text.py", "results.py", "unit_system.py", "units.py",
    "burn", "cam", "cycle", "drive", "engine", "sheet", "vehicle",
)  # fmt: skip
# Kernels hold the tables they were compiled with, so data files count as sources do.
KINDS = "*.py", "*.csv"
# Settings of numba (NUMBA_CPU_NAME and so on) that change the code it makes.
SETTINGS = ("CPU_NAME", "CPU_FEATURES", "OPT", "LOOP_VECTORIZE", "SLP_VECTORIZE", "BOUNDSCHECK", "DEBUGINFO_DEFAULT")
FOLDER_NAME = re.compile(r"camcalc-.+-[0-9a-f]{16}")
# Folders of other keys: so many of the last used stay (2.5 MB each), and none that nobody used for so long [s].
OTHERS_KEPT, LONGEST_UNUSED = 8, 30 * 86400.0
# No file takes longer to write [s]; ESTIMATE.
LONGEST_WRITING = 3600.0
# What a brief needs takes 7 to 10 s of one core (measured on one machine).
COMPILING = "Compiling for this machine: up to a minute, once."
DIGEST_BYTES = 32

log = logging.getLogger(__name__)
Kernel = TypeVar("Kernel", bound=Callable[..., Any])


def source_hash(package: Path = PACKAGE) -> str:
    """Return a hash of every source and table of data that kernels are made from."""
    told = hashlib.sha256()
    for path in _sources(package):
        text = path.read_bytes()
        told.update(f"{path.relative_to(package).as_posix()} {len(text)}\n".encode() + text)
    return told.hexdigest()


def _sources(package: Path) -> Iterator[Path]:
    for part in PARTS:
        yield from [package / part] if part.endswith(".py") else sorted(path for kind in KINDS for path in (package / part).rglob(kind))


def folder_name(sources: str) -> str:
    """Return the name of the folder for code made from ``sources`` (their hash) by this numba, with its settings, on this processor."""
    settings = [f"{name} {getattr(config, name, None)!r}" for name in SETTINGS]
    processor = [platform.machine(), llvmlite.binding.get_host_cpu_name(), codegen.get_host_cpu_features()]
    versions = [sys.implementation.cache_tag, numba.__version__, llvmlite.__version__, numpy.__version__]
    key = hashlib.sha256("\n".join([sources, *versions, *processor, *settings]).encode()).hexdigest()
    return f"camcalc-{VERSION}-{key[:16]}"


# Taken now, before the first kernel is defined: what is read from disk later may no longer be what this process runs.
SOURCES = source_hash()


@functools.cache
def kernel_folder() -> Path | None:
    """Return the folder of compiled kernels, made if need be; None when nothing can be written anywhere.

    It is a folder of the user's (``platformdirs``), or inside ``NUMBA_CACHE_DIR`` where that is set, or, if nothing can be written there, a
    temporary one; the log says so in one line.
    """
    name = folder_name(SOURCES)
    root = Path(config.CACHE_DIR).absolute() if config.CACHE_DIR else platformdirs.user_cache_path("camcalc", appauthor=False)
    try:
        return open_folder(root, name)
    except OSError as error:
        refused = f"{root} cannot be written to ({error.strerror})"
    try:
        folder = open_folder(_temporary_root(), name)
    except OSError:
        log.warning("%s and no temporary folder either: every run compiles again.", refused)
        return None
    log.warning("%s: compiled code is kept in %s.", refused, folder)
    return folder


def open_folder(root: Path, name: str) -> Path:
    """Return the folder ``name`` in ``root``, made and proved to take files; a new one sends the old ones away.

    Raises
    ------
    OSError
        When nothing can be written there.
    """
    if not root.is_absolute():
        raise FileNotFoundError(None, "there is no home folder")
    folder = root / name
    new = not folder.is_dir()
    folder.mkdir(parents=True, exist_ok=True)
    tempfile.TemporaryFile(dir=folder).close()
    os.utime(folder)
    forget_parts(folder)
    if new:
        forget_unused(root, folder)
    return folder


def forget_parts(folder: Path) -> None:
    """Remove what runs that were killed while they wrote have left; nothing takes so long to write."""
    for part in folder.rglob("*.part"):
        with contextlib.suppress(OSError):
            if part.stat().st_mtime < time.time() - LONGEST_WRITING:
                part.unlink()


def forget_unused(root: Path, own: Path) -> None:
    """Remove the folders of other keys that are many or old. A process that still uses one compiles again at worst."""
    others = []
    for folder in root.iterdir():
        if folder != own and FOLDER_NAME.fullmatch(folder.name):
            try:
                others.append((folder.stat().st_mtime, folder))
            except FileNotFoundError:  # Another process was quicker.
                continue
    oldest_kept = time.time() - LONGEST_UNUSED
    for place, (used, folder) in enumerate(sorted(others, reverse=True)):
        if place >= OTHERS_KEPT or used < oldest_kept:
            shutil.rmtree(folder, ignore_errors=True)


def _temporary_root() -> Path:
    """Return a folder for this user alone: what is loaded from it is run, so nobody else may be able to put anything there."""
    if not hasattr(os, "getuid"):
        return Path(tempfile.gettempdir()) / "camcalc"
    root = Path(tempfile.gettempdir()) / f"camcalc-{os.getuid()}"
    root.mkdir(mode=0o700, exist_ok=True)
    found = root.lstat()
    if not stat.S_ISDIR(found.st_mode) or found.st_uid != os.getuid() or found.st_mode & 0o022:
        raise PermissionError(None, "somebody else's folder")
    return root


class KernelFiles(NullCache):  # type: ignore[misc]
    """The compiled code of one kernel as numba asks for it: one file for each signature.

    Numba's own way, numbered files and an index of them, is not for two processes at once: each can overwrite the other's index, and an entry
    then names code of another signature. Here a name says all, a file appears whole or not at all, and it carries its own hash.
    """

    def __init__(self, function: Callable[..., Any]) -> None:
        self._stem = f"{function.__module__}.{function.__qualname__}"

    @property
    def cache_path(self) -> str | None:
        """The folder, as numba shows it in its statistics."""
        folder = kernel_folder()
        return None if folder is None else str(folder)

    def load_overload(self, signature: Any, target: Any) -> CompileResult | None:
        """Return the code for a signature, or None if it has to be compiled."""
        folder = kernel_folder()
        if folder is None:
            return None
        target.refresh()
        code = _read(folder / self._name(signature, target.codegen()))
        if code is not None:
            try:
                return CompileResult._rebuild(target, *pickle.loads(code))
            except Exception as error:  # whole, but not of our making: compiled again and replaced
                log.debug("kernel not read back: %s", error)
        _announce(folder)
        return None

    def save_overload(self, signature: Any, result: CompileResult) -> None:
        """Keep the code for a signature."""
        folder = kernel_folder()
        if folder is not None and not result.library.has_dynamic_globals:
            _write(folder / self._name(signature, result.codegen), dumps(result._reduce()))

    def _name(self, signature: Any, maker: Any) -> str:
        key = hashlib.sha256(f"{signature!r} {maker.magic_tuple()!r}".encode()).hexdigest()
        return f"{self._stem}.{key[:16]}.nbc"


@functools.cache
def _announce(folder: Path) -> None:
    """Say once that compiling begins, where nothing was compiled before."""
    if not any(folder.glob("*.nbc")):
        log.info(COMPILING)


def _read(path: Path) -> bytes | None:
    """Return what was kept in a file; None if there is none, or a damaged one."""
    try:
        kept = path.read_bytes()
    except OSError:
        return None
    code = kept[DIGEST_BYTES:]
    return code if hashlib.sha256(code).digest() == kept[:DIGEST_BYTES] else None


def _write(path: Path, code: bytes) -> None:
    """Put a file in its place in one go. A full disk is no reason to stop: the code is at hand, and the next run compiles again."""
    part = path.with_suffix(f".{uuid.uuid4().hex}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(hashlib.sha256(code).digest() + code)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        _complain(f"{path.parent} cannot be written to ({error.strerror}): the next run compiles again.")


@functools.cache
def _complain(text: str) -> None:
    log.warning(text)


@overload
def compiled(function: Kernel) -> Kernel: ...
@overload
def compiled(**options: Any) -> Callable[[Kernel], Kernel]: ...
def compiled(function: Any = None, **options: Any) -> Any:
    """Compile a kernel when it is first called, and keep its code from run to run; for all kernels of camcalc.

    Parameters
    ----------
    function : callable
        At the top level of a module: its code is kept by module and name.
    **options
        As ``numba.njit`` takes them. A kernel lets other threads of Python run beside it, also the one that ends the process when it is asked to.

    Returns
    -------
    callable
        The compiled kernel, or a decorator when only options are given.

    Examples
    --------
    >>> @compiled(nogil=True)
    ... def doubled(lift):
    ...     return 2.0 * lift
    >>> doubled.py_func(1.5)
    3.0
    """
    if function is None:
        return functools.partial(compiled, **options)
    if "<locals>" in function.__qualname__:
        raise TypeError(f"{function.__qualname__} is defined inside a function: its code would be kept under a name that others may have too")
    kernel: Any = numba.njit(**{"nogil": True, **options})(function)
    if not config.DISABLE_JIT and _unchanged(function.__module__):
        kernel._cache = KernelFiles(function)
    return kernel


@functools.cache
def _unchanged(module: str) -> bool:
    """Return whether the sources, when a module is loaded, are still those the key was made from. If not, nothing is read or kept."""
    return source_hash() == SOURCES
