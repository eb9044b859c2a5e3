"""Executes notebooks and compares them with what is stored; for the tests, and for CI with the wheel alone.

``python tests/notebooks/execute.py notebooks/`` executes each and fails where a stable cell says something else;
with ``--write`` before the folder the new outputs are stored instead.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import nbformat

STABLE = "stable"  # tag of cells whose text must not move
SECONDS = 600  # a cell that takes longer hangs
KEPT = ("image/svg+xml", "image/png", "text/plain")  # kinds of output, the first that is there is stored
METADATA = {
    "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
    "language_info": {"name": "python"},
}


def notebooks_in(paths: Sequence[Path]) -> list[Path]:
    """The notebooks of folders and files, by name."""
    return [found for path in paths for found in (sorted(path.glob("*.ipynb")) if path.is_dir() else [path])]


def read(path: Path) -> Any:
    """A notebook of today's format."""
    return nbformat.read(path, as_version=4)


def executed(notebook: Any) -> Any:
    """The notebook executed anew, in an empty folder, by this Python.

    Raises:
        CellExecutionError: a cell failed.
    """
    from nbclient import NotebookClient

    fresh = nbformat.from_dict(notebook)
    with tempfile.TemporaryDirectory() as folder:
        client = NotebookClient(
            fresh, timeout=SECONDS, kernel_name="python3", resources={"metadata": {"path": folder}}, record_timing=False
        )
        client.execute(env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"})
    return clean(fresh)


def clean(notebook: Any) -> Any:
    """Without what differs from one machine to the next; of each output its best kind."""
    notebook.metadata = nbformat.from_dict(METADATA)
    for cell in notebook.cells:
        tags = cell.metadata.get("tags", [])
        cell.metadata = nbformat.from_dict({"tags": tags} if tags else {})
        for output in cell.get("outputs", []):
            if "data" in output:
                best = next(kind for kind in KEPT if kind in output.data)
                output.data = nbformat.from_dict({best: output.data[best]})
                output.metadata = nbformat.from_dict({})
    return notebook


def code_cells(notebook: Any) -> list[Any]:
    """The cells that are executed."""
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


def said(cell: Any) -> str:
    """The text that a cell printed or ended with; pictures and warnings do not count."""
    parts = []
    for output in cell.outputs:
        if output.output_type == "stream" and output.name == "stdout":
            parts.append(output.text)
        elif "data" in output and "text/plain" in output.data:
            parts.append(output.data["text/plain"])
    return "".join(parts)


def differences(stored: Any, fresh: Any) -> Iterator[str]:
    """Cells tagged stable that say something else than what is stored."""
    for number, (old, new) in enumerate(zip(code_cells(stored), code_cells(fresh), strict=True), start=1):
        if STABLE in old.metadata.get("tags", []) and said(old) != said(new):
            yield f"cell {number}: stored\n{said(old)}\nnow\n{said(new)}"


def main(arguments: Sequence[str]) -> int:
    """Execute what is named; the exit code is 1 where a stable cell has moved."""
    write = "--write" in arguments
    moved = 0
    for path in notebooks_in([Path(text) for text in arguments if text != "--write"]):
        stored = read(path)
        fresh = executed(stored)
        if write:
            nbformat.write(fresh, path)
            continue
        found = list(differences(stored, fresh))
        moved += len(found)
        print(f"{path.name}: {'as stored' if not found else 'moved'}", *found, sep="\n", flush=True)
    return 1 if moved else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
