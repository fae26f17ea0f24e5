"""``python -m tests.fuzz --minutes N``: search for so long, another place each time; keep what fails in ``found``."""

from __future__ import annotations

import argparse
import hashlib
import random
import sys
import time
import traceback
from pathlib import Path

import hypothesis

from .harnesses import HARNESSES, Harness, quiet

FOUND = Path(__file__).parent / "found"


def kept(name: str, data: bytes) -> Path:
    """Keep an input that failed, and return its file."""
    FOUND.mkdir(exist_ok=True)
    path = FOUND / f"{name}-{hashlib.sha256(data).hexdigest()[:12]}"
    path.write_bytes(data)
    return path


def search(harness: Harness, seed: int, examples: int) -> tuple[bytes, str] | None:
    """Return the smallest input found that fails, and how it fails; None if none was found."""
    failed: list[tuple[bytes, str]] = []

    @hypothesis.seed(seed)
    @hypothesis.settings(max_examples=examples, deadline=None, database=None, derandomize=False, suppress_health_check=list(hypothesis.HealthCheck))
    @hypothesis.given(harness.inputs)
    def run(data: bytes) -> None:
        try:
            harness.check(data)
        except Exception:
            failed.append((data, traceback.format_exc()))
            raise

    try:
        run()
    except Exception:
        if not failed:
            raise
    return failed[-1] if failed else None


def main() -> int:
    """Search until the time is over; return 1 if anything was found."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description="Search for input that breaks a promise.")
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--only", choices=sorted(HARNESSES))
    parser.add_argument("--seed", type=int, default=None)
    options = parser.parse_args()
    quiet()
    names = [options.only] if options.only else sorted(HARNESSES)
    made = random.Random(options.seed)
    ends, found, rounds = time.monotonic() + 60.0 * options.minutes, 0, dict.fromkeys(names, 0)
    while time.monotonic() < ends:
        for name in names:
            if time.monotonic() > ends:
                break
            seed = made.randrange(2**32)
            failure = search(HARNESSES[name], seed, examples=50)
            rounds[name] += 50
            if failure is not None:
                data, how = failure
                path = kept(name, data)
                found += 1
                print(f"{name}, seed {seed}: kept as {path.name}\n{how}", flush=True)
    print(f"{', '.join(f'{count} of {name}' for name, count in rounds.items())}: {sum(rounds.values())} inputs, {found} failures")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
