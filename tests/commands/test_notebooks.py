"""Every notebook runs from top to bottom, and none keeps outputs in git."""

from pathlib import Path

import pytest

nbformat = pytest.importorskip("nbformat")
nbclient = pytest.importorskip("nbclient")

FOLDER = Path(__file__).parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
TIMEOUT_S = 120


def test_there_is_a_notebook() -> None:
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_outputs_are_stripped(path: Path) -> None:
    cells = [cell for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"]
    assert [cell.id for cell in cells if cell.outputs or cell.execution_count is not None] == []


@pytest.mark.slow
@pytest.mark.filterwarnings(
    "default"
)  # of the notebook machinery; the notebook's own code runs in its kernel
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path: Path, tmp_path: Path) -> None:
    notebook = nbformat.read(path, as_version=4)
    resources = {"metadata": {"path": str(tmp_path)}}
    nbclient.NotebookClient(notebook, timeout=TIMEOUT_S, kernel_name="python3", resources=resources).execute()
    assert all(
        cell.execution_count for cell in notebook.cells if cell.cell_type == "code" and cell.source.strip()
    )
