"""Every record class of the package, and some array records with figures in them, for tests that walk them."""

from __future__ import annotations

import importlib
import pkgutil

import camcalc
from camcalc.results import Record


def every_record() -> list[type[Record]]:
    """Return all record classes, after every module was imported."""
    for module in pkgutil.walk_packages(camcalc.__path__, "camcalc."):
        if "__main__" not in module.name and not module.name.startswith("camcalc.examples"):
            importlib.import_module(module.name)
    found: list[type[Record]] = []
    left: list[type[Record]] = [Record]
    while left:
        for kind in left.pop().__subclasses__():
            if kind not in found and kind.__module__.startswith("camcalc."):
                found.append(kind)
                left.append(kind)
    return sorted(found, key=lambda kind: (kind.__module__, kind.__name__))
