"""What the builds of a comparison are called: by their cams, and by more where that does not tell them apart."""

from __future__ import annotations

import collections
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ..sheet import Build

__all__ = ["own_names"]


def own_names(builds: Sequence[Build]) -> tuple[str, ...]:
    """Return a name for each of some builds, no two alike: the cam's, with the sheet's and its file's where cams share one, else numbered.

    Examples
    --------
    >>> from camcalc import load_build
    >>> build = load_build("examples/dockside/build.toml")
    >>> own_names([build, build.with_replaced_cam()])
    ('DS fast road (invented)', 'DS standard (invented)')
    >>> own_names([build, build.replace(name="Quay")])
    ('DS fast road (invented) in Dockside', 'DS fast road (invented) in Quay')
    >>> own_names([build, build])
    ('DS fast road (invented), 1', 'DS fast road (invented), 2')
    """
    ways: tuple[Callable[[Build], str], ...] = (
        lambda build: build.cam.name,
        lambda build: f"{build.cam.name} in {build.name}",
        lambda build: f"{build.cam.name}, {build.path.name}" if build.path else build.cam.name,
        lambda build: f"{build.cam.name}, {build.path.parent.name}/{build.path.name}" if build.path else build.cam.name,
    )
    for way in ways:
        names = [way(build) for build in builds]
        if len(set(names)) == len(names):
            return tuple(names)
    # Names that still occur twice are numbered in the order given, past a number that is a cam's own name.
    plain = [build.cam.name for build in builds]
    twice, seen = {name for name, count in collections.Counter(plain).items() if count > 1}, collections.Counter[str]()
    numbered: list[str] = []
    for name in plain:
        own = name
        while name in twice and own in (name, *plain, *numbered):
            seen[name] += 1
            own = f"{name}, {seen[name]}"
        numbered.append(own)
    return tuple(numbered)
