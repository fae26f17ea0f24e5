"""Where the invented examples are: inside an installed package, or beside the package in its source tree."""

from __future__ import annotations

from pathlib import Path

from ..errors import InputError, did_you_mean

__all__ = ["example_files", "example_names"]

SHEET = "build.toml"
# What belongs to an example's sheet and goes where it goes.
WITH_IT = ("spark.csv",)


def _folder() -> Path:
    package = Path(__file__).resolve().parents[1]
    inside, beside = package / "examples", package.parent / "examples"
    # Beside an installed package, a folder of that name would be somebody else's.
    return beside if not inside.is_dir() and (package.parent / "pyproject.toml").is_file() else inside


def example_names() -> list[str]:
    """Return the names of the examples.

    >>> example_names()
    ['dockside', 'long-meadow', 'quarry-road']
    """
    return sorted(path.parent.name for path in _folder().glob(f"*/{SHEET}"))


def example_files(name: str) -> tuple[Path, list[Path]]:
    """Return an example's build sheet, and the files that belong to it.

    Raises
    ------
    InputError
        If there is no such example.
    """
    names = example_names()
    if name not in names:
        raise InputError("the example", came=name, expected=" or ".join(names) or "an example that came with the package", fix=did_you_mean(name, names))
    folder = _folder() / name
    return folder / SHEET, [folder / other for other in WITH_IT if (folder / other).is_file()]
