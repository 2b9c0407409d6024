"""The ground of the page: relief as a picture, contours as lines."""

from __future__ import annotations

import base64
import io
import itertools
import math

import numpy as np
from PIL import Image
from shapely.geometry import LineString

from lastseen.grid import Grid
from lastseen.products.mapsheet.ground import CELL_MM, CONTOUR_GAP_MM, contours, drawn_lattice, relief
from lastseen.products.onefile.shapes import Frame, element, mark, text
from lastseen.products.palette import load_palette

LONGEST_PX = 1400  # of the picture of the relief
CONTOUR_PX = 700  # of the lattice that contours are drawn through
LABEL_EVERY_M = 0.4  # of the longer side of the map
_QUALITY = 60


FAR_PX = 9.0  # thin contours go where they come nearer than this


def _drawn(ground: Grid, longest_px: int) -> Grid:
    """The ground on a lattice with so many cells along its longer side."""
    return drawn_lattice(ground, ground.bounds, _longest(ground) / longest_px / CELL_MM)


def contour_scale(ground: Grid, shown_m: float) -> float:
    """Metres of the ground for a millimetre that contours are drawn for: between what is shown first and all of it."""
    return math.sqrt(shown_m * _longest(ground)) / LONGEST_PX / CELL_MM


def far_m(ground: Grid, shown_m: float) -> float:
    """Metres for a pixel beyond which only every fifth contour is shown."""
    return round(CONTOUR_GAP_MM * contour_scale(ground, shown_m) / FAR_PX, 3)


def _longest(ground: Grid) -> float:
    west, south, east, north = ground.bounds
    return max(east - west, north - south)


def frame_of(ground: Grid) -> Frame:
    """The map shows all of the ground."""
    west, south, east, north = ground.bounds
    return Frame(west, north, east - west, north - south, finest_m=min(0.25, 0.1 * ground.cell_m))


def relief_picture(ground: Grid) -> str:
    """Relief in greys, as a picture inside the page; paper where no elevation is known."""
    drawn = _drawn(ground, LONGEST_PX)
    dark, light = (int(one[1:3], 16) for one in load_palette().ground.relief)
    shade = relief(drawn)
    greys = np.where(np.isnan(shade), 255.0, dark + (light - dark) * np.clip(shade / 0.95, 0.0, 1.0))
    stream = io.BytesIO()
    Image.fromarray(np.rint(greys).astype(np.uint8)).save(stream, "WEBP", quality=_QUALITY, method=3)
    data = base64.b64encode(stream.getvalue()).decode("ascii")
    ny, nx = drawn.shape
    cell = drawn.cell_m
    place = {"width": round(nx * cell, 2), "height": round(ny * cell, 2), "preserveAspectRatio": "none"}
    return element("image", class_="relief", x=0, y=0, **place, href=f"data:image/webp;base64,{data}")


def contour_lines(ground: Grid, frame: Frame, shown_m: float) -> str:
    """Contours, every fifth strong and with its height."""
    drawn = _drawn(ground, CONTOUR_PX)
    found = contours(drawn, contour_scale(ground, shown_m))
    thin = Frame(frame.west_m, frame.north_m, frame.width_m, frame.height_m, 0.2 * drawn.cell_m)
    plain = [thin.line(line) for height, line in found.lines if not found.is_index(height)]
    index = [(height, LineString(line)) for height, line in found.lines if found.is_index(height)]
    labels = [_label(frame, line, height) for height, line in index for line in _pieces(line, frame)]
    return (
        element("path", d="".join(plain), class_="contour")
        + element("path", d="".join(thin.path(line) for _, line in index), class_="contour index")
        + "".join(labels)
    )


def _pieces(line: LineString, frame: Frame) -> list[LineString]:
    """One piece for each label that a line gets."""
    every = LABEL_EVERY_M * max(frame.width_m, frame.height_m)
    many = max(1, round(line.length / every)) if line.length > 0.25 * every else 0
    ends = [line.length * i / many for i in range(many + 1)] if many else []
    middle = [0.5 * (a + b) for a, b in itertools.pairwise(ends)]
    near = 0.01 * every
    return [LineString([line.interpolate(one - near), line.interpolate(one + near)]) for one in middle]


def _label(frame: Frame, piece: LineString, height: float) -> str:
    (x0, y0), (x1, y1) = piece.coords
    turn = -((math.degrees(math.atan2(y1 - y0, x1 - x0)) + 90.0) % 180.0 - 90.0)
    at = frame.at(0.5 * (x0 + x1), 0.5 * (y0 + y1))
    return mark(at, element("text", text(f"{height:.0f}"), y=3.5), turn, class_="mark height")
