"""Thirty outlines of debris, in metres from the lower left corner of a field 600 m wide; the first ten are convex."""

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from scipy import ndimage
from shapely import LineString, MultiPolygon, Point, Polygon, box
from shapely.affinity import rotate, scale, translate

FIELD_M = 600.0


@dataclass(frozen=True)
class Case:
    """An outline, the strip it is searched with, and whether the brute force can say what is shortest."""

    outline: Polygon | MultiPolygon
    strip_m: float = 40.0
    convex: bool = False


def band(points, width_m):
    """A band of a width along a bent line."""
    return LineString(points).buffer(0.5 * width_m, cap_style="flat", join_style="round")


def wave(length_m, swing_m, width_m, turns=1.0):
    t = np.linspace(0.0, 1.0, 60)
    return band(np.c_[300 + swing_m * np.sin(2 * np.pi * turns * t), 300 + length_m * (0.5 - t)], width_m)


def grown(seed, share, reach_m, stretch=1.0):
    """A deposit as snow may leave it: where smooth noise is high, with its holes, forks and loose pieces."""
    n = 120
    y, x = np.mgrid[0:n, 0:n] * 3.0 - 180.0
    noise = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=(n, n)), (5.0 * stretch, 5.0))
    noise = noise / noise.std() - 1.6 * np.hypot(x / reach_m, y / (reach_m * stretch)) ** 2
    level = np.quantile(noise, 1.0 - share)
    cells = shapely.box(x[noise > level] - 1.5, y[noise > level] - 1.5, x[noise > level] + 1.5, y[noise > level] + 1.5)
    area = shapely.union_all(cells).buffer(2.0).buffer(-2.0).simplify(1.0)
    parts = [p for p in shapely.get_parts(area) if p.area > 60.0]
    return translate(MultiPolygon(parts), 300, 300)


def deposits():
    """Outlines of the two demo plans as they came out of the program, moved to the middle of the field."""
    path = Path(__file__).with_name("deposits.geojson")
    for one in json.loads(path.read_text(encoding="utf-8"))["features"]:
        shape = shapely.from_geojson(json.dumps(one["geometry"]))
        west, south, east, north = shape.bounds
        yield one["properties"]["name"], translate(shape, 300 - 0.5 * (west + east), 300 - 0.5 * (south + north))


SLALOM = band([(150, 500), (400, 430), (200, 330), (420, 240), (180, 120)], 60.0)
COMB = shapely.union_all([box(150, 400, 450, 460), *(box(x, 150, x + 45, 410) for x in (150, 235, 320, 405))])
HOLED = box(150, 150, 450, 450).difference(
    shapely.union_all([Point(x, y).buffer(18) for x in (200, 270, 340, 410) for y in (200, 270, 340, 410)])
)
FORK = Polygon(
    [(250, 450), (330, 450), (330, 300), (450, 130), (380, 110), (290, 250), (210, 110), (140, 130), (250, 300)]
)
STAR = Polygon(
    [
        (300 + r * np.cos(a), 300 + r * np.sin(a))
        for a, r in zip(np.linspace(0, 2 * np.pi, 16, False), [180, 90] * 8, strict=True)
    ]
)

ZOO = {
    "square": Case(box(250, 250, 350, 350), convex=True),
    "large square": Case(box(150, 150, 450, 450), convex=True),
    "turned square": Case(rotate(box(220, 220, 380, 380), 27), convex=True),
    "oblong": Case(rotate(box(200, 240, 400, 350), 40), convex=True),
    "long oblong": Case(rotate(box(260, 100, 335, 500), -15), convex=True),
    "disc": Case(Point(300, 300).buffer(90, quad_segs=16), convex=True),
    "ellipse": Case(rotate(scale(Point(300, 300).buffer(100, quad_segs=16), 0.55, 1.4), 30), convex=True),
    "triangle": Case(Polygon([(300, 450), (420, 180), (180, 180)]), convex=True),
    "trapezium": Case(Polygon([(270, 420), (330, 420), (420, 200), (180, 200)]), convex=True),
    "hexagon": Case(
        Point(300, 300).buffer(130, quad_segs=1).intersection(rotate(box(190, 200, 410, 400), 20)), 30.0, convex=True
    ),
    "L": Case(Polygon([(150, 150), (400, 150), (400, 220), (230, 220), (230, 450), (150, 450)])),
    "U": Case(
        Polygon([(150, 150), (400, 150), (400, 450), (330, 450), (330, 230), (220, 230), (220, 450), (150, 450)])
    ),
    "T": Case(shapely.union(box(150, 380, 450, 450), box(260, 140, 340, 400))),
    "cross": Case(shapely.union(box(260, 120, 340, 480), box(120, 260, 480, 340))),
    "fork": Case(FORK),
    "comb": Case(COMB, 45.0),
    "star": Case(STAR),
    "crescent": Case(Point(300, 300).buffer(170).difference(Point(380, 330).buffer(150))),
    "ring": Case(Point(300, 300).buffer(140).difference(Point(310, 290).buffer(60))),
    "many holes": Case(HOLED),
    "bent band": Case(band([(200, 500), (220, 380), (300, 300), (330, 200), (310, 100)], 70.0)),
    "hairpin": Case(band([(220, 150), (220, 380), (260, 440), (330, 440), (370, 380), (370, 150)], 60.0)),
    "S": Case(wave(420, 70, 80)),
    "slalom": Case(SLALOM),
    "narrow bend": Case(wave(430, 60, 36), 20.0),
    "two pieces": Case(MultiPolygon([box(120, 300, 220, 450), box(320, 150, 460, 260)])),
    "big and small": Case(MultiPolygon([box(120, 250, 320, 450), Point(450, 200).buffer(12)])),
    "grown": Case(grown(3, 0.22, 150.0, 1.4)),
    **{name: Case(MultiPolygon(shapely.get_parts(shape))) for name, shape in deposits()},
}
