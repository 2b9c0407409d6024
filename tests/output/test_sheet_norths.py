"""What the edge of the sheet says about north and length, against PROJ and the ellipsoid; and a blank sheet's map."""

import dataclasses
import math
import re
from types import SimpleNamespace

import numpy as np
import pytest
from pyproj import CRS, Geod, Transformer
from shapely.geometry import MultiPolygon

from lastseen.output.draw import furniture
from lastseen.output.draw.features import MapContent, keep_blank, read_map_content
from lastseen.output.draw.palette import load_palette
from lastseen.output.results.plan import result_of_plan

ELLIPSOID = Geod(ellps="WGS84")
DECLINATION_DEG = 12.0  # any: what is drawn must follow it


class Page:
    """What is drawn, noted instead of drawn."""

    def __init__(self, extent, scale=10_000):
        box = SimpleNamespace(left=10.0, right=180.0, top=60.0, bottom=40.0, width=170.0, height=20.0)
        self.sheet = SimpleNamespace(extent=extent, metres_per_mm=scale / 1000.0, scale=scale, paper="A4", under=box)
        self.palette, self.arrows, self.texts, self.boxes = load_palette(), [], [], []

    def line(self, *_args, **_more):
        pass

    def arrow(self, _x, _y, angle, *_more):
        self.arrows.append(math.degrees(angle))

    def text(self, _x, _y, words, *_args, **_more):
        self.texts.append(words)

    def box(self, box, **_more):
        self.boxes.append(box)

    def width_mm(self, words, *_look):
        return 1.2 * len(words)


def around(crs, lon, lat, half_m=500.0):
    x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon, lat)
    return x - half_m, y - half_m, x + half_m, y + half_m


def direction_deg(crs, lon, lat, east_deg, north_deg):
    """Which way a small step in degrees goes on the map, against the clock from its right edge."""
    to = Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    (x, y), (u, v) = to.transform(lon, lat), to.transform(lon + east_deg, lat + north_deg)
    return math.degrees(math.atan2(v - y, u - x))


PLACES = {"east of the middle of a zone": (32632, 11.9, 46.93), "west of it": (32632, 6.1, 46.93),
          "a map that is no UTM": (2056, 10.4, 46.93)}  # fmt: skip


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("declination", [DECLINATION_DEG, -DECLINATION_DEG])
def test_the_three_norths_point_where_they_lie(place, declination):
    """True: a step along the meridian. Grid: a step up the UTM grid. Magnetic east of true lies to the right.

    All with PROJ alone; magnetic declination is counted clockwise from true north.
    """
    code, lon, lat = PLACES[place]
    crs = CRS.from_epsg(code)
    page = Page(around(crs, lon, lat))
    furniture.draw_under(page, crs, 500, None, declination_deg=declination, date="2027-01-31")
    true = direction_deg(crs, lon, lat, 0.0, 1e-4)
    utm = CRS.from_epsg(32600 + int((lon + 180.0) // 6.0) + 1)
    there, back = (Transformer.from_crs(a, b, always_xy=True) for a, b in ((crs, utm), (utm, crs)))
    x, y = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon, lat)
    e, n = there.transform(x, y)
    u, v = back.transform(e, n + 10.0)
    grid = math.degrees(math.atan2(v - y, u - x))
    assert page.arrows == pytest.approx([true, grid, true - declination], abs=0.02)
    turn = true - grid  # grid north lies so much clockwise of true north
    assert abs(turn) > 0.5
    told = " ".join(page.texts)
    found = re.search(r"GN grid north, ([\d.]+)° (east|west) of it", told)
    assert float(found[1]) * (1.0 if found[2] == "east" else -1.0) == pytest.approx(turn, abs=0.06)
    side = "east" if declination > 0 else "west"
    assert f"MN magnetic north, {abs(declination):.1f}° {side} of it on 2027-01-31" in told


@pytest.mark.parametrize(("code", "lat"), [(32632, 46.93), (3857, 46.93), (3857, 65.0)])
def test_the_scale_bar_is_true_on_the_ground(code, lat):
    """Its millimetres times the scale are map metres; the ellipsoid (pyproj) says how long that is on the ground.

    Web Mercator stretches by about 1 / cos(latitude): there the map's own metres would be wrong by half and more.
    """
    crs = CRS.from_epsg(code)
    page = Page(around(crs, 9.2, lat))
    furniture._scale_bar(page, crs, 10.0, 50.0)
    on_map = sum(one.width for one in page.boxes) * page.sheet.metres_per_mm
    west, south, east, north = page.sheet.extent
    x, y = 0.5 * (west + east), 0.5 * (south + north)
    back = Transformer.from_crs(crs, "EPSG:4326", always_xy=True)
    lon, lat_ = back.transform([x - 0.5 * on_map, x + 0.5 * on_map], [y, y])
    length = ELLIPSOID.inv(lon[0], lat_[0], lon[1], lat_[1])[2]
    (label,) = [one for one in page.texts if one.endswith(" m")]
    assert float(label.removesuffix(" m")) == pytest.approx(length, rel=0.003)
    assert len(page.boxes) == 4


@pytest.mark.parametrize("which", ["plan", "observed"])
def test_the_map_of_a_blank_sheet_holds_nothing_of_the_plan(which, request):
    """All that a map is drawn from is empty, but for ground, grid, last-seen point and which piece of ground it is."""
    shown = read_map_content(result_of_plan(request.getfixturevalue(which)))
    blank = keep_blank(shown)
    kept = {"numbers", "ground", "crs", "at_m", "radius_m", "blank", "ground_m"}
    empty = MapContent(numbers={}, ground=shown.ground, crs=shown.crs)
    for one in dataclasses.fields(MapContent):
        if one.name not in kept:
            assert getattr(blank, one.name) == getattr(empty, one.name), one.name
    assert shown.outline != MultiPolygon()
    assert shown.lanes
    assert blank.at_m == shown.at_m
    assert {"debris", "route", "lanes", "traps", "zones", "poa", "coverage", "release"}.isdisjoint(blank.numbers)
    assert set(blank.numbers["search"]) == {"searchers", "declination_deg", "date"}
    corners = np.array(blank.ground_m.exterior.coords)
    assert len(corners) == 5  # a rectangle, not an outline
    assert (corners[:, 0].min(), corners[:, 1].max()) == (blank.ground_m.bounds[0], blank.ground_m.bounds[3])
