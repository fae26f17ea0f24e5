"""Standard output and the error stream as a command sees them: a full disk or a closed pipe stops no work, and no text from outside moves the cursor."""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from collections.abc import Iterator
from typing import Any

from ..plain_text import PLAIN_ERRORS, visible

__all__ = ["Guarded", "Raw", "open_standard_streams", "streams_guarded"]


class Guarded:
    """A text stream that shows control characters as escapes, and remembers the first error of writing instead of raising it.

    Parameters
    ----------
    stream : text stream, or None where the process has none
    """

    def __init__(self, stream: Any) -> None:
        self.stream = stream
        self.error: OSError | None = OSError(errno.EBADF, os.strerror(errno.EBADF)) if stream is None else None
        self.raw_text = Raw(self)

    def write(self, text: str) -> int:
        """Write text, while that is possible."""
        return self.attempt("write", visible(text)) and len(text)

    def flush(self) -> None:
        """Write what is still held back."""
        self.attempt("flush")

    def isatty(self) -> bool:
        """Return whether a person looks at it."""
        return self.stream is not None and bool(self.stream.isatty())

    def attempt(self, what: str, *given: str) -> int:
        """Have the stream do something; after an error, nothing more."""
        if self.error is None:
            try:
                getattr(self.stream, what)(*given)
            except OSError as error:
                self.error = error
                self._drop()
        return 1

    def _drop(self) -> None:
        """Send what is still held back nowhere: else the interpreter tries once more when it ends, and complains."""
        with contextlib.suppress(OSError, ValueError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self.stream.fileno())
            os.close(nowhere)

    def ended(self, code: int) -> int:
        """Return how the command ended: 1, said in one line, where its output could not be written. Whoever closes a pipe has seen enough."""
        self.flush()
        if self.error is None or isinstance(self.error, BrokenPipeError):
            return code
        print(f"camcalc: standard output cannot be written to ({self.error.strerror}).", file=sys.stderr)
        return code or 1

    def __getattr__(self, name: str) -> Any:
        return getattr(self.stream, name)


class Raw:
    """The same stream for a library that writes a terminal's control characters itself."""

    def __init__(self, guarded: Guarded) -> None:
        self.guarded = guarded

    def write(self, text: str) -> int:
        """Write text as it is."""
        return self.guarded.attempt("write", text) and len(text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.guarded, name)


@contextlib.contextmanager
def streams_guarded() -> Iterator[Guarded]:
    """Guard both streams, and let them write every character: as it is, or in signs that their encoding has."""
    before = sys.stdout, sys.stderr
    for stream in before:
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=PLAIN_ERRORS)
    out, error = Guarded(sys.stdout), Guarded(sys.stderr)
    sys.stdout, sys.stderr = out, error
    try:
        yield out
    finally:
        out.flush()
        error.flush()
        sys.stdout, sys.stderr = before


def open_standard_streams() -> None:
    """Open what of input, output and errors is closed: the next file opened would get its number, and texts meant for a screen would go into it."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
