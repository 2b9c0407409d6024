"""The way out of each cell."""

from lastseen.terrain.drainage.routing.directions import Drainage, drain, facet_direction_deg, facet_octants

__all__ = ["Drainage", "drain", "facet_direction_deg", "facet_octants"]
