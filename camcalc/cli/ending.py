"""An early end: Ctrl-C and its like end the process at once, whatever it is at, and leave nothing half written."""

from __future__ import annotations

import os
import signal
import threading
from typing import NoReturn

from ..files import abandon
from ..plain_text import visible

__all__ = ["end_at_once_on_signals", "stopped_words"]

CAUSES = {signal.SIGINT: "Ctrl-C", signal.SIGTERM: "a request to end", signal.SIGHUP: "the end of the terminal"}
# How long files that are just being put in their places are waited for [s].
PATIENCE = 0.3
# A progress bar has hidden the cursor: to the start of the line, clear it, show the cursor.
CLEARED = b"\r\x1b[2K\x1b[?25h"


def end_at_once_on_signals() -> None:
    """From now on, end the process when a signal asks for it.

    Python runs a handler between two steps of its main thread only, which may be minutes in a compiled kernel, and leaving a pool of threads waits for
    all of them. So a thread of its own waits for the signal's number and ends the process. A signal that is ignored on purpose stays so.
    """
    asked = [number for number in CAUSES if signal.getsignal(number) not in (signal.SIG_IGN, None)]
    if not asked or threading.current_thread() is not threading.main_thread():
        return
    reading, writing = os.pipe()
    os.set_blocking(writing, False)
    signal.set_wakeup_fd(writing, warn_on_full_buffer=False)
    for number in asked:
        signal.signal(number, lambda *_: None)
    threading.Thread(target=_wait, args=(reading,), daemon=True).start()


def _wait(reading: int) -> None:
    while True:
        for number in os.read(reading, 1):
            if number in CAUSES:
                _end(signal.Signals(number))


def _end(number: signal.Signals) -> NoReturn:
    try:
        line = f"camcalc: {stopped_words(CAUSES[number])}\n".encode("ascii", "backslashreplace")
        os.write(2, (CLEARED if os.isatty(2) else b"") + line)
    except OSError:
        pass
    finally:
        os._exit(128 + number)


def stopped_words(cause: str) -> str:
    """Take away what is half written, and say what is left.

    >>> stopped_words("Ctrl-C").startswith("Stopped by Ctrl-C. ")
    True
    """
    there = visible(", ".join(map(str, abandon(PATIENCE))))
    return f"Stopped by {cause}. {f'Already written, whole: {there}.' if there else 'Nothing was written.'}"
