"""Plots: each takes a result and draws on given axes, never shows, never saves; ``record.plot()`` finds them by ``PLOTS``."""

from .choose import plot_choice
from .compare import plot_compared, plot_lifts
from .curves import plot_ceilings, plot_injection, plot_lift, plot_residual
from .cycle import plot_flows, plot_indicator, plot_map, plot_pressure
from .drive import plot_drive
from .idle_spark import plot_idle_spark
from .logs import plot_driven, plot_log, plot_spark_path, plot_spectrum, plot_trace, plot_visited
from .of_records import PLOTS
from .sound import plot_heard
from .surge import plot_surge
from .tables import plot_table_grid, plot_table_surface
from .trade_off import plot_trade_off

__all__ = [
    "PLOTS",
    "plot_ceilings",
    "plot_choice",
    "plot_compared",
    "plot_drive",
    "plot_driven",
    "plot_flows",
    "plot_heard",
    "plot_idle_spark",
    "plot_indicator",
    "plot_injection",
    "plot_lift",
    "plot_lifts",
    "plot_log",
    "plot_map",
    "plot_pressure",
    "plot_residual",
    "plot_spark_path",
    "plot_spectrum",
    "plot_surge",
    "plot_table_grid",
    "plot_table_surface",
    "plot_trace",
    "plot_trade_off",
    "plot_visited",
]
