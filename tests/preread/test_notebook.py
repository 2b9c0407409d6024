"""The guide's notebook runs as it stands, and both of its forms say the same."""

import importlib.util
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parents[2] / "notebooks"
NEEDED = ("jupytext", "nbclient", "ipykernel")
needs_notebooks = pytest.mark.skipif(
    any(importlib.util.find_spec(name) is None for name in NEEDED), reason=f"needs {', '.join(NEEDED)}"
)


@needs_notebooks
@pytest.mark.filterwarnings("ignore")
def test_the_notebook_runs():
    import jupytext  # noqa: PLC0415
    from nbclient import NotebookClient  # noqa: PLC0415

    notebook = jupytext.read(HERE / "guide_preread.ipynb")
    NotebookClient(notebook, timeout=240, kernel_name="python3").execute()
    text = "".join(out.get("text", "") for cell in notebook.cells for out in cell.get("outputs", []))
    assert "reached from above" in text


@needs_notebooks
def test_both_forms_say_the_same():
    import jupytext  # noqa: PLC0415

    one, other = (jupytext.read(HERE / f"guide_preread.{end}") for end in ("py", "ipynb"))
    assert [cell.source for cell in one.cells] == [cell.source for cell in other.cells]
