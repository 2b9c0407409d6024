"""The house keeps its order: imports run down, rooms meet at their faces, texts stay clean, cautions stand."""

import ast
import re
from pathlib import Path

import pytest

import lastseen

SOURCE = Path(lastseen.__file__).parent
TOP = Path(__file__).resolve().parent.parent
# From the ground up: a room imports from rooms before it in this list, never from rooms after it.
ROOMS = ["core", "terrain", "traps", "snow", "rescue", "search", "jobs", "output", "web", "commands"]
FILES = sorted(SOURCE.rglob("*.py"))
KERNELS = [p for p in FILES if p.stem.endswith("_kernels")]
MOST_MODULES, MOST_FOLDERS, MOST_LINES = 180, 20, 800


def module_of(path):
    """Dotted name inside the package."""
    return ".".join(path.relative_to(SOURCE).with_suffix("").parts).removesuffix("__init__").rstrip(".")


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
                yield from (f"lastseen.{alias.name}" for alias in node.names)
            else:
                yield node.module


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(SOURCE)))
def test_imports_run_down_and_meet_at_faces(path):
    """A room imports from rooms below it only, and only what their faces hand on."""
    here = module_of(path).split(".")[0]
    if here not in ROOMS:
        return
    for module in imports(path):
        parts = module.split(".")[1:]
        if not parts or parts[0] not in ROOMS or parts[0] == here:
            continue
        assert ROOMS.index(parts[0]) < ROOMS.index(here), f"{path.name} imports {module} from above"
        assert len(parts) == 1, f"{path.name} imports {module} past the face of the room"


def test_no_module_imports_itself_by_a_ring():
    """No circles between modules, faces followed to the module behind them."""
    behind = {}
    for stub in SOURCE.glob("*/__init__.pyi"):
        for node in ast.parse(stub.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ImportFrom):
                behind.update({(stub.parent.name, a.name): f"{stub.parent.name}.{node.module}" for a in node.names})
    names = {module_of(p) for p in FILES}
    graph = {}
    for path in FILES:
        meets = graph.setdefault(module_of(path), set())
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("lastseen."):
                module = node.module.removeprefix("lastseen.")
                for alias in node.names:
                    full = behind.get((module, alias.name), f"{module}.{alias.name}")
                    meets.add(full if full in names else module)
    done, on_the_way = set(), []

    def visit(name):
        if name in on_the_way:
            raise AssertionError("a ring of imports: " + " -> ".join([*on_the_way[on_the_way.index(name) :], name]))
        if name in done:
            return
        on_the_way.append(name)
        for other in graph.get(name, ()):
            visit(other)
        done.add(on_the_way.pop())

    for name in graph:
        visit(name)


def test_rooms_are_those_in_the_list():
    """No room stands outside the list, and only a handful of files on the top floor."""
    rooms = {p.name for p in SOURCE.iterdir() if p.is_dir() and any(p.glob("*.py"))}
    assert rooms == set(ROOMS)
    assert {p.name for p in SOURCE.glob("*.py")} == {"__init__.py", "__main__.py", "cli.py"}


def test_the_house_stays_small():
    """So many modules and folders at most; no package with a single module; files that are one thought."""
    folders = {p for p in (SOURCE, *SOURCE.rglob("*")) if p.is_dir() and p.name != "__pycache__"}
    assert len(FILES) <= MOST_MODULES
    assert len(folders) <= MOST_FOLDERS
    assert [p.name for p in folders if len(list(p.glob("*.py"))) == 2 and (p / "__init__.py").exists()] == []
    assert [p.name for p in FILES if len(p.read_text(encoding="utf-8").splitlines()) > MOST_LINES] == []


def test_faces_hand_on_what_is_there():
    """Each name of a face can be had, and no name of it is also a module, which would hide it."""
    for stub in SOURCE.rglob("__init__.pyi"):
        names = [
            a.asname or a.name
            for n in ast.parse(stub.read_text("utf-8")).body
            if isinstance(n, ast.ImportFrom)
            for a in n.names
        ]
        module = __import__(f"lastseen.{stub.parent.name}" if stub.parent != SOURCE else "lastseen", fromlist=names)
        assert sorted(names) == sorted(set(module.__all__))
        for name in names:
            assert not (stub.parent / f"{name}.py").exists(), name
            assert getattr(module, name) is not None


def test_kernels_stand_beside_what_they_serve():
    """Only kernels import numba, and each stands beside the module that gives it meaning."""
    users = [p for p in FILES if re.search(r"^(from|import) numba", p.read_text(encoding="utf-8"), re.MULTILINE)]
    assert users == KERNELS
    assert [p.name for p in KERNELS if not p.with_name(p.name.replace("_kernels", "")).exists()] == []


def test_no_promise_of_safety():
    """The word 'safe' describes no place: only colour-blind-safe palettes and thread-safe code may use it."""
    texts = [*FILES, *TOP.glob("*.md"), *(TOP / "data-demo").glob("*.toml"), *(TOP / "shared").rglob("*.toml")]
    texts += [one for one in SOURCE.rglob("*") if one.suffix in (".js", ".html", ".css")]
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
