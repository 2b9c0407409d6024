"""Handing over a pre-reading: of a line of travel, or of an area."""

from lastseen.products.preread.linefiles import LINE_PROOF, line_numbers, write_line

__all__ = ["LINE_PROOF", "line_numbers", "write_line"]
