"""Draw the house from its imports: rooms from the ground up, their files, and what each room takes from those below.

Writes ``docs/house.svg``. Run it after files or imports changed: ``make house``.
"""

from __future__ import annotations

import ast
from collections import Counter
from html import escape
from pathlib import Path

DOCS = Path(__file__).resolve().parent
SOURCE = DOCS.parent / "src" / "lastseen"
# From the roof down; the order of `tests/test_house.py`, turned round.
FLOORS = ("doors", "web", "output", "jobs", "search", "rescue", "snow", "traps", "terrain", "core")
DOORS = ("commands", "cli", "library", "__main__", "__init__")
ABOUT = {
    "doors": "cli.py, commands/ and library.py: options in, a job called, words out",
    "web": "the local page: server, API, helpers, pictures",
    "output": "what is handed over: one result, formats, maps, sheets",
    "jobs": "the questions that users ask, answered from top to bottom",
    "search": "lanes, routes, coverage, simulated searches",
    "rescue": "receive range, survival, clock, probing, shovelling",
    "snow": "start zones, friction, sliding mass, flow, deposit",
    "traps": "terrain traps",
    "terrain": "elevation opened and read, layers, derivatives, drainage",
    "core": "grid, place, outlines, scenario, errors, threads, memory",
}
WIDTH, LEFT, ARCS, ROW, GAP, PX_PER_LINE = 1180, 176, 190, 22, 6, 0.115
PAPER, INK, SOFT, BOX, KERNEL, LINE = "#ffffff", "#1d2327", "#5c666d", "#dde3e6", "#b9c6cd", "#7d8a92"


def floor_of(path: Path) -> str:
    """Room of a file; the doors are one."""
    first = path.relative_to(SOURCE).parts[0].removesuffix(".py")
    return "doors" if first in DOORS else first


def room_of_import(module: str) -> str | None:
    """Room that a dotted module of the package stands in."""
    parts = module.split(".")
    if parts[0] != "lastseen" or len(parts) < 2:
        return None
    return "doors" if parts[1] in DOORS else parts[1]


def names_taken(path: Path) -> Counter[str]:
    """How many names a file takes from each other room, imports for types left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for_types = {
        id(node)
        for test in ast.walk(tree)
        if isinstance(test, ast.If) and "TYPE_CHECKING" in ast.dump(test.test)
        for node in ast.walk(test)
    }
    taken: Counter[str] = Counter()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module and id(node) not in for_types:
            modules = [f"lastseen.{alias.name}" for alias in node.names] if node.module == "lastseen" else [node.module]
            for module in modules:
                room = room_of_import(module)
                if room in FLOORS and room != floor_of(path):
                    taken[room] += len(node.names) if node.module != "lastseen" else 1
    return taken


def rows_of(files: list[tuple[str, int]], width: float) -> list[list[tuple[str, int, float]]]:
    """Files in rows, each box as wide as the file is long, but never too narrow for its name."""
    rows: list[list[tuple[str, int, float]]] = [[]]
    at = 0.0
    for name, lines in files:
        wide = max(lines * PX_PER_LINE, 6.1 * len(name) + 10.0)
        if at + wide > width and rows[-1]:
            rows.append([])
            at = 0.0
        rows[-1].append((name, lines, wide))
        at += wide + 4.0
    return rows


def draw() -> str:
    """The picture as SVG."""
    paths = sorted(path for path in SOURCE.rglob("*.py") if path.name != "__init__.py")
    lines_of = {path: len(path.read_text(encoding="utf-8").splitlines()) for path in paths}
    taken: dict[str, Counter[str]] = {floor: Counter() for floor in FLOORS}
    for path in SOURCE.rglob("*.py"):
        taken[floor_of(path)].update(names_taken(path))
    inner = WIDTH - LEFT - ARCS - 24.0
    body: list[str] = []
    y = 64.0
    spans: dict[str, tuple[float, float]] = {}
    for floor in FLOORS:
        own = [path for path in paths if floor_of(path) == floor]
        folders: dict[str, list[tuple[str, int]]] = {}
        for path in own:
            parts = path.relative_to(SOURCE).parts
            folder = "/".join(parts[:-1] if floor == "doors" else parts[1:-1])
            folders.setdefault(folder, []).append((path.stem, lines_of[path]))
        top = y
        inside = [f'<text x="{LEFT + 8}" y="{top + 20}" class="about">{escape(ABOUT[floor])}</text>']
        y += 28.0
        for folder, files in sorted(folders.items()):
            indent = 86.0 if folder else 0.0
            if folder:
                inside.append(f'<text x="{LEFT + 8}" y="{y + 14}" class="soft">{escape(folder)}/</text>')
            for row in rows_of(files, inner - indent):
                x = LEFT + 8.0 + indent
                for name, lines, wide in row:
                    kind = "kernel" if name.endswith("_kernels") else "box"
                    inside.append(
                        f'<rect x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{ROW - 4}" class="{kind}">'
                        f"<title>{escape(name)}: {lines} lines</title></rect>"
                        f'<text x="{x + 5:.1f}" y="{y + 13:.1f}" class="name">{escape(name)}</text>'
                    )
                    x += wide + 4.0
                y += ROW
        y += 6.0
        total = sum(lines_of[path] for path in own)
        body.append(f'<rect x="12" y="{top}" width="{WIDTH - ARCS - 24}" height="{y - top}" class="room"/>')
        body.append(f'<text x="24" y="{top + 22}" class="title">{floor}</text>')
        body.append(f'<text x="24" y="{top + 38}" class="soft">{len(own)} files, {total:,} lines</text>')
        body += inside
        spans[floor] = (top, y)
        y += GAP
    body += arcs(taken, spans)
    head = (
        '<text x="12" y="26" class="head">The house, drawn from its imports</text>'
        '<text x="12" y="46" class="soft">Rooms from the roof to the ground. A box is a file, as wide as it is long; '
        "darker boxes are compiled kernels. Lines on the right: names that a room takes from a room below it.</text>"
    )
    style = (
        f"text{{font-family:DejaVu Sans,Arial,sans-serif;fill:{INK}}}.head{{font-size:17px;font-weight:bold}}"
        f".title{{font-size:15px;font-weight:bold}}.soft{{font-size:11px;fill:{SOFT}}}.name{{font-size:10px}}.about{{font-size:12px}}"
        f".room{{fill:none;stroke:{LINE};stroke-width:1}}.box{{fill:{BOX}}}.kernel{{fill:{KERNEL}}}"
        f".arc{{fill:none;stroke:{LINE}}}.up{{fill:none;stroke:#b00020}}.count{{font-size:9px;fill:{SOFT}}}"
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {y + 8:.0f}" width="{WIDTH}" '
        f'height="{y + 8:.0f}"><style>{style}</style><rect width="100%" height="100%" fill="{PAPER}"/>'
        + head
        + "".join(body)
        + "</svg>\n"
    )


def arcs(taken: dict[str, Counter[str]], spans: dict[str, tuple[float, float]]) -> list[str]:
    """A line for each pair of rooms, thicker for more names; one that ran up would be red."""
    edge = WIDTH - ARCS - 12.0
    out: list[str] = []
    starts: Counter[str] = Counter()
    ends: Counter[str] = Counter()
    for upper in FLOORS:
        for lower in reversed(FLOORS):
            count = taken[upper][lower]
            if not count:
                continue
            down = FLOORS.index(lower) > FLOORS.index(upper)
            top = spans[upper][0]
            y0 = top + 9.0 + 4.2 * starts[upper]
            y1 = spans[lower][0] + 6.0 + 4.2 * ends[lower]
            starts[upper] += 1
            ends[lower] += 1
            reach = 14.0 + 17.5 * abs(FLOORS.index(lower) - FLOORS.index(upper))
            out.append(
                f'<path d="M{edge},{y0:.1f} C{edge + reach:.1f},{y0:.1f} {edge + reach:.1f},{y1:.1f} {edge},{y1:.1f}" '
                f'class="{"arc" if down else "up"}" stroke-width="{min(0.5 + count / 30.0, 4.0):.2f}">'
                f"<title>{upper} takes {count} names from {lower}</title></path>"
            )
    return out


if __name__ == "__main__":
    (DOCS / "house.svg").write_text(draw(), encoding="utf-8", newline="\n")
