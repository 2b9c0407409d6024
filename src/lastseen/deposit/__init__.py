"""Where snow stops: debris outline, thickness, deposition zones, and where a carried person lies."""

from lastseen.deposit.settle import Debris, Person, settle, share_inside, where_person_lies

__all__ = ["Debris", "Person", "settle", "share_inside", "where_person_lies"]
