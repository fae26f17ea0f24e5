"""The text file beside a table: a table that another program reads has no room for cautions."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from ..cautions import BESIDE_SPARK_TABLE, Caution, text_beside
from ..marks import Mark
from ..sheet.saving import write_atomically

__all__ = ["path_beside", "write_beside"]


def path_beside(table: str | Path) -> Path:
    """Return where the text beside a table goes.

    Examples
    --------
    >>> path_beside("tables/new.csv").name
    'new.txt'
    """
    return Path(table).with_suffix(".txt")


def write_beside(table: str | Path, cautions: Iterable[Caution] = BESIDE_SPARK_TABLE, marks: Iterable[Mark] = (Mark.BLANK,)) -> Path:
    """Write the cautions beside a table of spark, as a text file of the same stem.

    Parameters
    ----------
    table : str or Path
        The table's own file.
    cautions : iterable of Caution
        Those of a spark table when left out.
    marks : iterable of Mark
        The marks that the table's cells may carry; what a blank cell means when left out.

    Returns
    -------
    Path
        The text file. One that is there is replaced: refuse it beforehand where it may be somebody's own.

    Raises
    ------
    InputError
        If the folder cannot be written to.

    Examples
    --------
    >>> import tempfile
    >>> folder = tempfile.TemporaryDirectory()
    >>> write_beside(Path(folder.name) / "new.csv").read_text().splitlines()[0]
    'new.csv'
    >>> folder.cleanup()
    """
    return write_atomically(path_beside(table), text_beside(Path(table).name, cautions, marks))
