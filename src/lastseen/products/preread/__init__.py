"""Handing over a pre-reading: of a line of travel, or of an area."""

from lastseen.products.preread.areafiles import AREA_MARKER, area_numbers, write_area
from lastseen.products.preread.linefiles import LINE_MARKER, line_numbers, write_line

__all__ = ["AREA_MARKER", "LINE_MARKER", "area_numbers", "line_numbers", "write_area", "write_line"]
