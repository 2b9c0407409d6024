"""The house keeps its order: imports run down, rooms meet at their faces, texts stay clean, cautions stand."""

import ast
import functools
import re
import subprocess
import sys
from pathlib import Path

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


@functools.cache
def tree_of(path):
    """Syntax tree of a file, parsed once."""
    return ast.parse(path.read_text(encoding="utf-8"))


def imports(path):
    """Modules of the package that a file imports, those for type checking only left out."""
    unread = {
        id(inner)
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test)
        for inner in ast.walk(node)
    }
    for node in ast.walk(tree_of(path)):
        if id(node) in unread:
            continue
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "lastseen":
            if node.module == "lastseen":
                yield from (f"lastseen.{alias.name}" for alias in node.names)
            else:
                yield node.module


def test_imports_run_down_and_meet_at_faces():
    """A room imports from rooms below it only, and only what their faces hand on."""
    wrong = []
    for path in FILES:
        room = module_of(path).split(".")[0]
        for module in imports(path) if room in ROOMS else ():
            other, *inside = [*module.split(".")[1:], ""][:-1] or [""]
            if other in ROOMS and other != room:
                above = ROOMS.index(other) > ROOMS.index(room)
                wrong += [f"{module_of(path)} imports {module} from above"] if above else []
                wrong += [f"{module_of(path)} imports {module} past the face of the room"] if inside else []
    assert wrong == []


def test_no_module_imports_itself_by_a_ring():
    """No circles between modules, faces followed to the module behind them."""
    behind = {}
    for stub in SOURCE.glob("*/__init__.pyi"):
        for node in tree_of(stub).body:
            if isinstance(node, ast.ImportFrom):
                behind.update({(stub.parent.name, a.name): f"{stub.parent.name}.{node.module}" for a in node.names})
    names = {module_of(p) for p in FILES}
    graph = {}
    for path in FILES:
        meets = graph.setdefault(module_of(path), set())
        for node in tree_of(path).body:
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


def test_scripts_in_tests_name_modules_that_are_there():
    """What a test hands to another process is text, which no tool follows when a module moves."""
    names = {"lastseen", *(f"lastseen.{module_of(path)}" for path in FILES)}
    wrong = []
    for path in TOP.glob("tests/**/*.py"):
        for module, taken in re.findall(r"from (lastseen[\w.]*) import ([\w, ]+)", path.read_text(encoding="utf-8")):
            if module not in names:
                wrong.append(f"{path.name}: {module}")
            elif module == "lastseen":
                inside = [name.split(" as ")[0].strip() for name in taken.split(",")]
                wrong += [f"{path.name}: {name}" for name in inside if not is_in_package(name)]
    assert wrong == []


def is_in_package(name):
    """Whether the package itself has a name, or a module of it."""
    return hasattr(lastseen, name) or any((SOURCE / end).exists() for end in (name, f"{name}.py"))


def test_rooms_are_those_in_the_list():
    """No room stands outside the list, and only a handful of files on the top floor."""
    rooms = {p.name for p in SOURCE.iterdir() if p.is_dir() and any(p.glob("*.py"))}
    assert rooms == set(ROOMS)
    assert {p.name for p in SOURCE.glob("*.py")} == {"__init__.py", "__main__.py", "cli.py", "library.py"}


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
        names = [a.asname or a.name for n in tree_of(stub).body if isinstance(n, ast.ImportFrom) for a in n.names]
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
        for node in ast.walk(tree_of(path)):
            assert not isinstance(node, ast.Assert), path.name
            assert not (isinstance(node, ast.Name) and node.id == "print"), path.name


def test_heights_come_with_their_report():
    """Outside the room of terrain nobody reads heights but by the door, which looks at them first."""
    wrong, doors = [], {"read_ground", "inspect_ground"}
    tiles = "jobs.reading.ground"  # lines and areas look at all of their ground before, and tell it
    for path, tree in trees():
        if module_of(path).startswith("terrain"):
            continue
        names = {name for node in ast.walk(tree) for name in (getattr(node, "id", None), getattr(node, "attr", None))}
        wrong += [f"{module_of(path)}: {name}" for name in ("read_window", "read_raw_window") if name in names]
        # A job that opens elevation and reads it tells what the report says, or hands the report on.
        if (
            module_of(path).startswith("jobs")
            and names & doors
            and not names & {"report", "notes"}
            and (module_of(path) != tiles)
        ):
            wrong.append(f"{module_of(path)} drops the report")
    face = (SOURCE / "terrain" / "__init__.pyi").read_text(encoding="utf-8")
    assert not re.search(r"\bread_(raw_)?window\b", face)
    assert wrong == []


# Calls outside kernels with more than five positional arguments, by room; these numbers may only fall.
LONG_CALLS = {"terrain": 1}  # a kernel that is called by another name
OUTSIDE = {"Affine"}  # six numbers by nature
KERNEL_NAMES = {node.name for p in KERNELS for node in tree_of(p).body if isinstance(node, ast.FunctionDef)}


def trees():
    """Path and syntax tree of each module that is no kernel."""
    for path in FILES:
        if path not in KERNELS:
            yield path, tree_of(path)


def test_calls_name_their_arguments():
    """More than five values in a row are mixed up sooner or later: names, or a record. Kernels cannot have names."""
    found = {}
    for path, tree in trees():
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and len(node.args) > 5:
                name = ast.unparse(node.func).split(".")[-1]
                if name not in KERNEL_NAMES | OUTSIDE:
                    found.setdefault(module_of(path).split(".")[0], []).append(f"{path.name}:{node.lineno} {name}")
    assert {room: calls for room, calls in found.items() if len(calls) > LONG_CALLS.get(room, 0)} == {}


# Records that are not yet made by keyword alone, by room; these numbers may only fall.
LOOSE_RECORDS = {"core": 3, "output": 10, "snow": 2, "terrain": 3, "web": 1}


def test_records_are_frozen_and_made_by_keyword():
    """Dataclasses are frozen and take keywords only."""
    found = {}
    for path, tree in trees():
        for node in ast.walk(tree):
            for made in node.decorator_list if isinstance(node, ast.ClassDef) else ():
                text = ast.unparse(made)
                if text.split("(")[0].endswith("dataclass") and not ("kw_only=True" in text and "frozen=True" in text):
                    found.setdefault(module_of(path).split(".")[0], []).append(f"{path.name} {node.name}")
    assert {room: names for room, names in found.items() if len(names) > LOOSE_RECORDS.get(room, 0)} == {}


# One name and one value in several modules; the list may only get shorter.
TWICE = {
    "BLOCK_ROWS",
    "LEAST_SHOWN_M",
    "LETTERS",
    "REACH_M",
    "SAMPLE_M",
    "SCHEMA_VERSION",
    "STATION_M",
    "_CRS",
}


def test_constants_stand_once():
    """No constant stands in two modules; gravity, the depth of a front and the strip width are written down once."""
    places, gravity = {}, set()
    for path in FILES:
        tree = tree_of(path)
        for node in tree.body:
            targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
            value = getattr(node, "value", None)
            if not isinstance(targets[0], ast.Name) or not targets[0].id.isupper() or value is None:
                continue
            if "TypeVar" not in ast.dump(value):
                places.setdefault((targets[0].id, ast.unparse(value)), set()).add(module_of(path))
        gravity |= {
            module_of(path) for n in ast.walk(tree) if isinstance(n, ast.Constant) and n.value in (9.81, 9.80665)
        }
    assert {name: at for (name, _), at in places.items() if len(at) > 1 and name not in TWICE} == {}
    assert gravity - {"jobs.check.snow"} == {"snow.sliding_mass_kernels"}
    names = [name for name, _ in places]
    assert [names.count(name) for name in ("GRAVITY_M_S2", "FRONT_M", "DEFAULT_STRIP_WIDTH_M")] == [1, 1, 1]


def test_bilinear_sampling_is_written_once():
    """Outside kernels one function samples between cell centres; a kernel needs its own beside it."""
    found = [
        f"{module_of(path)}.{node.name}"
        for path, tree in trees()
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef) and "bilinear" in node.name
    ]
    assert found == ["core.grid.sample_bilinear"]


# Words that say nothing as names.
PRONOUNS = {
    "one": 0, "told": 0, "here": 0, "felt": 0, "own": 0, "mine": 0, "said": 0, "went": 0, "same": 0,
    "wish": 0, "whose": 0, "it": 0, "course": 0, "terms": 0, "firm": 0, "books": 0, "lively": 0,
}  # fmt: skip


def test_pronouns_are_no_names():
    """A name says what a thing is."""
    found = dict.fromkeys(PRONOUNS, 0)
    for path in FILES:
        for node in ast.walk(tree_of(path)):
            for name in (getattr(node, key, None) for key in ("id", "arg", "name", "attr")):
                if isinstance(name, str) and name in found:
                    found[name] += 1
    assert {word: count for word, count in found.items() if count > PRONOUNS[word]} == {}


def test_nothing_heavy_is_imported_unasked():
    """`import lastseen` and `lastseen --help` load no compiler, no drawing and no readers of rasters."""
    script = (
        "import sys, lastseen\nfirst = set(sys.modules)\nfrom lastseen import cli\nsys.argv = ['lastseen', '--help']\n"
        "try:\n    cli.main()\nexcept SystemExit:\n    pass\n"
        "heavy = ('numba', 'matplotlib', 'rasterio', 'geopandas', 'pandas', 'scipy')\n"
        "print([m for m in heavy if m in first], [m for m in heavy if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip().endswith("[] []")
