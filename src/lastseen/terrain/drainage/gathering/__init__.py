"""The area that drains through each cell."""

from lastseen.terrain.drainage.gathering.accumulation import FREEMAN_EXPONENT, Method, accumulation_m2
from lastseen.terrain.drainage.gathering.channels import CHANNEL_M2, Channels, find_channels

__all__ = ["CHANNEL_M2", "FREEMAN_EXPONENT", "Channels", "Method", "accumulation_m2", "find_channels"]
