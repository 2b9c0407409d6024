"""Faulty places, drawn outlines, recordings and settings, made when they are wanted, and what must come of each.

A case is called with the folder of the clean model and gives an outcome: ``refused`` (one clear sentence), ``told``
(the result says it) or ``same`` (the clean result). Anything else fails the campaign.
"""

import json
from dataclasses import dataclass

import geopandas
import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry import box

from lastseen.core.errors import LastseenError
from lastseen.core.outlines import check_drawn, read_outline
from lastseen.core.place import GEOD, WGS84, LonLat, parse_crs, to_lonlat, to_map, transformer
from lastseen.core.scenario import LastSeen, Scenario, Search, Snow, check_scenario, read_scenario
from lastseen.jobs.notes import note_grid, read_place
from lastseen.jobs.plan import plan_drawn_search
from lastseen.jobs.practice.debrief import debrief
from lastseen.jobs.practice.tracks import read_tracks
from lastseen.jobs.snow_simulation import simulate_snow
from lastseen.terrain.elevation import open_elevation, require_inside
from practice.walks import plan_on

BENCH = (560_600.0, 7_300_900.0)  # a place on the clean model, map metres


@dataclass(frozen=True, kw_only=True)
class Case:
    """One faulty input."""

    name: str
    run: object  # called with the folder of the clean model; gives "told: ...", "same" or raises
    must: tuple  # outcomes that are right
    words: str = ""  # that must stand in the sentence
    cause: int = 0  # of the eight that once went unsaid


def elevation_of(folder):
    """The clean model, opened."""
    return open_elevation([folder / "clean.tif"])


def _at(text, crs=None, cause=0, words="", must=("refused",)):
    def run(folder):
        elevation = elevation_of(folder)
        place, radius, notes = read_place(
            Scenario(elevation=(folder / "clean.tif",), last_seen=LastSeen(at=text, crs=crs)), elevation.crs
        )
        require_inside(elevation, place)
        if notes:
            return "told: " + " ".join(notes)
        x, y = to_map(place, elevation.crs)
        off = np.hypot(x - BENCH[0], y - BENCH[1])
        return "same" if off <= max(radius, 3.0) else f"wrong: {off:.0f} m off with a radius of {radius:.0f} m"

    return Case(name=f"point {text!r}{f' in {crs}' if crs else ''}", run=run, must=must, words=words, cause=cause)


def _degrees():
    point = to_lonlat(*BENCH, CRS("EPSG:32631"))
    return point.lon_deg, point.lat_deg


def places():
    """Points."""
    lon, lat = _degrees()
    zone = LonLat(lon, lat).notations()["mgrs"]
    square, east, north = zone[:5], zone[5:10], zone[10:]
    d, m = int(lat), (lat - int(lat)) * 60.0
    e, n = int(lon), (lon - int(lon)) * 60.0
    yield _at(f"{lon:.6f},{lat:.6f}", must=("same",))
    yield _at(f"{square}{east}{north}", must=("same",))
    yield _at(f"{square}{east[:4]}{north[:4]}", must=("same",), cause=6)
    yield _at(f"{square}{east[:3]}{north[:3]}", must=("told",), words="within 71 m", cause=6)
    yield _at(f"{square}{east[:2]}{north[:2]}", words="more digits", cause=6)
    yield _at(f"{square}{east[:1]}{north[:1]}", words="more digits", cause=6)
    yield _at(f"{lon:.4f},{lat:.4f}", must=("same",))
    yield _at(f"{lon:.3f},{lat:.3f}", must=("told",), words="any place within", cause=6)
    yield _at(f"{lon:.2f},{lat:.2f}", words="more digits", cause=6)
    yield _at(f"{lon:.1f},{lat:.1f}", words="more digits", cause=6)
    yield _at(f"N{d} {m:.3f} E{e} {n:.3f}", must=("same",))
    yield _at(f"N{d} {m:.0f} E{e} {n:.0f}", words="more digits", cause=6)
    yield _at(f"{lat:.6f},{lon:.6f}", words="outside")
    yield _at(f"{-lon:.6f},{lat:.6f}", words="outside")
    yield _at(f"{lon:.6f},{-lat:.6f}", words="outside")
    yield _at(f"{BENCH[0]:.0f},{BENCH[1]:.0f}", words="--crs")
    yield _at(f"{BENCH[0]:.0f},{BENCH[1]:.0f}", "EPSG:32631", must=("same",))
    yield _at(f"{BENCH[0]:.0f},{BENCH[1]:.0f}", "EPSG:32632", words="outside")
    yield _at(f"{BENCH[1]:.0f},{BENCH[0]:.0f}", "EPSG:32631", words="")
    yield _at(f"{lon:.6f},{lat:.6f}", "EPSG:32631", words="--crs")
    yield _at("31W 560600 7300900", must=("same",))
    yield _at("31N 560600 7300900", words="contradicts")
    yield _at("32W 560600 7300900", words="outside")
    yield _at("61W 560600 7300900", words="zone")
    yield _at("somewhere", words="cannot be read")
    yield _at("", words="")
    yield _at("nan,nan", words="cannot be read")
    yield _at("1e400,2", words="cannot be read")
    yield _at("999,999", words="lon,lat")


def datums():
    """In and out by one transformation, and its accuracy told."""
    old = (
        (26711, -115.5, 51.2), (23032, 10.5, 47.0), (2056, 7.44, 46.92), (31287, 13.2, 47.3), (27700, -3.2, 56.8),
        (26910, -121.7, 45.4), (2193, 170.1, -43.6), (28992, 5.9, 52.0),
    )  # fmt: skip
    for code, lon, lat in old:

        def run(_folder, code=code, lon=lon, lat=lat):
            crs, point = CRS.from_epsg(code), LonLat(lon, lat)
            back = to_lonlat(*to_map(point, crs), crs)
            off = GEOD.inv(lon, lat, back.lon_deg, back.lat_deg)[2]
            x, y = to_map(point, crs)
            arrays = transformer(crs, WGS84).transform(np.array([x, x + 10.0]), np.array([y, y]))
            off = max(off, GEOD.inv(lon, lat, float(arrays[0][0]), float(arrays[1][0]))[2])
            return "same" if off < 0.01 else f"wrong: {off:.2f} m off"

        yield Case(name=f"there and back in EPSG:{code}", run=run, must=("same",), cause=3)

    def old_datum(_folder):
        scenario = Scenario(elevation=("x.tif",), last_seen=LastSeen(at="-115.5123,51.2123"))
        _, radius, notes = read_place(scenario, CRS.from_epsg(26711))
        told = " ".join((*notes, *note_grid(CRS.from_epsg(26711), at=LonLat(-115.5, 51.2))))
        return f"told: {told}" if radius > 12.0 else f"wrong: radius {radius}"

    yield Case(name="accuracy of an old datum", run=old_datum, must=("told",), words="added to the radius", cause=3)


def _write(path, shape, crs="EPSG:32631", kind="GeoJSON"):
    geopandas.GeoSeries([shape] if not isinstance(shape, list) else shape, crs=crs).to_file(path, driver=kind)
    return path


def _square(side, at=BENCH):
    x, y = at
    return box(x - side / 2, y - side / 2, x + side / 2, y + side / 2)


CROSSED = shapely.Polygon([(BENCH[0], BENCH[1]), (BENCH[0] + 80, BENCH[1] + 80), (BENCH[0] + 80, BENCH[1]),
                           (BENCH[0], BENCH[1] + 80)])  # fmt: skip


def drawn():
    """Outlines of release and debris."""

    def of(shape, what, crs="EPSG:32631", to="EPSG:32631"):
        def run(folder):
            path = _write(folder / "drawn.geojson", shape, crs)
            outline, notes = check_drawn(read_outline(path, CRS(to), what), what, path.name, 2.0)
            if notes:
                return "told: " + " ".join(notes)
            want = _square(60.0)
            return "same" if outline.symmetric_difference(want).area < 1.0 else "wrong: another outline"

        return run

    whole = _square(60.0)
    sliver = box(BENCH[0] + 90, BENCH[1], BENCH[0] + 90.5, BENCH[1] + 0.5)
    x, y = BENCH
    bowtie_hole = shapely.Polygon(whole.exterior.coords, [[(x, y), (x + 9, y + 9), (x + 9, y), (x, y + 9), (x, y)]])
    cases = [
        ("clean", whole, ("same",), "", 0), ("with a sliver", [whole, sliver], ("told",), "left out", 8),
        ("of 0.8 m2", _square(0.9), ("refused",), "draw it larger", 8), ("of 20 m2", _square(4.5), ("refused",),
        "draw it larger", 8), ("of 45 m2", _square(6.7), ("refused",), "draw it larger", 8),
        ("of 20 km2", _square(4500.0), ("refused",), "more than any avalanche", 8),
        ("that crosses itself", CROSSED, ("refused",), "crosses itself", 0),
        ("with a crossed hole", bowtie_hole, ("refused",), "crosses itself", 0),
        ("that is a line", shapely.LineString(whole.exterior.coords), ("refused",), "no polygon", 0),
        ("that is a point", shapely.Point(x, y), ("refused",), "no polygon", 0),
        ("twice the same", [whole, whole], ("same",), "", 0),
        ("with Z", shapely.force_3d(whole), ("same",), "", 0),
        ("with a point beside", [whole, shapely.Point(x, y)], ("same",), "", 0),
    ]  # fmt: skip
    for what in ("release", "debris"):
        for name, shape, must, words, cause in cases:
            yield Case(name=f"{what} {name}", run=of(shape, what), must=must, words=words, cause=cause)
    degrees = shapely.transform(whole, lambda p: np.column_stack(
        transformer(CRS("EPSG:32631"), WGS84).transform(p[:, 0], p[:, 1])))  # fmt: skip
    swapped = shapely.transform(degrees, lambda p: p[:, ::-1])
    yield Case(name="debris in degrees", run=of(degrees, "debris", "EPSG:4326"), must=("same",))

    def lost(folder):
        path = _write(folder / "swapped.geojson", swapped, "EPSG:4326")
        plan_drawn_search(Scenario(elevation=(folder / "clean.tif",), search=Search(debris=path)))
        return "wrong: planned elsewhere"

    yield Case(name="debris with lon and lat swapped", run=lost, must=("refused",))
    for name, text, words in (
        ("empty file", "", "cannot be read"), ("no JSON", "{", "cannot be read"),
        ("no features", json.dumps({"type": "FeatureCollection", "features": []}), "no "),
        ("no geometry", json.dumps({"type": "Feature", "properties": {}, "geometry": None}), "no polygon"),
        ("infinite", json.dumps({"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates":
         [[[4.3, 65.8], [1e308, 65.8], [4.31, 65.81], [4.3, 65.8]]]}}), ""),
        ("a picture", "\x89PNG", "cannot be read"), ("two points", json.dumps({"type": "Feature", "properties": {},
         "geometry": {"type": "Polygon", "coordinates": [[[4.3, 65.8], [4.31, 65.8], [4.3, 65.8]]]}}), ""),
    ):  # fmt: skip

        def broken(folder, text=text):
            path = folder / "broken.geojson"
            path.write_text(text, encoding="utf-8")
            check_drawn(read_outline(path, CRS("EPSG:32631"), "debris"), "debris", path.name, 2.0)
            return "wrong: it was read"

        yield Case(name=f"outline: {name}", run=broken, must=("refused",), words=words)

    def missing(folder):
        read_outline(folder / "not there.gpkg", CRS("EPSG:32631"), "debris")

    yield Case(name="outline: not there", run=missing, must=("refused",), words="does not exist")

    def release_at(side, at, words, must, cause=8):
        def run(folder):
            path = _write(folder / "release.geojson", _square(side, at))
            scenario = Scenario(
                elevation=(folder / "clean.tif",), last_seen=LastSeen(at=f"{at[0]:.0f},{at[1]:.0f}", crs="EPSG:32631"),
                snow=Snow(size=1, release=path, model="body", members=4, bodies=200),
            )  # fmt: skip
            elevation = elevation_of(folder)
            found = simulate_snow(scenario, elevation, at, lambda _stage, _share: None)
            return "told: " + " ".join(found.notes) if found.notes else "same"

        return Case(name=f"release of {side:g} m at {at}", run=run, must=must, words=words, cause=cause)

    yield release_at(0.9, (560_900.0, 7_301_300.0), "draw it larger", ("refused",))


POINT = '<trkpt lat="{lat:.7f}" lon="{lon:.7f}">{time}</trkpt>'


def _track(times, shift_lon=0.0):
    """A GPX track over the field of the walks, with a time for each fix or none."""
    crs = CRS.from_epsg(32632)
    points = []
    for k, time in enumerate(times):
        p = to_lonlat(600_010.0 + 1.2 * (k if k < 80 else 160 - k if k < 160 else k - 160), 5_100_020.0 + 0.2 * k, crs)
        stamp = "" if time is None else f"<time>{time}</time>"
        points.append(POINT.format(lat=p.lat_deg, lon=p.lon_deg + shift_lon, time=stamp))
    return (
        '<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
        f"{''.join(points)}</trkseg></trk></gpx>"
    )


def _stamps(count, step=1):
    return [f"2027-01-31T10:{(k * step) // 60 % 60:02d}:{(k * step) % 60:02d}Z" for k in range(count)]


def recordings():
    """Recorded tracks and clocks."""

    def of(texts, shifts=None):
        def run(folder):
            raw = []
            for number, text in enumerate(texts):
                path = folder / f"walk{number}.gpx"
                path.write_text(text, encoding="utf-8")
                raw += read_tracks(path)
            made = debrief(plan_on(), raw, shifts_s=shifts)
            told = [*(note for s in made.searchers for note in s.cleaning_notes), *(u.reason for u in made.left_out)]
            told = [note for note in told if "scatter" not in note]
            return "told: " + " ".join(told) if told else "same"

        return run

    clean = _track(_stamps(300))
    half = [t if k % 3 else None for k, t in enumerate(_stamps(300))]
    few = [t if k % 9 == 0 else None for k, t in enumerate(_stamps(300))]
    for name, texts, shifts, must, words in (
        ("clean", [clean], None, ("same",), ""),
        ("twice the same", [clean, clean], None, ("told",), "once more"),
        ("times on two of three fixes", [_track(half)], None, ("told",), "carry no time"),
        ("times on one of nine fixes", [_track(few)], None, ("told",), "carry a time"),
        ("no times", [_track([None] * 300)], None, ("told",), "no times"),
        ("all times equal", [_track(["2027-01-31T10:00:00Z"] * 300)], None, ("told",), "the same time"),
        ("shift of a million years", [clean], {"walk0": 3e13}, ("refused",), "--shift"),
        ("shift that is no number", [clean], {"walk0": float("nan")}, ("refused",), "--shift"),
        ("shift of nobody", [clean], {"anna": 10.0}, ("refused",), "no track is called"),
        ("far away", [_track(_stamps(300), 2.0)], None, ("refused",), "from the outline"),
        ("empty file", [""], None, ("refused",), "empty"),
        ("broken file", [clean[:400]], None, ("refused",), "GPX"),
        ("no points", ['<gpx version="1.1" creator="t"></gpx>'], None, ("refused",), "no track"),
        ("backwards", [_track(_stamps(300)[::-1])], None, ("told",), "out of order"),
    ):
        yield Case(name=f"track: {name}", run=of(texts, shifts), must=must, words=words)


def settings():
    """Scenarios."""

    def toml(text):
        def run(folder):
            path = folder / "asked.toml"
            path.write_bytes(text if isinstance(text, bytes) else text.encode())
            read = read_scenario(path)
            assert read.search.day is None or read.search.day.year > 0
            return "same"

        return run

    base = 'elevation = ["clean.tif"]\n'
    for name, text, must, words in (
        ("clean", base, ("same",), ""), ("unknown key", base + "hight = 3\n", ("refused",), "unknown key"),
        ("near key", base + "[snow]\nsizes = 2\n", ("refused",), "did you mean 'size'"),
        ("size 9", base + "[snow]\nsize = 9\n", ("refused",), "size"),
        ("size as text", base + '[snow]\nsize = "two"\n', ("refused",), "size"),
        ("friction falls", base + "[snow]\nfriction = [0.5, 0.3, 0.2]\n", ("refused",), "must rise"),
        ("not a number", base + "[last_seen]\nradius_m = nan\n", ("refused",), "radius_m"),
        ("infinite", base + "[snow]\ntime_budget_s = inf\n", ("refused",), "time_budget_s"),
        ("negative seed", "seed = -1\n" + base, ("refused",), "seed"),
        ("no elevation", "seed = 1\n", ("refused",), "elevation"),
        ("broken", base + "[snow\n", ("refused",), "TOML"), ("bytes", b"\xff\xfe\x00", ("refused",), "TOML"),
        ("date of no day", base + '[search]\ndate = "2027-02-31"\n', ("refused",), "date"),
        ("date in words", base + '[search]\ndate = "tomorrow"\n', ("refused",), "date"),
        ("pattern", base + '[search]\npattern = "zigzag"\n', ("refused",), "pattern"),
    ):  # fmt: skip
        yield Case(name=f"scenario: {name}", run=toml(text), must=must, words=words)

    def crs(text):
        def run(_folder):
            parse_crs(text)
            return "wrong: it was taken"

        return run

    for text in ("", "EPSG:0", "nonsense", "99999999"):
        yield Case(name=f"CRS {text!r}", run=crs(text), must=("refused",), words="EPSG code")

    def raw(table):
        def run(_folder):
            check_scenario(table)
            return "wrong: it was taken"

        return run

    yield Case(name="scenario: table for a number", run=raw({"elevation": ["a"], "seed": {}}), must=("refused",))


def outcome(case, folder):
    """What came of a case, as (kind, sentence)."""
    try:
        text = case.run(folder)
    except LastseenError as error:
        return "refused", str(error)
    kind, _, rest = text.partition(": ")
    return kind, rest


def judge(case, folder):
    """The kind of outcome where it is right; ``wrong`` with what came where not."""
    kind, text = outcome(case, folder)
    right = kind in case.must and case.words in text
    return (kind, text) if right else ("wrong", f"{kind}: {text}")
