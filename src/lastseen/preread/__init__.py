"""Pre-reading a slope: along a line of travel, over an area, over a range of mountains."""

from lastseen.preread.area import AreaReading, read_area
from lastseen.preread.gathering import AT_START, ZoneRow
from lastseen.preread.line import LineReading, read_line

__all__ = ["AT_START", "AreaReading", "LineReading", "ZoneRow", "read_area", "read_line"]
