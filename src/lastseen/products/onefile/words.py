"""The English of the page: all of it stands in ``words.toml``."""

from __future__ import annotations

import tomllib
from functools import lru_cache
from importlib import resources
from typing import Any

FOLDER = resources.files("lastseen.products.onefile")


@lru_cache(maxsize=1)
def words() -> dict[str, Any]:
    """All texts by key; those of the script under ``script``."""
    return tomllib.loads(part("words.toml"))


def say(key: str, **values: Any) -> str:
    """A text with its values."""
    return str(words()[key]).format(**values) if values else str(words()[key])


def part(name: str) -> str:
    """A file that belongs to the page."""
    return (FOLDER / name).read_text(encoding="utf-8")
