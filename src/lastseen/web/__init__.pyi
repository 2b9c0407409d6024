from .guard import LOOPBACK, Settings
from .server import serve

__all__ = [
    "LOOPBACK",
    "Settings",
    "serve",
]
