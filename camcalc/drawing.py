"""How a record finds its plots: the front door says where plots are, and they are loaded when one is first asked for.

No layer below the plots knows any of them, and a new plot is named in ``camcalc.plot`` alone.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plots_are_in", "plots_of"]

_HOMES: list[str] = []


def plots_are_in(module: str) -> None:
    """Name a module whose ``PLOTS`` gives plots by the names of record classes, each by what it shows; the first shows most."""
    if module not in _HOMES:
        _HOMES.append(module)


def plots_of(kind: type) -> Mapping[str, Callable[..., Axes]]:
    """Return the plots of a record class by what they show; those of the nearest base that has some.

    >>> from camcalc.cycle.simulate import CycleResult
    >>> list(plots_of(CycleResult))
    ['pressure', 'indicator', 'flows']
    """
    for home in _HOMES:
        plots: Mapping[str, Mapping[str, Callable[..., Axes]]] = importlib.import_module(home).PLOTS
        for base in kind.__mro__:
            if base.__name__ in plots:
                return plots[base.__name__]
    return {}
