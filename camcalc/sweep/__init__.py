"""Many builds, one row each: how idle and street manners go with a figure of the sheet; on this machine's cores, in processes, or on a cluster."""

from .rows import SweepOutcome, SweepRow
from .sweeping import Sweep, run_sweep
from .variants import Variant, varied_builds

__all__ = ["Sweep", "SweepOutcome", "SweepRow", "Variant", "run_sweep", "varied_builds"]
