"""Grounds and outlines that the search tests share."""

import numpy as np
import shapely
from pyproj import CRS
from shapely import MultiPolygon, Point, Polygon, box
from shapely.affinity import rotate, translate

from lastseen.core.grid import Grid

EAST_M, NORTH_M = 600_000.0, 5_100_000.0
UTM = CRS("EPSG:32632")


def ground(height, cell_m=2.0, side_m=600.0):
    """A square ground; ``height`` takes x and y in metres from its lower left corner."""
    n = int(side_m / cell_m)
    x = (np.arange(n) + 0.5) * cell_m
    values = np.broadcast_to(np.asarray(height(x[None, :], x[::-1, None]), float), (n, n)).copy()
    return Grid(values, EAST_M, NORTH_M + side_m, cell_m, UTM)


def plane(slope_deg, downhill_deg, **kwargs):
    """A plane that falls towards an azimuth."""
    a, g = np.radians(downhill_deg), np.tan(np.radians(slope_deg))
    return ground(lambda x, y: 1000.0 - g * ((x - 300) * np.sin(a) + (y - 300) * np.cos(a)), **kwargs)


def bowl(**kwargs):
    """A slope that bends both ways."""
    return ground(lambda x, y: 0.45 * y + 0.0006 * (x - 300) ** 2 + 0.0004 * (y - 300) ** 2, **kwargs)


def on_map(outline):
    """From the corner of the ground to map coordinates."""
    return translate(outline, EAST_M, NORTH_M)


def bent(width_m):
    """A band that bends down a slope."""
    t = np.linspace(0.0, 1.0, 40)
    x, y = 200 + 120 * t + 60 * np.sin(3 * t), 480 - 330 * t
    dx, dy = np.gradient(x), np.gradient(y)
    nx, ny = -dy / np.hypot(dx, dy) * width_m / 2, dx / np.hypot(dx, dy) * width_m / 2
    return Polygon(np.r_[np.c_[x + nx, y + ny], np.c_[x - nx, y - ny][::-1]])


ZOO = {
    "square": box(200, 200, 300, 300),
    "long thin": rotate(box(280, 100, 310, 450), 20),
    "L": Polygon([(150, 150), (400, 150), (400, 220), (230, 220), (230, 450), (150, 450)]),
    "U": Polygon([(150, 150), (400, 150), (400, 450), (330, 450), (330, 230), (220, 230), (220, 450), (150, 450)]),
    "fork": Polygon(
        [(250, 450), (330, 450), (330, 300), (450, 130), (380, 110), (290, 250), (210, 110), (140, 130), (250, 300)]
    ),
    "ring": Point(300, 300).buffer(140).difference(Point(310, 290).buffer(60)),
    "two pieces": MultiPolygon([box(120, 300, 220, 450), box(320, 150, 460, 260)]),
    "big and small": MultiPolygon([box(120, 250, 320, 450), Point(450, 200).buffer(4)]),
    "triangle": Polygon([(300, 450), (420, 180), (180, 180)]),
    "tiny": box(300, 300, 312, 309),
    "sliver": rotate(box(298, 150, 302, 400), 35),
    "bent": bent(70.0),
    "thin bent": bent(20.0),
}
ZOO = {name: on_map(shapely.normalize(outline)) for name, outline in ZOO.items()}
