"""``python -m tests.mutation --count N --seed S``: put N faults into copies of the core, and say which no test near them noticed."""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from . import EQUIVALENT
from .sites import CORE, all_faults
from .trial import AS_PYTHON, COMPILED, ROOT, Copy, Ending, nearest


def main() -> int:
    """Try faults until they or the time are over; return 1 if any survived that is not known to change nothing."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description="Put faults into copies of the core and run the tests nearest to each.")
    parser.add_argument("--count", type=int, default=60, help="how many faults")
    parser.add_argument("--seed", type=int, default=1, help="which faults")
    parser.add_argument("--skip", type=int, default=0, help="leave out so many of them: done before")
    parser.add_argument("--minutes", type=float, default=float("inf"), help="begin no fault after so long")
    parser.add_argument("--seconds", type=float, default=240.0, help="most for one fault's tests")
    parser.add_argument("--only", choices=CORE, nargs="+", default=CORE, help="parts of the core")
    parser.add_argument("--uncompiled", action="store_true", help="leave out faults in kernels that must be compiled for each: a minute or more apiece")
    parser.add_argument("--at", help="the faults on one line: FILE:LINE, such as engine/gas.py:60")
    parser.add_argument("--survivors", type=Path, default=ROOT / ".artefacts" / "survivors.txt", help="file they are added to")
    options = parser.parse_args()
    faults = [one for one in all_faults(ROOT / "camcalc") if one.path.split("/")[0] in options.only]
    if options.uncompiled:
        faults = [one for one in faults if not one.compiled or one.path.split("/")[0] in AS_PYTHON or not one.path.startswith(COMPILED)]
    if options.at:
        chosen = [one for one in faults if f"{one.path}:{one.line}" == options.at]
    else:
        chosen = random.Random(options.seed).sample(faults, min(options.skip + options.count, len(faults)))[options.skip :]
    print(f"{len(faults)} places for a fault, {len(chosen)} chosen by seed {options.seed}", flush=True)
    counts: Counter[Ending] = Counter()
    ends, known = time.monotonic() + 60.0 * options.minutes, 0
    with tempfile.TemporaryDirectory() as place:
        copy = Copy(Path(place))
        for number, fault in enumerate(chosen, options.skip + 1):
            if time.monotonic() > ends:
                break
            if any(fault.path == path and fault.was.strip() == was and fault.new.strip() == new for path, was, new, _ in EQUIVALENT):
                known += 1
                continue
            trial = copy.tried(fault, options.seconds)
            counts[trial.ending] += 1
            print(f"{number} {trial.ending.value} {trial.seconds:.0f} s  {fault}  [{trial.by}]", flush=True)
            if trial.ending is not Ending.KILLED:
                options.survivors.parent.mkdir(parents=True, exist_ok=True)
                with options.survivors.open("a", encoding="utf-8") as file:
                    file.write(f"{trial.ending.value}  {fault}  tests: {', '.join(path.stem for path in nearest(fault.path))}\n")
    tried = sum(counts.values())
    print(f"{tried} faults: {', '.join(f'{counts[ending]} {ending.value}' for ending in Ending)}; {known} known to change nothing")
    return 1 if counts[Ending.SURVIVED] else 0


if __name__ == "__main__":
    sys.exit(main())
