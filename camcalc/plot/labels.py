"""Names as labels of a plot: text as it is, a label for each, no two alike."""

from __future__ import annotations

from collections.abc import Iterable

from ..plain_text import visible

__all__ = ["label_of", "labels_of"]


def label_of(name: str) -> str:
    """Return a name so that the plotting library neither reads a formula in it nor leaves it out of a legend.

    >>> label_of("_$5 cam"), label_of("Quay")
    (' _\\\\$5 cam', 'Quay')
    """
    text = visible(name).replace("$", r"\$")
    return f" {text}" if text.startswith("_") else text


def labels_of(names: Iterable[str], others: Iterable[str] = ()) -> list[str]:
    """Return a label for each name; a name that occurs again is numbered.

    >>> labels_of(["Quay", "Quay", "Quay, 2"])
    ['Quay', 'Quay, 3', 'Quay, 2']
    """
    given = list(names)
    taken, found = {*given, *others}, list[str]()
    for name in given:
        own, number = name, 2
        while own in found or (own != name and own in taken):
            own, number = f"{name}, {number}", number + 1
        found.append(own)
    return [label_of(name) for name in found]
