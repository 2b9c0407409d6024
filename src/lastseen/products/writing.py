"""Handing over a plan: all products in one folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from lastseen.products.folder import SEARCH_MARKER, new_folder
from lastseen.products.kinds import KINDS, Progress, write_kinds

if TYPE_CHECKING:
    from lastseen.plan import Plan

ALWAYS = tuple(one for one in KINDS if one.always)


def write_plan(
    plan: Plan,
    folder: Path,
    *,
    overwrite: bool = False,
    animate: bool = False,
    progress: Progress = lambda _stage, _share: None,
) -> tuple[Path, ...]:
    """Write a plan: every kind of product that is always there (`lastseen.products.kinds`), and the figures.

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
    from lastseen.products import figures  # noqa: PLC0415  slow to import
    from lastseen.products.contents import contents_of  # noqa: PLC0415

    with new_folder(folder, overwrite=overwrite) as partial:
        progress("gathering what the plan contains", 0.0)
        contents = contents_of(plan)
        write_kinds(ALWAYS, contents, partial, progress=lambda stage, share: progress(stage, 0.7 * share))
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
    """Write a search over a drawn outline: what is always there, of what it has to say.

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
    from lastseen.products.contents import contents_of  # noqa: PLC0415

    with new_folder(folder, overwrite=overwrite, marker=SEARCH_MARKER) as partial:
        progress("gathering what the search contains", 0.0)
        contents = contents_of(plan, search_only=True, file_crs=crs)
        write_kinds(ALWAYS, contents, partial, progress=progress)
        progress("done", 1.0)
        names = sorted(one.name for one in partial.iterdir())
    return tuple(folder / name for name in names)
