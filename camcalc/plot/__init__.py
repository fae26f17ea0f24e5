"""Plots: each takes a result and draws on given axes, never shows, never saves."""

from .curves import plot_ceilings, plot_injection, plot_lift, plot_residual

__all__ = ["plot_ceilings", "plot_injection", "plot_lift", "plot_residual"]
