"""The ground of the page: relief as a picture, contours as lines."""

from __future__ import annotations

import base64
import io
import math
from dataclasses import dataclass

import numpy as np
from PIL import Image
from shapely.geometry import LineString

from lastseen.grid import Grid
from lastseen.products.mapsheet.ground import CELL_MM, contours, drawn_lattice, relief
from lastseen.products.onefile.shapes import Frame, element, mark, text
from lastseen.products.palette import load_palette

LONGEST_PX = 1500  # of the picture of the relief
LABEL_EVERY_M = 0.4  # of the longer side of the map
_QUALITY = 60


@dataclass(frozen=True)
class DrawnGround:
    """Heights as fine as the page shows them."""

    lattice: Grid
    metres_per_mm: float


def drawn_ground(ground: Grid) -> DrawnGround:
    """The ground on the lattice of the picture."""
    west, south, east, north = ground.bounds
    k = max(east - west, north - south) / LONGEST_PX / CELL_MM
    return DrawnGround(drawn_lattice(ground, ground.bounds, k), k)


def frame_of(ground: Grid) -> Frame:
    """The map shows all of the ground."""
    west, south, east, north = ground.bounds
    return Frame(west, north, east - west, north - south, finest_m=min(0.25, 0.1 * ground.cell_m))


def relief_picture(drawn: DrawnGround, frame: Frame) -> str:
    """Relief in greys, as a picture inside the page; paper where no elevation is known."""
    dark, light = (int(one[1:3], 16) for one in load_palette().ground.relief)
    shade = relief(drawn.lattice)
    greys = np.where(np.isnan(shade), 255.0, dark + (light - dark) * np.clip(shade / 0.95, 0.0, 1.0))
    stream = io.BytesIO()
    Image.fromarray(np.rint(greys).astype(np.uint8)).save(stream, "WEBP", quality=_QUALITY, method=3)
    data = base64.b64encode(stream.getvalue()).decode("ascii")
    ny, nx = drawn.lattice.shape
    cell = drawn.lattice.cell_m
    place = {"width": round(nx * cell, 2), "height": round(ny * cell, 2), "preserveAspectRatio": "none"}
    return element("image", class_="relief", x=0, y=0, **place, href=f"data:image/webp;base64,{data}")


def contour_lines(drawn: DrawnGround, frame: Frame) -> str:
    """Contours, every fifth strong and with its height."""
    found = contours(drawn.lattice, drawn.metres_per_mm)
    thin = Frame(frame.west_m, frame.north_m, frame.width_m, frame.height_m, 0.35 * drawn.lattice.cell_m)
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
    middle = [0.5 * (a + b) for a, b in zip(ends[:-1], ends[1:], strict=True)]
    near = 0.01 * every
    return [LineString([line.interpolate(one - near), line.interpolate(one + near)]) for one in middle]


def _label(frame: Frame, piece: LineString, height: float) -> str:
    (x0, y0), (x1, y1) = piece.coords
    turn = -((math.degrees(math.atan2(y1 - y0, x1 - x0)) + 90.0) % 180.0 - 90.0)
    at = frame.at(0.5 * (x0 + x1), 0.5 * (y0 + y1))
    return mark(at, element("text", text(f"{height:.0f}"), y=3.5), turn, class_="mark height")
