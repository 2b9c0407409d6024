"""People carried by the flow: where they stand, how the snow takes them along, where it drops them."""

from lastseen.motion.flow.carried.people import TracerRest, Tracers, rest_of, table_of

__all__ = ["TracerRest", "Tracers", "rest_of", "table_of"]
