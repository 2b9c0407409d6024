"""Machines that fail a command: full disks, closed streams, deleted folders, options that cannot be.

A case starts the command line in a process of its own, with a limit or a place that is broken, and says with what code
it must end. The last line of standard error is one sentence that starts with the name of the program, never
"unexpected"; beside the output nothing is left, hidden or not.
"""

import os
import resource
import subprocess
import sys
from dataclasses import dataclass, field

import geopandas
import numpy as np
import rasterio
from affine import Affine
from shapely.geometry import box

from faults.inputs import BENCH

TIME_S = 240


@dataclass(frozen=True, kw_only=True)
class Ending:
    """One command on a machine that fails it."""

    name: str
    words: tuple  # of the command line; {d} is the folder of the case, {clean} the clean model, {area} a debris outline
    code: tuple  # exit codes that are right
    limits: dict = field(default_factory=dict)  # of the process, by name in `resource`
    prepare: object = None  # called with the folder before
    streams: dict = field(
        default_factory=dict
    )  # file descriptors that are closed or full: 1 or 2 to "closed" or "full"
    folder: str = ""  # where it runs, in the folder of the case; "gone" is deleted meanwhile
    environment: dict = field(default_factory=dict)
    says: str = ""


STRIPS = ("strips", "{area}", "--dem", "{clean}", "-q", "-o")
LINE = ("strips", "{area}", "-q", "-o")


def _file_at(name):
    return lambda folder: (folder / name).write_text("x", encoding="utf-8")


def _raster(transform=None, value=None):
    """A model with a broken place or heights."""

    def prepare(folder):
        with rasterio.open(folder / "clean.tif") as data:
            z, profile = data.read(1), data.profile
        profile.update(transform=transform or profile["transform"])
        if value is not None:
            z[:] = value
        with rasterio.open(folder / "broken.tif", "w", **profile) as out:
            out.write(z, 1)

    return prepare


def _cut_off(folder):
    """A file that breaks off."""
    data = (folder / "clean.tif").read_bytes()
    (folder / "broken.tif").write_bytes(data[: len(data) // 2])


BROKEN = ("strips", "{area}", "--dem", "{d}/broken.tif", "-q", "-o", "{d}/out")
KB = 1024
ENDINGS = [
    Ending(name="clean", words=(*LINE, "{d}/out"), code=(0,)),
    Ending(name="file size limit", words=(*LINE, "{d}/out"), code=(6,), limits={"RLIMIT_FSIZE": 24 * KB}),
    Ending(name="too many open files", words=(*STRIPS, "{d}/out"), code=(6,), limits={"RLIMIT_NOFILE": 12}),
    Ending(name="standard error closed", words=(*LINE, "{d}/out"), code=(0,), streams={2: "closed"}),
    Ending(name="standard output closed", words=("strips", "{area}", "-o", "{d}/out"), code=(0, 6),
           streams={1: "closed"}),
    Ending(name="standard output full", words=("inspect", "{clean}"), code=(6,), streams={1: "full"}),
    Ending(name="help into a full disk", words=("--help",), code=(6,), streams={1: "full"}),
    Ending(name="json into a full disk", words=("inspect", "{clean}", "--json"), code=(6,), streams={1: "full"}),
    Ending(name="standard error full", words=(*LINE, "{d}/out"), code=(0,), streams={2: "full"}),
    Ending(name="working folder gone", words=(*LINE, "out"), code=(3,), folder="gone"),
    Ending(name="working folder gone, whole paths", words=(*LINE, "{d}/out"), code=(0, 3), folder="gone"),
    Ending(name="cache folder is a file", words=(*LINE, "{d}/out"), code=(0, 6), prepare=_file_at("cache"),
           environment={"NUMBA_CACHE_DIR": "{d}/cache/numba"}),
    Ending(name="output under a file", words=(*LINE, "{d}/file/out"), code=(3, 5), prepare=_file_at("file")),
    Ending(name="output is a file", words=(*LINE, "{d}/file"), code=(5,), prepare=_file_at("file")),
    Ending(name="output of too long a name", words=(*LINE, "{d}/" + "x" * 300), code=(3,)),
    Ending(name="output with a line break", words=(*LINE, "{d}/out\nput"), code=(3,)),
    Ending(name="output of a name that is no text", words=(*LINE, "{d}/out\udcff"), code=(0, 3)),
    Ending(name="output in a folder of the system", words=(*LINE, "/proc/out"), code=(3,)),
    Ending(name="cells of nothing", words=BROKEN, code=(3,),
           prepare=_raster(Affine(0.0, 0.0, 560000.0, 0.0, 0.0, 73e5))),
    Ending(name="cells of no number", words=BROKEN, code=(3,),
           prepare=_raster(Affine(np.nan, 0.0, 560000.0, 0.0, -2.0, 73e5))),
    Ending(name="cells of infinite size", words=BROKEN, code=(3,),
           prepare=_raster(Affine(2.0, 0.0, np.inf, 0.0, -2.0, 73e5))),
    Ending(name="file that breaks off", words=BROKEN, code=(3,), prepare=_cut_off),
    Ending(name="no heights", words=BROKEN, code=(0, 3), prepare=_raster(value=np.nan)),
    Ending(name="date of no day", words=(*LINE, "{d}/out", "--date", "2027-02-31"), code=(3,)),
    Ending(name="strip of no width", words=(*LINE, "{d}/out", "--strip-width", "nan"), code=(3,)),
    Ending(name="start nowhere", words=(*LINE, "{d}/out", "--start", "nowhere"), code=(3,)),
    Ending(name="unknown entry", words=(*LINE, "{d}/out", "--entry", "sideways"), code=(3,)),
    Ending(name="inspect of nothing", words=("inspect", "{d}/not there.tif"), code=(3,)),
    Ending(name="inspect of a folder", words=("inspect", "{d}"), code=(3,)),
    Ending(name="point off the model", code=(3,),
           words=("plan", "{clean}", "--at", "10.000000,45.000000", "-o", "{d}/out")),
]  # fmt: skip


def prepare_all(folder, model):
    """What all cases use: the clean model and a debris outline."""
    (folder / "clean.tif").write_bytes(model.read_bytes())
    x, y = BENCH
    geopandas.GeoSeries([box(x - 30, y - 20, x + 30, y + 20)], crs="EPSG:32631").to_file(folder / "area.geojson")


def _limits(limits):
    def apply():
        for name, value in limits.items():
            resource.setrlimit(getattr(resource, name), (value, value))

    return apply


def run(ending, folder):
    """Start the command; gives (kind, sentence), where kind is ``ended`` or ``wrong``."""
    if ending.prepare:
        ending.prepare(folder)
    names = {"d": str(folder), "clean": str(folder / "clean.tif"), "area": str(folder / "area.geojson")}
    words = [word.format(**names) if "{" in word else word for word in ending.words]
    environment = os.environ | {key: value.format(**names) for key, value in ending.environment.items()}
    environment["PYTHONPATH"] = os.pathsep.join(filter(None, sys.path))
    code = "from lastseen.cli import main; main()"
    if ending.folder == "gone":
        (folder / "gone").mkdir()
        code = f"import os; os.chdir({str(folder / 'gone')!r}); os.rmdir({str(folder / 'gone')!r}); {code}"
    streams = {1: subprocess.PIPE, 2: subprocess.PIPE}
    opened = []
    for number, state in ending.streams.items():
        if state == "full":
            streams[number] = os.open("/dev/full", os.O_WRONLY)
            opened.append(streams[number])
    closed = [number for number, state in ending.streams.items() if state == "closed"]
    if closed:
        code = f"import os; [os.close(k) for k in {closed}]; {code}"
    before = {path.name for path in folder.iterdir()}
    try:
        done = subprocess.run(
            [sys.executable, "-B", "-c", code, *words], stdout=streams[1], stderr=streams[2], timeout=TIME_S,
            env=environment, preexec_fn=_limits(ending.limits), check=False, cwd=folder,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return "wrong", f"not over after {TIME_S} s"
    finally:
        for stream in opened:
            os.close(stream)
    error = (done.stderr or b"").decode(errors="replace").strip()
    last = error.splitlines()[-1] if error else ""
    left = (
        {path.name for path in folder.iterdir()}
        - before
        - ({"out"} if done.returncode == 0 or ending.streams else set())
    )
    left = {name for name in left if done.returncode != 0 or name.startswith(".")}
    if done.returncode not in ending.code:
        return "wrong", f"code {done.returncode}: {error[-400:]}"
    if "unexpected" in error or "Traceback" in error or "Exception ignored" in error:
        return "wrong", error[-400:]
    if done.returncode and 2 not in ending.streams and not last.startswith("lastseen: "):
        return "wrong", f"no sentence: {error[-400:]}"
    if left:
        return "wrong", f"left behind: {sorted(left)}"
    return "ended", f"{done.returncode} {last}"
