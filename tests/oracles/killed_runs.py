"""Commands run in a process each and killed on the way: started from one warm process, so that hundreds of kills take seconds.

Reads tasks from standard input, one JSON object a line, and answers each with how the process ended:
``words`` of the command, ``folder`` to run in, ``at`` which step of writing it gets ``signal``, or ``after`` how many seconds.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from collections.abc import Callable
from typing import Any, NoReturn

import camcalc.cli.main as entry
from camcalc import explain
from camcalc.cli import shape
from camcalc.cycle.models import MODELS
from tests.oracles.coarse_engine import CoarseEngine

# Calls that make, name or remove files, as the interpreter reports them before they are done.
STEPS = ("open", "os.link", "os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.chmod", "os.chown", "fcntl.flock", "os.scandir", "shutil.rmtree")


def run(task: dict[str, Any]) -> NoReturn:
    """Run a command in this process, which gets its signal at one step of writing."""
    left, folder, number = task.get("at"), task["folder"], task["signal"]
    os.chdir(folder)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)

    def step() -> bool:
        nonlocal left
        if left is None:
            return False
        left -= 1
        return left == 0

    def hook(event: str, given: tuple[Any, ...]) -> None:
        if event in STEPS and (folder in str(given[0]) or isinstance(given[0], int)) and step():
            os.kill(os.getpid(), number)

    write, fsync = os.write, os.fsync

    def half_written(descriptor: int, data: Any) -> int:
        if step():
            written = write(descriptor, data[: max(len(data) // 2, 1)])
            os.kill(os.getpid(), number)
            # A request to end may take effect later: until then the rest is still to be written.
            return written
        return write(descriptor, data)

    def not_yet_on_disk(descriptor: int) -> None:
        if step():
            os.kill(os.getpid(), number)
        fsync(descriptor)

    sys.addaudithook(hook)
    os.write, os.fsync = half_written, not_yet_on_disk  # type: ignore[assignment]
    sys.argv[1:] = task["words"]
    code = entry.main()
    sys.stdout.flush()
    os._exit(code)


def worked_out_once(work: Callable[..., Any]) -> Callable[..., Any]:
    """Return a function that works out its answer in the warm process alone: what is tested is the writing of it."""
    found: list[Any] = []

    def once(*given: Any, **options: Any) -> Any:
        if not found:
            found.append(work(*given, **options))
        return found[0]

    return once


def main() -> None:
    """Answer tasks until there are no more."""
    MODELS["resolved"] = CoarseEngine
    shape.shaped_by = worked_out_once(shape.shaped_by)
    explain.explain_topic = worked_out_once(explain.explain_topic)  # type: ignore[assignment]
    for line in sys.stdin:
        task = json.loads(line)
        if task.get("warm"):
            print(f"ended {entry.main(task['words'])}", flush=True)
            continue
        child = os.fork()
        if child == 0:
            run(task)
        if task.get("after") is not None:
            time.sleep(task["after"])
            os.kill(child, task["signal"])
        _, status = os.waitpid(child, 0)
        print(f"ended {os.waitstatus_to_exitcode(status)}", flush=True)


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    main()
