"""``python -m tests.fuzz.guided NAME --minutes N``: search where the code has not been yet, by atheris (``pip install "camcalc[fuzz]"``).

Hypothesis makes the inputs from what atheris mutates. Reading is followed, kernels are not: they are compiled.
"""

from __future__ import annotations

import argparse
import sys
import tempfile

import atheris
import hypothesis

FOLLOWED = ["camcalc.cam", "camcalc.files", "camcalc.logs", "camcalc.plain_text", "camcalc.sheet", "camcalc.tables", "camcalc.units"]

with atheris.instrument_imports(include=FOLLOWED, enable_loader_override=False):
    from .__main__ import kept
    from .harnesses import HARNESSES, quiet


def main() -> None:
    """Search until the time is over or something is found; it is kept, and told."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz.guided", description="Search for input that breaks a promise, led by coverage.")
    parser.add_argument("name", choices=sorted(HARNESSES))
    parser.add_argument("--minutes", type=float, default=10.0)
    options = parser.parse_args()
    quiet()
    harness = HARNESSES[options.name]

    @hypothesis.settings(deadline=None, database=None, suppress_health_check=list(hypothesis.HealthCheck))
    @hypothesis.given(harness.inputs)
    def run(data: bytes) -> None:
        try:
            harness.check(data)
        except Exception:
            print(f"{options.name}: kept as {kept(options.name, data).name}", flush=True)
            raise

    made: bytes = run.hypothesis.fuzz_one_input  # type: ignore[attr-defined]
    how = [f"-max_total_time={60 * options.minutes:.0f}", "-max_len=4096", "-print_final_stats=1", f"-artifact_prefix={tempfile.mkdtemp()}/"]
    atheris.Setup([sys.argv[0], *how], made)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
