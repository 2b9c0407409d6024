"""Handing over a plan: all products in one folder."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lastseen.products.folder import PLAN_PROOF, SEARCH_PROOF, new_folder

if TYPE_CHECKING:
    from lastseen.plan import Plan

Progress = Callable[[str, float], None]
SEARCH_LAYERS = ("debris", "lanes", "route", "uncovered")


def write_plan(
    plan: Plan,
    folder: Path,
    *,
    overwrite: bool = False,
    animate: bool = False,
    progress: Progress = lambda _stage, _share: None,
) -> tuple[Path, ...]:
    """Write a plan: ``plan.json``, ``plan.gpkg``, ``lanes.gpx``, ``map.png``, the figures and the rasters.

    The folder appears whole or not at all. The same plan gives the same bytes. Where the debris outline was given there
    is nothing to put in a raster, and none is written.

    Parameters
    ----------
    plan : Plan
    folder : Path
        Must not exist, or be empty, or hold an older plan that may be replaced.
    overwrite : bool
        Whether an older plan may be replaced.
    animate : bool
        Whether the middle event is drawn as it moves; only where the flow ran.
    progress : callable, optional
        Called with the name of each product and the share of the whole that is done.

    Returns
    -------
    tuple of Path
        The files, by name.

    Raises
    ------
    OutputExistsError, ResourceError, InputError
        See `lastseen.products.folder.new_folder`.
    """
    from lastseen.products import figures, geopackage, gpx, mapsheet, numbers, rasters  # noqa: PLC0415  slow to import

    with new_folder(folder, overwrite=overwrite) as partial:
        progress("writing the numbers", 0.0)
        numbers.write_numbers(plan, partial / PLAN_PROOF)
        progress("writing the layers", 0.1)
        geopackage.write_geopackage(plan, partial / "plan.gpkg")
        progress("writing the rasters", 0.3)
        rasters.write_rasters(plan, partial)
        gpx.write_gpx(plan, partial / "lanes.gpx")
        progress("drawing the map", 0.4)
        mapsheet.write_map(plan, partial / "map.png")
        if plan.model is not None:
            progress("drawing the figures", 0.7)
            figures.write_profile(plan, plan.model, partial / "profile.png")
            figures.write_thickness(plan, plan.model, partial / "thickness.png")
        if animate and plan.model is not None and plan.model.events.model == "flow":
            progress("drawing the event as it moves", 0.8)
            figures.write_animation(plan, plan.model, partial / "event.gif")
        progress("done", 1.0)
        names = sorted(one.name for one in partial.iterdir())
    return tuple(folder / name for name in names)


def write_search(
    plan: Plan,
    folder: Path,
    *,
    crs: Any = None,
    overwrite: bool = False,
    progress: Progress = lambda _stage, _share: None,
) -> tuple[Path, ...]:
    """Write a search over a drawn outline: ``search.json``, ``search.gpkg``, ``lanes.gpx`` and ``map.png``.

    The folder appears whole or not at all. The same search gives the same bytes.

    Parameters
    ----------
    plan : Plan
        With ``model`` None.
    folder : Path
        Must not exist, or be empty, or hold an older search that may be replaced.
    crs : pyproj.CRS, optional
        Of the GeoPackage; the plan's own where not given.
    overwrite : bool
        Whether an older search may be replaced.
    progress : callable, optional

    Returns
    -------
    tuple of Path
        The files, by name.

    Raises
    ------
    OutputExistsError, ResourceError, InputError
        See `lastseen.products.folder.new_folder`.
    """
    from lastseen.products import geopackage, gpx, mapsheet, numbers  # noqa: PLC0415  slow to import

    with new_folder(folder, overwrite=overwrite, proof=SEARCH_PROOF) as partial:
        progress("writing the numbers", 0.0)
        text = numbers.numbers_text(numbers.search_numbers(plan))
        (partial / SEARCH_PROOF).write_text(text, encoding="utf-8", newline="\n")
        progress("writing the layers", 0.1)
        geopackage.write_geopackage(plan, partial / "search.gpkg", only=SEARCH_LAYERS, crs=crs)
        gpx.write_gpx(plan, partial / "lanes.gpx")
        progress("drawing the map", 0.4)
        mapsheet.write_map(plan, partial / "map.png")
        progress("done", 1.0)
        names = sorted(one.name for one in partial.iterdir())
    return tuple(folder / name for name in names)
