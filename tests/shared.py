"""What several workers of the tests need is made by the first that asks for it, and read by the others."""

import os
import pickle
import time

MOST_S = 280


def shared_folder(tmp_path_factory, name, fill):
    """A folder for reading, filled once in a run of the tests by ``fill(folder)``, whatever the number of workers."""
    top = tmp_path_factory.getbasetemp()
    folder = (top.parent if "PYTEST_XDIST_WORKER" in os.environ else top) / f"shared-{name}"
    state = folder / "state"
    try:
        folder.mkdir()
    except FileExistsError:
        until = time.monotonic() + MOST_S
        while not state.is_file() and time.monotonic() < until:
            time.sleep(0.2)
        assert state.read_text(encoding="utf-8") == "made", f"another worker could not make it: {name}"
        return folder / "made"
    made = False
    try:
        (folder / "made").mkdir()
        fill(folder / "made")
        made = True
    finally:
        (folder / "partial").write_text("made" if made else "failed", encoding="utf-8")
        (folder / "partial").rename(state)
    return folder / "made"


def shared_object(tmp_path_factory, name, make):
    """An object made once in a run of the tests by ``make()``; other workers read it from a file."""
    kept = []

    def fill(folder):
        kept.append(make())
        (folder / "object").write_bytes(pickle.dumps(kept[0]))

    folder = shared_folder(tmp_path_factory, name, fill)
    return kept[0] if kept else pickle.loads((folder / "object").read_bytes())
