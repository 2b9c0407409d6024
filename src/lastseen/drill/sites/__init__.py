"""Ground for practice: where snow could start above it, what comes down, where a site fits, how to get there."""

from lastseen.drill.sites.exposure import StartZoneReach, member_frictions, reach_of_start_zones
from lastseen.drill.sites.find import find_sites
from lastseen.drill.sites.model import Exposure, Lookout, Part, Refused, Site, SiteSearch, SiteWish, Way
from lastseen.drill.sites.starts import StartGround, start_ground

__all__ = [
    "Exposure",
    "Lookout",
    "Part",
    "Refused",
    "Site",
    "SiteSearch",
    "SiteWish",
    "StartGround",
    "StartZoneReach",
    "Way",
    "find_sites",
    "member_frictions",
    "reach_of_start_zones",
    "start_ground",
]
