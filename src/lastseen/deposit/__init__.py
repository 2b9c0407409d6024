"""Where snow stops: debris outline, thickness, deposition zones, and where a carried person lies."""

from lastseen.deposit.burial import Burial
from lastseen.deposit.settle import Debris, Person, probability_of_area, settle, share_inside, where_person_lies

__all__ = ["Burial", "Debris", "Person", "probability_of_area", "settle", "share_inside", "where_person_lies"]
