"""From an elevation model and a last-seen point to a walked avalanche signal search."""

__version__ = "0.1.0"
