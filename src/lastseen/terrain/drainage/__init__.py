"""Where the ground drains to. All of it is global: it needs the whole elevation model at once."""

from lastseen.terrain.drainage.filling import Filled, fill
from lastseen.terrain.drainage.gathering import (
    CHANNEL_M2,
    FREEMAN_EXPONENT,
    Channels,
    Method,
    accumulation_m2,
    find_channels,
)
from lastseen.terrain.drainage.routing import Drainage, drain, facet_direction_deg

__all__ = [
    "CHANNEL_M2", "FREEMAN_EXPONENT", "Channels", "Drainage", "Filled", "Method", "accumulation_m2", "drain",
    "facet_direction_deg", "fill", "find_channels",
]  # fmt: skip
