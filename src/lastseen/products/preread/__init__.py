"""Handing over a pre-reading: of a line of travel, or of an area."""

from lastseen.products.preread.areafiles import AREA_PROOF, area_numbers, write_area
from lastseen.products.preread.linefiles import LINE_PROOF, line_numbers, write_line

__all__ = ["AREA_PROOF", "LINE_PROOF", "area_numbers", "line_numbers", "write_area", "write_line"]
