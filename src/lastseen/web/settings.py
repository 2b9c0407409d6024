"""What a server may do: where plans are kept, who may call it, and how much one request may take."""

from __future__ import annotations

import ipaddress
import secrets
from dataclasses import dataclass, field
from pathlib import Path

LOOPBACK = "127.0.0.1"
DEFAULT_PORT = 8424
HTTP_PORT = 80


@dataclass(frozen=True)
class Limits:
    """Bounds of what requests may use; all are design choices."""

    # of a JSON body, and of an uploaded elevation file
    body_bytes: int = 262_144
    upload_bytes: int = 1_000_000_000
    upload_cells: int = 200_000_000  # declared width times height of an uploaded raster
    block_bytes: int = 268_435_456  # declared size of one block of it: a whole block is unpacked at once
    header_bytes: int = 32_768
    jobs_waiting: int = 3  # beside the one that runs
    # time and memory of one job
    job_s: float = 900.0
    job_gb: float = 12.0
    lanes_s: float = 20.0  # time of one layout of lanes
    work_waiting: int = 64  # requests that may wait for a helper process
    # largest ensemble that may be asked for here; the command line takes more
    members: int = 200
    tracers: int = 5_000
    bodies: int = 100_000
    corners: int = 2_000  # of a drawn outline


@dataclass(frozen=True)
class Settings:
    """One server."""

    folder: Path  # where plans and uploads are kept; nothing is written anywhere else
    elevation: tuple[Path, ...] = ()  # named on the command line; more can be dropped on the page
    z_unit: str | None = None  # of these files
    host: str = LOOPBACK
    port: int = DEFAULT_PORT
    # what a caller must know; new at each start where it was not given
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24), repr=False)
    limits: Limits = Limits()

    @property
    def address(self) -> str:
        """Where the page is opened, with the token in it."""
        return f"{self.origin}/enter?token={self.token}"

    @property
    def origin(self) -> str:
        """Scheme, host and port, as a browser writes them."""
        return f"http://{_with_port(_in_address(self.host), self.port)}"

    @property
    def hosts(self) -> frozenset[str]:
        """Values of the Host header that are answered."""
        names = (_in_address(self.host), LOOPBACK, "localhost", "[::1]")
        return frozenset({_with_port(name, self.port) for name in names} | {f"{name}:{self.port}" for name in names})

    @property
    def cookie(self) -> str:
        """Name of the cookie: cookies do not tell ports apart."""
        return f"lastseen_{self.port}"


def _in_address(host: str) -> str:
    """A host as browsers write it: in small letters, IPv6 short and in brackets."""
    try:
        known = ipaddress.ip_address(host)
    except ValueError:
        return host.lower()
    return f"[{known.compressed}]" if known.version == 6 else known.compressed


def _with_port(name: str, port: int) -> str:
    """Browsers leave out the port of plain HTTP."""
    return name if port == HTTP_PORT else f"{name}:{port}"
