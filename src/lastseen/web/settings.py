"""What a server may do: where plans are kept, who may call it, and how much one request may take."""

from __future__ import annotations

import ipaddress
import secrets
from dataclasses import dataclass, field
from pathlib import Path

LOOPBACK = "127.0.0.1"
DEFAULT_PORT = 8424
HTTP_PORT = 80


@dataclass(frozen=True, kw_only=True)
class Limits:
    """Bounds of what requests may use; all are design choices."""

    body_bytes: int = 262_144  # of a JSON body
    upload_bytes: int = 1_000_000_000  # of an elevation file
    upload_cells: int = 200_000_000  # width times height that its header declares
    block_bytes: int = 268_435_456  # of one of its blocks: a whole block is unpacked at once
    header_bytes: int = 32_768
    jobs_waiting: int = 3  # beside the one that runs
    job_s: float = 900.0
    job_gb: float = 12.0
    lanes_s: float = 20.0  # for one layout of lanes
    work_waiting: int = 64  # requests that may wait for a worker process
    corners: int = 2_000  # of drawn outlines


@dataclass(frozen=True, kw_only=True)
class Settings:
    """One server; nothing is written outside its folder."""

    folder: Path  # plans and uploads
    elevation: tuple[Path, ...] = ()  # named on the command line; more can be dropped on the page
    z_unit: str | None = None  # of these files
    host: str = LOOPBACK
    port: int = DEFAULT_PORT
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24), repr=False)  # what a caller must know
    limits: Limits = Limits()

    @property
    def address(self) -> str:
        """Where the page is opened, with the token in it."""
        return f"{self.origin}/enter?token={self.token}"

    @property
    def origin(self) -> str:
        """Scheme, host and port, as a browser writes them."""
        return f"http://{_with_port(_bracketed_host(self.host), self.port)}"

    @property
    def hosts(self) -> frozenset[str]:
        """Values of the Host header that are answered."""
        names = (_bracketed_host(self.host), LOOPBACK, "localhost", "[::1]")
        return frozenset({_with_port(name, self.port) for name in names} | {f"{name}:{self.port}" for name in names})

    @property
    def cookie(self) -> str:
        """Name of the cookie: cookies do not tell ports apart."""
        return f"lastseen_{self.port}"


def _bracketed_host(host: str) -> str:
    """A host as browsers write it: in small letters, IPv6 short and in brackets."""
    try:
        known = ipaddress.ip_address(host)
    except ValueError:
        return host.lower()
    return f"[{known.compressed}]" if known.version == 6 else known.compressed


def _with_port(name: str, port: int) -> str:
    """Browsers leave out the port of plain HTTP."""
    return name if port == HTTP_PORT else f"{name}:{port}"
