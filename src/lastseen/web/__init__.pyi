from .server import serve
from .settings import LOOPBACK, Settings

__all__ = [
    "LOOPBACK",
    "Settings",
    "serve",
]
