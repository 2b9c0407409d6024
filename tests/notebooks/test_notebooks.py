"""Every notebook runs, and lies beside a script that says the same."""

from pathlib import Path

import pytest

jupytext = pytest.importorskip("jupytext", reason="jupytext is not installed: notebooks were not run")
nbclient = pytest.importorskip("nbclient", reason="nbclient is not installed: notebooks were not run")

FOLDER = Path(__file__).resolve().parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
pytestmark = [
    pytest.mark.slow,
    pytest.mark.timeout(280),
    # What the kernel's own libraries say about themselves is not ours.
    pytest.mark.filterwarnings("ignore::DeprecationWarning"),
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]


def test_there_are_notebooks():
    assert NOTEBOOKS
    assert {one.stem for one in NOTEBOOKS} == {one.stem for one in FOLDER.glob("*.py")}


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_says_what_its_script_says(path):
    """The pair agrees cell by cell, and no output is kept in the repository."""
    kept, script = jupytext.read(path), jupytext.read(path.with_suffix(".py"))
    assert [(one.cell_type, one.source) for one in kept.cells] == [(one.cell_type, one.source) for one in script.cells]
    assert not any(one.get("outputs") for one in kept.cells)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_notebook_runs(path, tmp_path):
    """From its first cell to its last, in an empty folder."""
    notebook = jupytext.read(path)
    nbclient.NotebookClient(
        notebook, timeout=240, kernel_name="python3", resources={"metadata": {"path": str(tmp_path)}}
    ).execute()
    codes = [one for one in notebook.cells if one.cell_type == "code"]
    assert all(one.execution_count for one in codes)
    assert any(one.outputs for one in codes)
