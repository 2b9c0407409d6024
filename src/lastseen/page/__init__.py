"""The local web page: the whole job on a map in the browser, on one's own machine, without a network."""

from lastseen.page.server import make_app, serve
from lastseen.page.settings import DEFAULT_PORT, LOOPBACK, Limits, Settings

__all__ = ["DEFAULT_PORT", "LOOPBACK", "Limits", "Settings", "make_app", "serve"]
