"""The house keeps its order: imports run one way, texts stay clean, warnings and cautions stand."""

import ast
import re
from pathlib import Path

import pytest

import lastseen

SOURCE = Path(lastseen.__file__).parent
TOP = Path(__file__).resolve().parent.parent
FLOORS = [
    "errors", "wording", "shared_files", "threads", "memory", "grid", "place", "outlines", "scenario", "elevation",
    "ground_layers", "terrain", "release", "motion", "traps", "deposit", "search", "versions", "reach", "remarks",
    "plan", "drawn", "trapview", "preread", "drill", "proofs", "products", "check", "summary", "page",
    "commands", "cli",
]  # fmt: skip
FILES = sorted(SOURCE.rglob("*.py"))


def floor_of(module):
    parts = module.split(".")
    return FLOORS.index(parts[1]) if len(parts) > 1 and parts[1] in FLOORS else -1


def imports(path):
    """Modules of the package that a file imports, those for type checking only left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skipped = [
        n
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test)
        for n in ast.walk(node)
    ]
    for node in ast.walk(tree):
        if node in skipped:
            continue
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "lastseen":
            if node.module == "lastseen":
                yield from (f"lastseen.{one.name}" for one in node.names)
            else:
                yield node.module


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(SOURCE)))
def test_imports_run_one_way(path):
    """A module imports from its own floor or from floors above it in the list."""
    own = floor_of("lastseen." + path.relative_to(SOURCE).with_suffix("").as_posix().replace("/", "."))
    for module in imports(path):
        assert floor_of(module) <= own or own == -1, f"{path.name} imports {module} from below"


def test_every_room_is_in_the_list():
    """No module stands outside the list of floors."""
    rooms = {p.stem if p.is_file() else p.name for p in SOURCE.iterdir() if not p.name.startswith("_")}
    assert {room for room in rooms if room != "py"} <= set(FLOORS) | {"py.typed"}


def test_numba_lives_in_kernels_only():
    """Only kernels import numba."""
    users = [p for p in FILES if re.search(r"^(from|import) numba", p.read_text(encoding="utf-8"), re.MULTILINE)]
    assert {p.name for p in users} == {"kernels.py"}


def test_files_are_not_too_long():
    """A module over four hundred lines is asking to be two."""
    assert [p.name for p in FILES if len(p.read_text(encoding="utf-8").splitlines()) > 400] == []


def test_no_promise_of_safety():
    """The word 'safe' describes no place: only colour-blind-safe palettes and thread-safe code may use it."""
    texts = [*FILES, *TOP.glob("*.md"), *(TOP / "data-demo").glob("*.toml"), *(TOP / "shared").rglob("*.toml")]
    texts += [one for one in (SOURCE / "page" / "static").rglob("*") if one.suffix in (".js", ".html", ".css")]
    for path in texts:
        for line in path.read_text(encoding="utf-8").splitlines():
            if re.search(r"\bsafe(ly)?\b", line, re.IGNORECASE):
                assert re.search(r'[Nn]ever "safe"|thread-safe|colour-blind', line), f"{path.name}: {line.strip()}"


def test_no_assert_and_no_print_in_the_package():
    """Checks raise errors of the family; only the command line speaks."""
    for path in FILES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            assert not isinstance(node, ast.Assert), path.name
            assert not (isinstance(node, ast.Name) and node.id == "print"), path.name
