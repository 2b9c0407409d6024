"""The campaign of faults: every crafted input, what came of it, and a table. `make faults` runs all of it.

Each input ends as the clean result, as a note that names the fault, or as a refusal in one sentence. What is wrong
without a word is counted, and must be none. `python tests/faults/campaign.py --quick` leaves out the commands that run
in processes of their own.
"""

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import geopandas
import numpy as np
from shapely.geometry import LineString, box

from faults import endings, inputs, rasters
from lastseen.core.errors import LastseenError
from lastseen.core.scenario import LastSeen, Scenario, Search, Snow
from lastseen.jobs.plan import make_plan, plan_drawn_search
from lastseen.jobs.practice.deposit import SiteFrame, lay_deposit
from lastseen.jobs.practice.site import SiteRequest
from lastseen.jobs.practice.sites import view_sites
from lastseen.jobs.reading.area import view_area
from lastseen.jobs.reading.line import view_line
from lastseen.jobs.terrain_view import view_terrain
from lastseen.jobs.trap_view import view_traps
from lastseen.terrain.elevation import open_elevation, read_window

POINT = (560_600.0, 7_300_900.0)
QUICK = Snow(size=4, model="body", members=4, bodies=200)  # a window that holds all of the model


def clean_model(folder):
    """The model that all faults are made from."""
    z, profile = rasters.mountain()
    return rasters.store(folder / "clean.tif", z, profile, unit="m")


def _asked(files, **more):
    return Scenario(elevation=tuple(files), last_seen=LastSeen(at=f"{POINT[0]:.0f},{POINT[1]:.0f}", crs="EPSG:32631"),
                    snow=QUICK, **more)  # fmt: skip


def _drawn(folder, shape):
    path = folder / "drawn.geojson"
    geopandas.GeoSeries([shape], crs="EPSG:32631").to_file(path)
    return path


def _deposit(files, _folder):
    elevation = open_elevation(files)
    frame = SiteFrame(
        crs=elevation.crs, middle_m=(561_150.0, 7_301_000.0), width_m=60.0, height_m=40.0, downhill_deg=0.0
    )
    return lay_deposit(elevation, frame, {"number": 1}, like=1, reach=None, seed=1, snow_m=0.8, left_m=0.3,
                       packing=0.5, stake_m=None, name=None).notes  # fmt: skip


def _all_of_it(folder):
    """An outline around nearly all of the model: whatever is wrong with it touches the ground that is searched."""
    return _drawn(folder, box(560_560.0, 7_300_450.0, 561_840.0, 7_301_550.0))


# Every job that opens elevation; each gives its notes.
JOBS = {
    "plan": lambda files, _folder: make_plan(_asked(files)).notes,
    "strips": lambda files, folder: plan_drawn_search(
        _asked(files, search=Search(debris=_all_of_it(folder)))
    ).notes,
    "plan --debris": lambda files, folder: make_plan(
        _asked(files, search=Search(debris=_all_of_it(folder)))
    ).notes,
    "terrain": lambda files, _folder: view_terrain(open_elevation(files), drainage=False).notes,
    "traps": lambda files, _folder: view_traps(Scenario(elevation=tuple(files))).notes,
    "preread --line": lambda files, folder: view_line(
        Scenario(elevation=tuple(files), snow=QUICK),
        _drawn(folder, LineString([POINT, (POINT[0] + 150.0, POINT[1] + 60.0)])), members=4,
    ).notes,
    "preread --area": lambda files, folder: view_area(
        Scenario(elevation=tuple(files), snow=QUICK), folder / "area", area=str(_all_of_it(folder)), members=4,
        spacing_m=40.0,
    ).notes,
    "drill sites": lambda files, _folder: view_sites(
        Scenario(elevation=tuple(files)), SiteRequest(width_m=40.0, height_m=30.0)
    ).notes,
    "drill deposit": _deposit,
}  # fmt: skip


def _through(job, fault, files, folder):
    """What came of a spoiled model in a job."""
    try:
        notes = " ".join(JOBS[job](files, folder))
    except LastseenError as error:
        return "refused", str(error)
    words = WORDS_OF.get(fault.kinds[0]) if fault.kinds else None
    said = [WORDS_OF[kind] for kind in fault.kinds if WORDS_OF[kind] in notes]
    return ("told", said[0]) if said or (words and words in notes) else ("wrong", notes[:300])


# Words of the note of each kind of finding.
WORDS_OF = {
    "picture": "holds a picture", "no elevation": "hillshade, a slope map", "empty": "no heights",
    "flat": "level plane",
    "impossible": "impossible heights", "sink": "far below all neighbours", "spike": "far above all neighbours",
    "shared extreme": "nothing else is within", "plateau": "of one exact height", "step": "step by",
    "file step": "two files meet", "line": "out of place between", "repeated": "equal to the one before",
    "whole": "come in steps of", "canopy": "as rough as tree tops", "steep": "--z-unit ft",
}  # fmt: skip
ONE_LINE = ("terrain", "plan --debris", "strips")  # that a fault is sent through, in turn


def _same_heights(files, folder):
    """Whether a model in another form has the heights of the clean one, and no finding."""
    clean, other = open_elevation([folder / "clean.tif"]), open_elevation(files)
    x, y = POINT
    window = (x - 250.0, y - 200.0, x + 300.0, y + 220.0)
    a, b = read_window(clean, window), read_window(other, window)
    at = a.centre_of(*np.indices(a.shape))
    off = abs(a.values - b.sample(*at)) if clean.crs == other.crs else np.zeros(1)
    notes = view_terrain(other, drainage=False).notes
    if notes:
        return "told", " ".join(notes)
    most = float(np.nanmax(off))
    return (
        ("same", f"{most:.2g} m") if most < 0.35 else ("wrong", f"heights differ by {most:.2f} m, and nobody says it")
    )


def judge_raster(fault, number, folder):
    """What came of a spoiled model."""
    files = fault.make(folder)
    if fault.must in ("same", "near", "clean"):
        kind, text = _same_heights(files, folder)
        return (kind, text) if kind == "same" else ("wrong", text)
    job = ONE_LINE[number % len(ONE_LINE)] if fault.must == "refused" else "terrain"
    kind, text = _through(job, fault, files, folder)
    if fault.must == "refused":
        named = any(WORDS_OF[known] in text for known in fault.kinds)
        return (kind, text) if kind == "refused" and named else ("wrong", f"{job}: {kind}: {text}")
    return (kind, text) if kind in ("told", "refused") else ("wrong", f"{job}: {text}")


def every_job(folder):
    """The two gravest faults through every job."""
    for name in ("tile +47 m", "25 zeros"):
        fault = next(fault for fault in rasters.FAULTS if fault.name == name)
        files = fault.make(folder)
        for job in JOBS:
            kind, text = _through(job, fault, files, folder)
            yield f"{name} in {job}", *((kind, text) if kind == "refused" else ("wrong", f"{kind}: {text}"))


def campaign(*, quick):
    """Family, name, kind of outcome and sentence of each input."""
    with tempfile.TemporaryDirectory() as top:
        base = Path(top) / "base"
        base.mkdir()
        model = clean_model(base)

        def fresh(number):
            folder = Path(top) / f"case{number}"
            folder.mkdir()
            (folder / "clean.tif").write_bytes(model.read_bytes())
            return folder

        count = 0
        for number, fault in enumerate(rasters.FAULTS):
            count += 1
            yield "elevation", fault.name, *judge_raster(fault, number, fresh(count))
        count += 1
        for name, kind, text in every_job(fresh(count)):
            yield "elevation in every job", name, kind, text
        families = {"places": inputs.places, "datums": inputs.datums, "settings": inputs.settings,
                    "drawn outlines": inputs.drawn, "recordings": inputs.recordings}  # fmt: skip
        for family, cases in families.items():
            for case in cases():
                count += 1
                yield family, case.name, *inputs.judge(case, fresh(count))
        for ending in () if quick else endings.ENDINGS:
            count += 1
            folder = fresh(count)
            endings.prepare_all(folder, model)
            yield "endings", ending.name, *endings.run(ending, folder)


def main():
    """Print the table; 1 if anything was wrong without a word."""
    rows, wrong = {}, []
    for family, name, kind, text in campaign(quick="--quick" in sys.argv):
        row = rows.setdefault(family, dict.fromkeys(("tried", "refused", "told", "same", "ended", "wrong"), 0))
        row["tried"] += 1
        row[kind] += 1
        if kind == "wrong":
            wrong.append(f"{family}: {name}: {text}")
        if "-v" in sys.argv:
            sys.stdout.write(f"{kind:8} {family}: {name}: {text[:150]}\n")
    sys.stdout.write("| inputs | tried | refused | told | identical | ended with its code | wrong without a word |\n")
    sys.stdout.write("|---|---|---|---|---|---|---|\n")
    for family, row in (
        *rows.items(),
        ("all", {k: sum(r[k] for r in rows.values()) for k in next(iter(rows.values()))}),
    ):
        sys.stdout.write(f"| {family} | {' | '.join(str(n) for n in row.values())} |\n")
    sys.stdout.writelines(f"WRONG {line}\n" for line in wrong)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
