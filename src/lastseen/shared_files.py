"""Where the published reference values, the palette and the demo data lie, installed or in a checkout."""

from __future__ import annotations

from pathlib import Path

from lastseen.errors import InputError

_PACKAGE = Path(__file__).resolve().parent


def shared_folder(kind: str) -> Path:
    """Folder of ``shared`` (reference values, palette) or ``demo`` (the invented mountain).

    An installed package carries both; a checkout keeps them at its top.

    Raises
    ------
    InputError
        If the folder is missing, which means a broken installation.
    """
    top = _PACKAGE.parent.parent
    places = {"shared": (_PACKAGE / "_shared", top / "shared"), "demo": (_PACKAGE / "_demo", top / "data-demo")}[kind]
    for place in places:
        if place.is_dir():
            return place
    raise InputError(f"the folder with the {kind} files is missing ({places[0]}): install lastseen again")
