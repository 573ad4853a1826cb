"""Every notebook runs from top to bottom in a fresh kernel, and is committed without outputs."""

from __future__ import annotations

from pathlib import Path

import nbclient
import nbformat
import pytest

NOTEBOOKS = sorted((Path(__file__).parents[1] / "notebooks").glob("*.ipynb"))


def test_there_are_notebooks() -> None:
    assert NOTEBOOKS, "the pattern found nothing: the folder moved"


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_committed_without_outputs(path: Path) -> None:
    cells = [cell for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"]
    assert [cell.source for cell in cells if cell.outputs or cell.execution_count] == []


# The kernel's machinery warns about itself; the cells run in a process of their own.
@pytest.mark.filterwarnings("default")
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path: Path, tmp_path: Path) -> None:
    notebook = nbformat.read(path, as_version=4)
    client = nbclient.NotebookClient(notebook, timeout=300, resources={"metadata": {"path": str(tmp_path)}})
    client.execute()
    streams = [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]
    assert [output.text for output in streams if output.get("name") == "stderr"] == []
