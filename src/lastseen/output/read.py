"""Folders read back: the result of any job, and what other jobs need of them."""

from __future__ import annotations

import json
import math
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import rasterio
import shapely
from pyproj import CRS
from shapely import LineString, MultiPolygon, line_merge

from lastseen.core import Grid, InputError, LastseenError, keep_areas, move_shapes, parse_crs, read_outline
from lastseen.jobs import (
    MARGIN_M,
    MARGIN_SHARE,
    DepositModel,
    Difficulty,
    Mark,
    PlannedLeg,
    PlannedSearch,
    SiteFrame,
    StakeOut,
    Target,
    TargetPlan,
    WalkedLeg,
    exercise_of,
    find_flow_deg,
    plan_rescue,
)
from lastseen.output.draw.palette import load_palette
from lastseen.output.formats.sld import layer_styles
from lastseen.output.result import (
    MARKERS,
    SHORT_CAUTION,
    STEMS,
    ColumnKind,
    Job,
    Layer,
    Raster,
    Result,
    make_columns,
    travel_of_numbers,
)
from lastseen.output.results.layers import PLAN_LAYERS, SEARCH_LAYERS
from lastseen.output.write import restore_leftovers
from lastseen.rescue import Travel
from lastseen.search import Leg
from lastseen.snow import OutlineMatch, compare_outline

if TYPE_CHECKING:
    from geopandas import GeoDataFrame

_RASTERS = ("ground", "poa", "debris_probability", "debris_thickness", "peak_speed")  # those of a plan come first
_KINDS: dict[str, ColumnKind] = {"i": "integer", "u": "integer", "f": "real"}


def read_result(folder: Path) -> Result:
    """Read the folder of a job back; what is read is what was written.

    Of a plan and of a drawn search the products can be made again, of other jobs all formats.

    InputError if the marker of a job or its GeoPackage is missing, or a file cannot be read.
    """
    restore_leftovers(folder)
    found = (job for job, marker in MARKERS.items() if job != "terrain" and (folder / marker).is_file())
    job: Job = next(found, "plan")
    if job != "plan" and job != "search":  # noqa: PLR1714  the type is narrowed by it
        return _read_other(folder, job)
    numbers = read_whole_numbers(folder)
    try:
        crs = parse_crs(numbers["grid"]["crs"])
        layers, file_crs = _read_plan_layers(folder / f"{job}.gpkg", crs)
        rasters = _read_rasters(folder)
    except (OSError, KeyError, TypeError, ValueError, LastseenError) as error:
        raise InputError(f"{folder} holds no plan that can be read ({error}): make it again") from error
    if "ground" not in rasters:
        raise InputError(f"{folder} holds no ground.tif, an older version wrote it: make the plan again")
    from lastseen.output.results.plan import build_result  # noqa: PLC0415  slow to import

    layers = layers if job == "plan" else {name: layers[name] for name in SEARCH_LAYERS}
    result = build_result(job, numbers, layers, rasters, crs=crs, file_crs=file_crs)
    return result if "rescue" in numbers else _add_rescue(result)


def _add_rescue(result: Result) -> Result:
    """A result of an older version, which did not write clock, digging and probing."""
    from lastseen.output.results.plan import rescue_numbers  # noqa: PLC0415  slow to import

    numbers = result.numbers
    names = [field.name for field in fields(Leg) if field.name != "line"]
    burial = (numbers.get("poa") or {}).get("burial") or {}
    rescue = plan_rescue(
        [
            Leg(line=LineString(line.coords), **{name: row[name] for name in names})
            for line, row in result.records("route")
        ],
        _searched(result),
        result.ground,
        searchers=int(numbers["search"]["searchers"]),
        strip_width_m=float(numbers["coverage"]["strip_width_m"]),
        coverage=float(numbers["coverage"]["fraction"]),
        travel=travel_of_numbers(numbers),
        first_signal_s=_first_signal_s(numbers),
        buried_p50_m=burial.get("fully_p50_m"),
        zones=[(zone["poa"], zone["slope_deg"]) for zone in numbers.get("zones") or ()],
    )
    return replace(result, numbers={**numbers, "rescue": rescue_numbers(rescue)})


def _first_signal_s(numbers: Mapping[str, Any]) -> tuple[float, ...] | None:
    """First signal of the simulated searches since the first step on the debris; None where it is not known."""
    trial = next(iter(numbers["search"]["trials"]), None)
    if trial is None or "approach_s" not in trial or trial["first_signal_s"]["p50"] is None:
        return None
    return tuple(float(trial["first_signal_s"][key]) for key in ("p10", "p50", "p90"))


def _read_other(folder: Path, job: Job) -> Result:
    import pyogrio  # noqa: PLC0415  slow to import

    try:
        numbers = json.loads((folder / MARKERS[job]).read_text(encoding="utf-8"))
        path = folder / f"{STEMS.get(job, job)}.gpkg"
        crs = CRS.from_user_input(pyogrio.read_info(path, layer=str(pyogrio.list_layers(path)[0, 0]))["crs"])
        layers = {layer.name: layer for layer in _read_layers(path)}
        run = pyogrio.read_dataframe(path, layer="run", read_geometry=False)
        rasters = _read_rasters(folder)
    except (OSError, KeyError, TypeError, ValueError, LastseenError, pyogrio.errors.DataSourceError) as error:
        raise InputError(f"{folder} cannot be read ({error}): make it again") from error
    return Result(
        job=job,
        numbers=numbers,
        layers=layers,
        rasters=rasters,
        run=tuple(zip(run["key"], run["value"], strict=True)),
        styles=layer_styles(load_palette(), searchers=1) if job == "traps" else {},
        default=("json", "gpkg", "cog"),
        crs=crs,
    )


def _read_layers(path: Path) -> Iterator[Layer]:
    """The layers of a GeoPackage as they describe themselves; what columns mean is not in the file."""
    import pyogrio  # noqa: PLC0415  slow to import

    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as data:
        rows = data.execute(
            "SELECT table_name, identifier, description FROM gpkg_contents WHERE data_type = 'features'"
        ).fetchall()
    for name, title, about in rows:
        info = pyogrio.read_info(path, layer=name)
        kinds = zip(info["fields"], info["dtypes"], strict=True)
        empty = Layer(
            name=name,
            title=title,
            about=about.removesuffix(f" {SHORT_CAUTION}"),
            geometry=info["geometry_type"],
            columns=make_columns([(column, _KINDS.get(dtype[:1], "text"), "") for column, dtype in kinds]),
        )
        yield _fill(empty, pyogrio.read_dataframe(path, layer=name))


def _read_plan_layers(path: Path, crs: Any) -> tuple[dict[str, Layer], Any]:
    """Layers of a plan in map metres of ``crs``, and the CRS of the file where it is another one."""
    import pyogrio  # noqa: PLC0415  slow to import

    if not path.is_file():
        raise InputError(f"{path.name} is missing")
    layers, file_crs = dict(PLAN_LAYERS), None
    for name in {str(name) for name in pyogrio.list_layers(path)[:, 0]} & set(PLAN_LAYERS):
        table = pyogrio.read_dataframe(path, layer=name)
        if not crs.equals(table.crs):
            file_crs = table.crs
            table = table.set_geometry(move_shapes(np.asarray(table.geometry), CRS(file_crs), crs), crs=crs)
        layers[name] = _fill(PLAN_LAYERS[name], table)
    return layers, file_crs


def _fill(empty: Layer, table: GeoDataFrame) -> Layer:
    columns = [[column.plain(value) for value in table[column.name]] for column in empty.columns]
    return replace(empty, shapes=tuple(table.geometry), rows=tuple(zip(*columns, strict=True)) if len(table) else ())


def _read_rasters(folder: Path) -> dict[str, Raster]:
    """The rasters of a folder by name, as they were written; those of a plan in their order."""
    order = {name: number for number, name in enumerate(_RASTERS)}
    paths = sorted(folder.glob("*.tif"), key=lambda path: (order.get(path.stem, len(order)), path.name))
    return {path.stem: _read_raster(path) for path in paths}


def _read_raster(path: Path) -> Raster:
    with rasterio.open(path) as data:
        values = data.read().astype(np.float64)
        values[values == data.nodata] = np.nan
        crs, t = CRS.from_user_input(data.crs), data.transform
        bands = tuple(Grid(value, t.c, t.f, t.a, crs) for value in values)
        return Raster(bands=bands, descriptions=tuple(data.descriptions), units=tuple(data.units))


def read_numbers(folder: Path) -> dict[str, Any]:
    """The numbers alone: ``plan.json`` or ``search.json`` of a folder.

    InputError if there is neither, or it cannot be read.
    """
    restore_leftovers(folder)
    paths = [folder / MARKERS[job] for job in ("plan", "search")]
    path = next((path for path in paths if path.is_file()), None)
    if path is None:
        names = " and no ".join(path.name for path in paths)
        raise InputError(f"{folder} holds no {names}: name the folder of a plan or of a search")
    try:
        numbers: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        _ = numbers["grid"]
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise InputError(f"{path} is no plan that can be read ({error}): make it again") from error
    return numbers


def read_whole_numbers(folder: Path) -> dict[str, Any]:
    """The numbers of a folder with all that sheets and summaries need.

    InputError as in `read_numbers`, and for a plan of an older version that lacks some of it.
    """
    numbers = read_numbers(folder)
    if numbers.get("model") and not ("events" in numbers and "persons" in numbers):
        raise InputError(
            f"{folder} was written by an older version, which did not say how its events ended and where all persons "
            "lie: make the plan again"
        )
    if "debris" in numbers:
        numbers["debris"].setdefault("whole", True)  # a drawn search of an older version
    return numbers


@dataclass(frozen=True, kw_only=True)
class PlannedWalk:
    """What the clock needs of a plan."""

    legs: tuple[WalkedLeg, ...]
    strip_width_m: float
    searchers: int
    travel: Travel
    first_signal_s: tuple[float, ...] | None  # as `time_legs` takes it


def read_walk(folder: Path) -> PlannedWalk:
    """The walk of a plan or a drawn search, for the clock.

    InputError if there is no plan, or it cannot be read.
    """
    numbers, lengths = read_numbers(folder), ("length_m", "time_s", "slope_deg")
    try:
        legs = tuple(
            WalkedLeg(searcher=int(leg["searcher"]), kind=leg["kind"], **{key: float(leg[key]) for key in lengths})
            for leg in numbers["route"]
        )
        return PlannedWalk(
            legs=legs,
            strip_width_m=float(numbers["coverage"]["strip_width_m"]),
            searchers=max(leg.searcher for leg in legs),
            travel=travel_of_numbers(numbers),
            first_signal_s=_first_signal_s(numbers),
        )
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(f"{folder} holds no plan that can be read ({error}): make it again") from error


def read_planned(folder: Path) -> PlannedSearch:
    """A plan or a drawn search for a drill: outline, walk, probability of area, and the ground it lies on.

    InputError as in `read_result`.
    """
    return planned_of(read_result(folder), folder.name)


def planned_of(result: Result, name: str) -> PlannedSearch:
    """What a drill needs of a plan; ``name`` is taken where the plan has none."""
    numbers, legs, outline = result.numbers, _legs(result), _searched(result)
    west, south, east, north = shapely.total_bounds([outline, *(leg.line for leg in legs)]).tolist()
    rim = max(MARGIN_M, MARGIN_SHARE * max(east - west, north - south))  # sheets show more than the outline
    last_seen = numbers.get("last_seen")
    return PlannedSearch(
        name=str(numbers["name"] or name),
        crs=result.crs,
        outline=outline,
        ground=result.ground.window(west - rim, south - rim, east + rim, north + rim),
        poa=result.rasters["poa"].bands[0] if "poa" in result.rasters else None,
        legs=legs,
        strip_width_m=float(numbers["coverage"]["strip_width_m"]),
        coverage=float(numbers["coverage"]["fraction"]),
        flat=bool(numbers.get("flat", False)),
        travel=travel_of_numbers(numbers),
        last_seen_m=(float(last_seen["x_m"]), float(last_seen["y_m"])) if last_seen else None,
        declination_deg=numbers["search"].get("declination_deg"),
        date=numbers["search"].get("date"),
    )


def _searched(result: Result) -> MultiPolygon:
    return keep_areas(shapely.union_all([shape for shape, row in result.records("debris") if row["searched"]]))


def _legs(result: Result) -> tuple[PlannedLeg, ...]:
    keys = ("searcher", "number", "kind", "lane", "length_m", "time_s", "slope_deg")
    legs = result.records("route")
    rows = (PlannedLeg(line=LineString(line.coords), **{key: leg[key] for key in keys}) for line, leg in legs)
    return tuple(sorted(rows, key=lambda leg: (leg.searcher, leg.number)))


def compare_with_observed(folder: Path, observed: Path) -> OutlineMatch:
    """The debris of a plan held against an observed outline from any vector file.

    InputError as in `read_result` and `read_outline`, and where the folder holds no plan with a model.
    """
    if not (folder / MARKERS["plan"]).is_file():
        raise InputError(f"{folder} holds no {MARKERS['plan']}: name the folder of a plan")
    result = read_result(folder)
    release = result.numbers.get("release")
    if not release or "debris_probability" not in result.rasters:
        raise InputError(f"the plan in {folder} was laid over a drawn outline: there is no modelled debris to compare")
    x, y = release["top_m"]
    outline = read_outline(observed, result.crs, "observed")
    return compare_outline(result.rasters["debris_probability"].bands[0], _searched(result), outline, (x, y))


def read_site(folder: Path, number: int) -> tuple[SiteFrame, dict[str, Any]]:
    """A site that was written by ``lastseen drill sites``: where it lies, and all that was said about it.

    InputError if there is no such folder or no such site.
    """
    marker = MARKERS["sites"]
    path = folder / marker
    if not path.is_file():
        raise InputError(f"{folder} holds no {marker}: name a folder that lastseen drill sites has written")
    try:
        numbers = json.loads(path.read_text(encoding="utf-8"))
        sites = {int(site["number"]): site for site in numbers["sites"]}
        if number not in sites:
            raise InputError(f"{path} has no site {number}: choose one of {', '.join(map(str, sites))}")
        site, corners = sites[number], np.array(sites[number]["corners_m"], float)
        x, y = corners.mean(axis=0).tolist()
        frame = SiteFrame(
            middle_m=(x, y),
            downhill_deg=float(site["downhill_deg"]),
            width_m=math.dist(corners[0], corners[1]),
            height_m=math.dist(corners[1], corners[2]),
            crs=CRS.from_user_input(numbers["grid"]["crs"]),
        )
    except (OSError, KeyError, TypeError, ValueError, IndexError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{path} cannot be read ({error}): make it again") from error
    return frame, site


def read_reach(folder: Path) -> Grid | None:
    """Share of frictions with which a body passes, as ``lastseen drill sites`` wrote it; None where it is missing."""
    path = folder / "reach.tif"
    return _read_raster(path).bands[0] if path.is_file() else None


def read_debris(folder: Path) -> DepositModel:
    """The debris of a plan: mean thickness, outline, and the direction of the main path inside it.

    InputError if the folder is no plan with a model, or cannot be read.
    """
    if not all((folder / name).is_file() for name in (MARKERS["plan"], "debris_thickness.tif", "plan.gpkg")):
        raise InputError(f"{folder} is no plan with debris thickness: name a folder that lastseen plan has written")
    result = read_result(folder)
    thickness, outline = result.rasters["debris_thickness"].bands[0], _searched(result)
    paths = [shape for shape, row in result.records("flow_paths") if row["kind"] == "main"]
    if not paths:
        raise InputError(f"the plan in {folder} cannot be read (no main path): make it again")
    return DepositModel(
        thickness_m=thickness.with_values(np.nan_to_num(thickness.values)),
        outline=outline,
        flow_deg=find_flow_deg(cast("LineString", line_merge(paths[0])), outline),
        name=result.numbers.get("name") or folder.name,
    )


def read_targets(folder: Path) -> TargetPlan:
    """Hidden targets from the folder of ``lastseen drill targets``.

    InputError if there are none, or they cannot be read.
    """
    path = folder / MARKERS["targets"] if folder.is_dir() else folder
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        rows = document["targets"]
        a, b = (Mark(**mark) for mark in document["marks"])
        return TargetPlan(
            exercise_name=document["exercise_name"],
            exercise=exercise_of(document["exercise"], path.name),
            seed=int(document["seed"]),
            targets=tuple(Target(**{key: row[key] for key in Target.__dataclass_fields__}) for row in rows),
            difficulty=tuple(_difficulty(row["difficulty"]) for row in rows if row["difficulty"]),
            marks=(a, b),
            stakes=tuple(StakeOut(**row["stake_out"]) for row in rows),
            order=tuple(document["hide_order"]),
        )
    except (OSError, KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"{path} holds no targets that can be read ({error}): name the folder of lastseen drill targets"
        ) from error


def _difficulty(raw: dict[str, Any]) -> Difficulty:
    times = tuple(math.nan if time is None else float(time) for time in raw["first_signal_s"])
    near = math.inf if raw["neighbour_m"] is None else raw["neighbour_m"]
    return Difficulty(**{**raw, "first_signal_s": times, "neighbour_m": near})
