"""Which plots each record has: by the name of its class, then by what the plot shows; the first is drawn unless another is asked for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from ..errors import InputError
from .choose import plot_choice
from .compare import plot_compared, plot_lifts
from .curves import plot_ceilings, plot_injection, plot_lift, plot_residual
from .cycle import plot_flows, plot_indicator, plot_map, plot_pressure
from .drive import plot_drive
from .idle_spark import plot_idle_spark
from .logs import plot_driven, plot_log, plot_spark_path, plot_spectrum, plot_trace, plot_visited
from .readings import plot_learning
from .sound import plot_heard
from .surge import plot_surge
from .tables import plot_table_grid, plot_table_surface
from .trade_off import plot_trade_off

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from ..advice.curves import ResidualCurve
    from ..compare import Comparison, Curves, Lineup
    from ..logs import DriveLog, LogReview, SurgeFindings
    from ..sheet import Build, CamSheet
    from ..tables import ShapedTable, SparkTable

__all__ = ["PLOTS"]


def plot_residual_curve(curve: ResidualCurve, ax: Axes | None = None, *, others: Sequence[ResidualCurve] = ()) -> Axes:
    """Plot residual over engine speed; ``others`` are drawn beside it."""
    return plot_residual([curve, *others], ax=ax)


def plot_cams(sheet: Build | CamSheet, ax: Axes | None = None) -> Axes:
    """Plot the lift of a sheet's cam, that of the cam it replaces thin beside it."""
    return plot_lift(sheet.cam, sheet.replaced_cam, ax=ax)


def plot_shaped(shaped: ShapedTable, ax: Axes | None = None) -> Axes:
    """Plot the numbers of a shaped table, those that changed framed."""
    return plot_table_grid(shaped.table, shaped, ax=ax)


def plot_shaped_surface(shaped: ShapedTable, ax: Axes | None = None) -> Axes:
    """Plot a shaped table as a surface."""
    return plot_table_surface(shaped.table, ax=ax)


def plot_channel(log: DriveLog, ax: Axes | None = None, *, findings: SurgeFindings | None = None, channel: str = "speed") -> Axes:
    """Plot a channel of a log with the surge in it; without ``findings`` it is looked for.

    Parameters
    ----------
    log : DriveLog
    ax : Axes
        Where to draw; new axes when left out.
    findings : SurgeFindings
        Of the same log.
    channel : str
        As ``plot_log`` has it.
    """
    from ..logs import find_surge

    return plot_log(log, findings or find_surge(log), channel, ax=ax)


def plot_review(review: LogReview, ax: Axes | None = None, *, channel: str = "speed") -> Axes:
    """Plot a channel of a reviewed log with the surge that was found."""
    return plot_log(review.log, review.findings, channel, ax=ax)


def plot_review_table(review: LogReview, ax: Axes | None = None, *, table: SparkTable) -> Axes:
    """Plot where in a table the reviewed log drove, and where it surged."""
    return plot_visited(review.log, review.findings, table, ax=ax)


def plot_comparison(found: Comparison | Lineup, ax: Axes | None = None, *, curve: str = "vacuum") -> Axes:
    """Plot ``"vacuum"``, ``"burned_fraction"`` or ``"ceiling"`` of the builds compared over engine speed, each under its own name."""
    curves, names = _of_comparison(found)
    return plot_compared(curves, curve, names, ax=ax)


def plot_compared_lifts(found: Comparison | Lineup, ax: Axes | None = None) -> Axes:
    """Plot the valve lift of the cams compared, each under its build's name."""
    curves, names = _of_comparison(found)
    return plot_lifts(curves, names, ax=ax)


def _of_comparison(found: Comparison | Lineup) -> tuple[Curves, list[str]]:
    if found.curves is None:
        raise InputError("plot", came="a pair of a lineup", expected="a comparison with curves", fix="draw the lineup, which has the curves of all")
    return found.curves, [build.name for build in found.builds]


PLOTS: dict[str, dict[str, Callable[..., Axes]]] = {
    "CamCard": {"lift": plot_lift},
    "Build": {"lift": plot_cams},
    "CamSheet": {"lift": plot_cams},
    "SparkCeilings": {"ceilings": plot_ceilings},
    "IdleSpark": {"idle_spark": plot_idle_spark},
    "InjectionWindows": {"windows": plot_injection},
    "CycleResult": {"pressure": plot_pressure, "indicator": plot_indicator, "flows": plot_flows},
    "CycleMap": {"map": plot_map},
    "SparkTable": {"grid": plot_table_grid, "surface": plot_table_surface},
    "ShapedTable": {"grid": plot_shaped, "surface": plot_shaped_surface},
    "DriveRun": {"drive": plot_drive},
    "HeardIdle": {"heard": plot_heard},
    "HeardDrive": {"heard": plot_heard},
    "DriveLog": {"channel": plot_channel},
    "LogReview": {"channel": plot_review, "table": plot_review_table},
    "LogTrace": {"trace": plot_trace},
    "DrivenTable": {"table": plot_driven},
    "SurgeSpectrum": {"spectrum": plot_spectrum},
    "WorstEpisode": {"path": plot_spark_path},
    "SurgeMap": {"surge": plot_surge},
    "Comparison": {"curve": plot_comparison, "lift": plot_compared_lifts},
    "Lineup": {"curve": plot_comparison, "lift": plot_compared_lifts},
    "Learning": {"readings": plot_learning},
    "ChosenCam": {"choice": plot_choice},
    "TradeOff": {"trade_off": plot_trade_off},
    "ValveLifts": {"lift": plot_lift},
    "ResidualCurve": {"residual": plot_residual_curve},
}
