"""Run notebooks from top to bottom and keep what they print and draw: ``python notebooks/run.py [--to FOLDER] [NAME ...]``."""

from __future__ import annotations

import argparse
from pathlib import Path

import nbformat
from nbclient import NotebookClient

HERE = Path(__file__).parent
# Of one cell [s]; many times the slowest on an idle machine.
PATIENCE = 1800


def run(path: Path) -> nbformat.NotebookNode:
    """Return a notebook as it comes out of a fresh kernel; what differs from run to run without meaning is left out."""
    notebook = nbformat.read(path, as_version=4)
    NotebookClient(notebook, timeout=PATIENCE, kernel_name="python3", record_timing=False, resources={"metadata": {"path": str(HERE)}}).execute()
    notebook.metadata = {"kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"}, "language_info": {"name": "python"}}
    for number, cell in enumerate(notebook.cells, start=1):
        cell.id, cell.metadata = f"cell-{number:02}", {}
        if cell.cell_type == "code":
            cell.outputs = joined(cell.outputs)
    return notebook


def joined(outputs: list[nbformat.NotebookNode]) -> list[nbformat.NotebookNode]:
    """Return a cell's outputs with printed text in one piece, however it came in, and without what is said twice."""
    kept: list[nbformat.NotebookNode] = []
    for output in outputs:
        output.get("data", {}).pop("text/html", None)
        if kept and output.output_type == "stream" and kept[-1].get("name") == output.name:
            kept[-1].text += output.text
        else:
            kept.append(output)
    return kept


def main() -> None:
    """Run the notebooks asked for, or all of them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help="without .ipynb; all of them when left out")
    parser.add_argument("--to", type=Path, default=HERE, metavar="FOLDER", help="where the notebooks with their outputs go; over themselves when left out")
    options = parser.parse_args()
    for path in [HERE / f"{name}.ipynb" for name in options.names] or sorted(HERE.glob("*.ipynb")):
        nbformat.write(run(path), options.to / path.name)


if __name__ == "__main__":
    main()
