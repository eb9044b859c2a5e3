"""The notebooks that are stored are whole and were executed in order; CI executes them anew, with the wheel alone."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import nbformat
import pytest

from tests.notebooks import execute

FOLDER = Path(__file__).resolve().parents[2] / "notebooks"
STORIES = ("priors_from_a_fleet", "where_next", "which_way_of_searching")
MOST_BYTES = 600_000
MACHINE = re.compile(r"(?<![\w.:/<])/(?:home|root|tmp|usr|opt|var|work|mnt|Users|private)/|[A-Za-z]:\\\\|\x1b\[")

each_story = pytest.mark.parametrize("story", STORIES)


def stored(story: str) -> Any:
    return execute.read(FOLDER / f"{story}.ipynb")


def test_every_notebook_is_looked_at() -> None:
    assert tuple(path.stem for path in execute.notebooks_in([FOLDER])) == STORIES


@each_story
def test_it_is_a_valid_notebook(story: str) -> None:
    """By Jupyter's own schema, https://nbformat.readthedocs.io/en/latest/format_description.html."""
    nbformat.validate(stored(story))
    assert (FOLDER / f"{story}.ipynb").stat().st_size < MOST_BYTES


@each_story
def test_every_cell_was_executed_in_order_and_without_error(story: str) -> None:
    cells = execute.code_cells(stored(story))
    assert [cell.execution_count for cell in cells] == list(range(1, len(cells) + 1))
    kinds = {output.output_type for cell in cells for output in cell.outputs}
    assert kinds <= {"stream", "display_data", "execute_result"}
    assert {output.name for cell in cells for output in cell.outputs if output.output_type == "stream"} <= {"stdout"}


@each_story
def test_it_shows_pictures_and_says_something(story: str) -> None:
    cells = execute.code_cells(stored(story))
    pictures = [kind for cell in cells for output in cell.outputs for kind in output.get("data", {}) if "image" in kind]
    assert len(pictures) >= 2
    held = [cell for cell in cells if execute.STABLE in cell.metadata.get("tags", [])]
    assert held
    assert all(execute.said(cell) for cell in held)


@each_story
def test_it_names_nothing_of_the_machine_it_was_made_on(story: str) -> None:
    """No absolute path, no colour of a terminal, no metadata of an editor."""
    notebook = stored(story)
    for cell in execute.code_cells(notebook):
        text = cell.source + "".join(output.get("text", "") + execute.said(cell) for output in cell.outputs)
        assert not MACHINE.search(text), text
    assert notebook.metadata == execute.METADATA
    assert all(set(cell.metadata) <= {"tags"} for cell in notebook.cells)


def test_a_moved_text_is_told() -> None:
    """Of two notebooks that differ in two cells only the one that is tagged counts."""
    old, new = (nbformat.v4.new_notebook() for _ in range(2))
    for notebook, text in ((old, "12%"), (new, "13%")):
        for tags in ([execute.STABLE], []):
            output = nbformat.v4.new_output("stream", name="stdout", text=text)
            cell = nbformat.v4.new_code_cell("print(chance)", outputs=[output], metadata={"tags": tags})
            notebook.cells.append(cell)
    told = list(execute.differences(old, new))
    assert len(told) == 1
    assert "12%" in told[0]
    assert "13%" in told[0]
    assert not list(execute.differences(old, old))
