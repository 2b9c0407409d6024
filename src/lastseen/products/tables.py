"""Plain tables for a terminal: columns of text, as wide as they need to be, the last one wrapped."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from lastseen.products.caution import FULL_CAUTION

WIDTH = 120


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Rows under a head; all columns but the last keep their width, the last is wrapped."""
    widths = [max(len(row[i]) for row in [head, *rows]) for i in range(len(head) - 1)]
    indent = sum(widths) + 2 * len(widths)
    lines = []
    for row in [head, *rows]:
        start = "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=False))
        start = f"{start}  " if widths else ""
        wrapped = textwrap.wrap(row[-1], max(30, WIDTH - indent)) or [""]
        lines.append((start + wrapped[0]).rstrip())
        lines += [" " * indent + more for more in wrapped[1:]]
    return "\n".join(lines)


def paragraphs(*blocks: str) -> str:
    """Blocks with an empty line between them, the caution last."""
    return "\n\n".join([*(block for block in blocks if block), "\n".join(textwrap.wrap(FULL_CAUTION, WIDTH))])


def wrapped(text: str) -> str:
    """A paragraph."""
    return textwrap.fill(text, WIDTH)


def bullets(lines: Sequence[str]) -> str:
    """One dash for each line, wrapped."""
    return "\n".join(textwrap.fill(line, WIDTH, initial_indent="- ", subsequent_indent="  ") for line in lines)


def metres(low: float, high: float, digits: int = 1) -> str:
    """One width, or a range of them."""
    return f"{low:.{digits}f} m" if low == high else f"{low:.{digits}f} to {high:.{digits}f} m"
