"""Deliberate faults: does a test notice?

    make mutants FILE=src/lastseen/search/lanes.py N=20 SEED=1

draws N small faults (a comparison turned, two arguments swapped, a statement dropped, ...) in one module, puts each in
turn into a copy of the project, and runs the tests of the module's room until the first that fails. What survives is
printed with its line: a test that is missing, or a change that changes nothing. The project itself is not touched.
"""

import argparse
import ast
import fcntl
import importlib
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parents[1]
HOME = TOP / ".mutants"
COPY = HOME / "project"

# Tests of a module that stand in another folder than `tests/<room>`, by the beginning of its path in the package.
ELSEWHERE = {"jobs/practice": "tests/practice", "jobs/reading": "tests/reading", "cli.py": "tests/commands"}
SLOW_TO_IMPORT = ("geopandas", "matplotlib.pyplot", "numba", "rasterio", "scipy.ndimage", "typer")
# Reference values of all rooms.
ROWS = ("tests/jobs/test_check.py",)

COMPARISONS = {
    ast.Lt: (ast.LtE, ast.Gt), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.Lt), ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,), ast.NotIn: (ast.In,),
}  # fmt: skip
OPERATORS = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult,
    ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip
TWINS = {"min": "max", "any": "all", "floor": "ceil", "minimum": "maximum", "nanmin": "nanmax", "argmin": "argmax",
         "sin": "cos", "union": "intersection"}  # fmt: skip
SYMMETRIC = {"min", "max", "minimum", "maximum", "hypot", "isclose", "logical_and", "logical_or", "gcd"}
TWINS |= {b: a for a, b in TWINS.items()}


@dataclass(frozen=True, kw_only=True)
class Fault:
    """A change of one place: byte offsets in the source, and the text that stands there instead."""

    start: int
    end: int
    text: str
    line: int
    kind: str


def find_faults(source):
    """All single faults of a source text, in the order of their places."""
    tree = ast.parse(source)
    starts = [0]
    for line in source.encode().splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    # Texts of errors, types and decorators are no behaviour that tests of a room hold.
    silent = set()
    for node in ast.walk(tree):
        parts = list(getattr(node, "decorator_list", []))
        if isinstance(node, ast.Raise):
            parts += [node.exc] if node.exc else []
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            parts.append(node)
        parts += [p for p in (getattr(node, "annotation", None), getattr(node, "returns", None)) if p is not None]
        if isinstance(node, ast.JoinedStr):
            parts.append(node)
        silent.update(id(inner) for part in parts for inner in ast.walk(part))
    faults = []
    for node in ast.walk(tree):
        if id(node) in silent:
            continue
        for kind, place, text in changes(node):
            begin = starts[place.lineno - 1] + place.col_offset
            end = starts[place.end_lineno - 1] + place.end_col_offset
            faults.append(Fault(start=begin, end=end, text=text, line=place.lineno, kind=kind))
    return sorted(faults, key=lambda fault: (fault.start, fault.end, fault.kind, fault.text))


def changes(node):
    """(kind, node whose text is replaced, new text) of each fault that a node can have."""
    match node:
        case ast.Compare(ops=[operator]):
            for other in COMPARISONS.get(type(operator), ()):
                yield "comparison", node, unparse(ast.Compare(node.left, [other()], node.comparators))
        case ast.Compare(ops=[first, *_]) if type(first) in COMPARISONS:
            for other in COMPARISONS[type(first)]:
                yield "comparison", node, unparse(ast.Compare(node.left, [other(), *node.ops[1:]], node.comparators))
        case ast.BoolOp():
            other = ast.Or() if isinstance(node.op, ast.And) else ast.And()
            yield "and/or", node, unparse(ast.BoolOp(other, node.values))
        case ast.BinOp() if type(node.op) in OPERATORS and not is_text(node):
            yield "operator", node, unparse(ast.BinOp(node.left, OPERATORS[type(node.op)](), node.right))
        case ast.UnaryOp(op=ast.USub() | ast.Not() | ast.Invert()):
            yield "sign", node, unparse(node.operand)
        case ast.Constant(value=bool()):
            yield "constant", node, str(not node.value)
        case ast.Constant(value=int() | float()):
            yield "constant", node, repr(node.value + 1)
            yield "constant", node, unparse(ast.Constant(node.value - 1))
        case ast.IfExp():
            yield "condition", node.test, f"not ({ast.unparse(node.test)})"
        case ast.If() | ast.While():
            yield "condition", node.test, f"not ({ast.unparse(node.test)})"
        case ast.comprehension():
            for test in node.ifs:
                yield "condition", test, f"not ({ast.unparse(test)})"
        case ast.Call():
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if name in TWINS:
                yield "function", node.func, re.sub(rf"\b{name}$", TWINS[name], ast.unparse(node.func))
            if name in SYMMETRIC:
                return
            plain = [a for a in node.args if not isinstance(a, ast.Starred)]
            if len(plain) == len(node.args) >= 2 and ast.dump(plain[0]) != ast.dump(plain[1]):
                yield "arguments", node, unparse(ast.Call(node.func, [plain[1], plain[0], *plain[2:]], node.keywords))
        case ast.AugAssign() if type(node.op) in OPERATORS:
            yield "operator", node, ast.unparse(ast.AugAssign(node.target, OPERATORS[type(node.op)](), node.value))
            yield "dropped", node, "pass"
        case ast.Assign(targets=[ast.Subscript() | ast.Attribute()]):
            yield "dropped", node, "pass"
        case ast.Expr() if not isinstance(node.value, ast.Constant):
            yield "dropped", node, "pass"
        case ast.Raise() | ast.Continue() | ast.Break():
            yield "dropped", node, "pass"
        case ast.Return(value=ast.expr()) if not (isinstance(node.value, ast.Constant) and node.value.value is None):
            yield "return", node, "return None"


def unparse(node):
    """The text of an expression, in brackets so that it can stand anywhere."""
    return f"({ast.unparse(ast.fix_missing_locations(node))})"


def is_text(node):
    """Whether an operator joins strings or formats them."""
    sides = (node.left, node.right)
    return any(isinstance(s, ast.JoinedStr) or isinstance(getattr(s, "value", None), str) for s in sides)


def refresh_copy():
    """Bring the copy to the state of the project; files that did not change keep their compiled kernels."""
    listed = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard"], cwd=TOP, capture_output=True, text=True, check=True
    ).stdout.splitlines()
    wanted = {name for name in listed if (TOP / name).is_file()}
    for old in [p for p in COPY.rglob("*") if p.is_file() and str(p.relative_to(COPY)) not in wanted]:
        old.unlink()
    for name in wanted:
        restore(name)


def restore(name):
    """Put one file of the copy back to what the project has."""
    new, old = TOP / name, COPY / name
    if not old.exists() or stamp(old) != stamp(new):
        old.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(new, old)


def stamp(path):
    """Size and time of a file, by which kernels know their cache."""
    return path.stat().st_size, path.stat().st_mtime_ns


def find_tests(name):
    """Test files of a module: those that name it first, then the others of its room, then the reference values."""
    inside = Path(name).relative_to("src/lastseen")
    room = next((folder for start, folder in ELSEWHERE.items() if str(inside).startswith(start)), None)
    folder = room or f"tests/{inside.parts[0]}"
    dotted = ".".join(inside.with_suffix("").parts).removesuffix("_kernels")
    files = sorted(str(p.relative_to(TOP)) for p in (TOP / folder).glob("test_*.py"))
    names = re.compile(rf"lastseen\.{re.escape(dotted)}(_kernels)?\b")
    files.sort(key=lambda file: not names.search((TOP / file).read_text(encoding="utf-8")))
    return [*files, *(file for file in ROWS if file not in files)]


def run_tests(tests, limit_s):
    """'survived', 'timeout', or the test that failed; and the seconds it took.

    Each run is a fork of this process, which has imported what takes long and nothing of lastseen.
    """
    began = time.monotonic()
    sys.stdout.flush()
    child = os.fork()
    if child == 0:
        os.setsid()
        os.chdir(COPY)
        os.dup2(os.open(HOME / "output", os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 1)
        os.dup2(1, 2)
        sys.path.insert(0, str(COPY / "src"))
        words = ["-x", "-q", "-p", "no:cacheprovider", "-n", "0", "-m", "not slow", "--durations=0", "--no-header"]
        os._exit(pytest.main([*words, *tests]))
    while not (ended := os.waitpid(child, os.WNOHANG))[0]:
        if time.monotonic() - began > limit_s:
            os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return "timeout", time.monotonic() - began
        time.sleep(0.05)
    took = time.monotonic() - began
    if ended[1] == 0:
        return "survived", took
    printed = (HOME / "output").read_text(encoding="utf-8", errors="replace")
    failed = re.search(r"^(?:FAILED|ERROR) (.*?)(?: - .*)?$", printed, re.MULTILINE)
    return failed[1] if failed else (printed.strip().splitlines() or ["crashed"])[-1], took


def main():
    """Draw, try, report."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", help="a module, as src/lastseen/...py")
    parser.add_argument("-n", type=int, default=20, help="how many faults are drawn")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--lines", default="", help="only faults in these lines, as 100-200")
    parser.add_argument("--tests", nargs="*", help="test files or tests in place of those of the room")
    asked = parser.parse_args()
    name = str(Path(asked.file).resolve().relative_to(TOP))
    HOME.mkdir(exist_ok=True)
    os.environ |= {"PYTHONPATH": str(COPY / "src"), "NUMBA_CACHE_DIR": str(HOME / "kernels")}
    sys.dont_write_bytecode = True
    for module in SLOW_TO_IMPORT:
        importlib.import_module(module)
    with (HOME / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        refresh_copy()
        source = (TOP / name).read_bytes()
        first, _, last = asked.lines.partition("-")
        faults = [f for f in find_faults(source.decode()) if not first or int(first) <= f.line <= int(last or first)]
        drawn = random.Random(asked.seed).sample(faults, min(asked.n, len(faults)))
        tests = asked.tests or find_tests(name)
        verdict, took = run_tests(tests, 3600)
        if verdict != "survived":
            sys.exit(f"The tests fail without any fault: {verdict}")
        print(
            f"{name}: {len(drawn)} of {len(faults)} faults; {len(tests)} files of tests take {took:.0f} s", flush=True
        )
        survivors = 0
        for fault in sorted(drawn, key=lambda fault: fault.start):
            before = source[fault.start : fault.end].decode()
            (COPY / name).write_bytes(source[: fault.start] + fault.text.encode() + source[fault.end :])
            try:
                verdict, seconds = run_tests(tests, 3 * took + 120)
            finally:
                (COPY / name).unlink()
                restore(name)
            survivors += verdict == "survived"
            short = [re.sub(r"\s+", " ", text)[:90] for text in (before, fault.text)]
            print(f"{'SURVIVED' if verdict == 'survived' else 'caught':8} {name}:{fault.line} {fault.kind}: "
                  f"{short[0]}  ->  {short[1]}   [{verdict}, {seconds:.0f} s]", flush=True)  # fmt: skip
    print(f"{name}: {len(drawn) - survivors} of {len(drawn)} caught", flush=True)


if __name__ == "__main__":
    main()
