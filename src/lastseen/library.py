"""The package as a library: a question in, an answer out, files written.

Every answer is what the command of the same job works out; `write` hands it over as that command does. Nothing here
computes: each function calls one job.

Examples
--------
>>> import lastseen
>>> question = lastseen.read_scenario("bowl.toml")  # doctest: +SKIP
>>> plan = lastseen.make_plan(question)  # doctest: +SKIP
>>> lastseen.write(plan, "plan")  # doctest: +SKIP
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from lastseen import jobs, output
from lastseen.core import InputError, LonLat, Progress, Scenario, no_progress, shared_folder, to_lonlat
from lastseen.rescue import DEFAULT_CURVE
from lastseen.terrain import ElevationReport, inspect_ground, open_elevation

Answer = (
    jobs.Plan
    | jobs.TrapView
    | jobs.TerrainView
    | jobs.LineView
    | jobs.AreaView
    | jobs.SiteView
    | jobs.PracticeDeposit
    | jobs.TargetPlan
    | jobs.Debrief
)


def demo_file(name: str) -> Path:
    """Path of a file of Mount Ysterra, the invented mountain: ``ysterra.tif``, ``bowl.toml`` or ``bench.toml``.

    Raises
    ------
    InputError
        If there is no file of that name.
    """
    path = shared_folder("demo") / name
    if not path.is_file():
        raise InputError(f"the demo has no file '{name}': choose from {', '.join(_demo_names())}")
    return path


def _demo_names() -> list[str]:
    return sorted(path.name for path in shared_folder("demo").iterdir() if path.suffix in {".tif", ".toml"})


def lay_search(scenario: Scenario, *, no_go: str | Path | None = None, progress: Progress = no_progress) -> jobs.Plan:
    """Lay a signal search over a drawn outline, without a model: ``lastseen strips``.

    Parameters
    ----------
    scenario : Scenario
        ``search.debris`` names the file of the outline. Without ``elevation`` the ground is taken as flat.
    no_go : path, optional
        File with ground that nobody may walk on.

    Raises
    ------
    InputError, ResourceError
    """
    return jobs.plan_drawn_search(scenario, no_go=Path(no_go) if no_go else None, progress=progress)


def find_traps(scenario: Scenario, *, progress: Progress = no_progress) -> jobs.TrapView:
    """Find terrain traps and start zones: those of the last-seen point, or of a whole model: ``lastseen traps``.

    Raises
    ------
    InputError, NothingFoundError, ResourceError
    """
    return jobs.view_traps(scenario, progress)


def inspect_elevation(dem: Sequence[str | Path], *, z_unit: str | None = None) -> ElevationReport:
    """What is doubtful about the heights of a whole model: ``lastseen inspect``. Refuses nothing.

    Raises
    ------
    InputError
    """
    return inspect_ground(open_elevation(tuple(map(Path, dem)), None, z_unit))


def read_terrain(dem: Sequence[str | Path], *, drainage: bool = True, z_unit: str | None = None) -> jobs.TerrainView:
    """Ground layers of a whole elevation model: ``lastseen terrain``. They are worked out while they are written.

    Raises
    ------
    InputError
    """
    return jobs.view_terrain(open_elevation(tuple(map(Path, dem)), None, z_unit), drainage=drainage)


def read_line(
    scenario: Scenario, line: str | Path, *, members: int = jobs.MEMBERS, progress: Progress = no_progress
) -> jobs.LineView:
    """Read a line of travel stretch by stretch: ``lastseen preread --line``.

    Parameters
    ----------
    scenario : Scenario
        Elevation, snow and ground layers; a last-seen point is not needed.
    line : path
        Any vector file with a line, such as GPX.
    members : int
        Events of the ensemble, 4 to 63.

    Raises
    ------
    InputError, NothingFoundError, ResourceError
    """
    return jobs.view_line(scenario, Path(line), members, progress)


def read_area(
    scenario: Scenario,
    folder: str | Path,
    *,
    area: str = "all",
    members: int = jobs.MEMBERS,
    progress: Progress = no_progress,
) -> jobs.AreaView:
    """Read an area tile by tile: ``lastseen preread --area``.

    Parameters
    ----------
    folder : path
        Where the reading will be written: finished tiles are kept beside it, so that a run that was killed goes on.
    area : str
        File with the outline of the area, or ``all``.

    Raises
    ------
    InputError, NothingFoundError, ResourceError
    """
    return jobs.view_area(scenario, Path(folder), area=area, members=members, progress=progress)


def find_sites(
    scenario: Scenario,
    request: jobs.SiteRequest | None = None,
    *,
    near: LonLat | None = None,
    progress: Progress = no_progress,
) -> jobs.SiteView:
    """Find and rank ground for practice that no start zone in this model reaches: ``lastseen drill sites``.

    Raises
    ------
    InputError, NothingFoundError, ResourceError
    """
    return jobs.view_sites(scenario, request or jobs.SiteRequest(), near, progress)


def lay_deposit(
    dem: Sequence[str | Path],
    sites: str | Path,
    site: int = 1,
    *,
    size: int | None = None,
    like: str | Path | None = None,
    seed: int = 1,
    **machine: Any,
) -> jobs.PracticeDeposit:
    """Lay a deposit to practise on over a site: ``lastseen drill deposit``.

    Parameters
    ----------
    sites : path
        Folder that `find_sites` was written to.
    site : int
        Number of the site in it.
    size, like : int or path
        A destructive size, 1 to 4, or the folder of a plan whose deposit is laid.
    **machine
        ``snow_m`` and ``left_m`` (snow that lies there and that the machine leaves, m), ``packing``, ``stake_m``,
        ``name``.

    Raises
    ------
    InputError
        If not exactly one of size and like is given, or a file cannot be used.
    """
    if (size is None) == (like is None):
        raise InputError("say what the deposit stands for: either a size, 1 to 4, or the folder of a plan")
    frame, record = output.read_site(Path(sites), site)
    usual = {"snow_m": jobs.SNOW_M, "left_m": jobs.LEFT_M, "packing": jobs.PACKING, "stake_m": None, "name": None}
    return jobs.lay_deposit(
        open_elevation(tuple(map(Path, dem)), to_lonlat(*frame.middle_m, frame.crs), None),
        frame,
        record,
        like=output.read_debris(Path(like)) if like else int(size or 0),
        reach=output.read_reach(Path(sites)),
        seed=seed,
        **(usual | machine),
    )


def hide_targets(plan: str | Path, exercise: str, *, seed: int = 1) -> jobs.TargetPlan:
    """Hide targets in the debris of a plan: ``lastseen drill targets``. Dummies only.

    Parameters
    ----------
    plan : path
        Folder of a plan or of a search over a drawn outline.
    exercise : str
        Name of a published exercise; ``lastseen drill exercises`` lists them.

    Raises
    ------
    InputError
    """
    return jobs.plan_targets(output.read_planned(Path(plan)), jobs.find_exercise(exercise), seed, name=exercise)


def debrief(
    plan: str | Path,
    tracks: Sequence[str | Path],
    *,
    log: str | Path | None = None,
    targets: str | Path | None = None,
    gps_error_m: float = jobs.GPS_ERROR_M,
    shifts_s: Mapping[str, float] | None = None,
    curve: str = DEFAULT_CURVE,
) -> jobs.Debrief:
    """Say what recorded tracks covered of a plan: ``lastseen debrief``.

    Parameters
    ----------
    plan : path
        Folder of a plan or of a search over a drawn outline.
    tracks : sequence of path
        Recorded tracks, GPX 1.0 or 1.1.
    log : path, optional
        Noted times, CSV.
    targets : path, optional
        Folder that `hide_targets` was written to.
    gps_error_m : float
        Radius that holds a fix two times in three.
    shifts_s : mapping of str to float, optional
        Seconds by which the clock of a track is moved, by its name.

    Raises
    ------
    InputError
    """
    return jobs.debrief(
        output.read_planned(Path(plan)),
        [track for path in tracks for track in jobs.read_tracks(Path(path))],
        log=jobs.read_log(Path(log)) if log else (),
        targets=output.read_targets(Path(targets)).targets if targets else (),
        gps_error_m=gps_error_m,
        shifts_s=shifts_s,
        curve=curve,
    )


def result_of(answer: Answer, *, plan: str | Path | None = None) -> output.Result:
    """The answer as it is handed over: numbers, layers, rasters, tables, figures.

    Parameters
    ----------
    plan : path
        For hidden targets: the folder of the plan that they are hidden in.

    Raises
    ------
    InputError
        If it is no answer of this package, or the plan is missing.
    """
    if isinstance(answer, jobs.TargetPlan):
        if plan is None:
            raise InputError("hidden targets are handed over with their plan: name its folder")
        return output.result_of_targets(output.read_planned(Path(plan)), answer)
    if isinstance(answer, jobs.Plan):
        return output.result_of_plan(answer) if answer.model is not None else output.result_of_search(answer)
    for kind, build in _BUILDERS.items():
        if isinstance(answer, kind):
            return build(answer)
    raise InputError(f"a {type(answer).__name__} is no answer that can be handed over")


_BUILDERS: dict[type, Callable[[Any], output.Result]] = {
    jobs.TrapView: output.result_of_traps,
    jobs.TerrainView: output.result_of_terrain,
    jobs.LineView: output.result_of_line,
    jobs.AreaView: output.result_of_area,
    jobs.SiteView: output.result_of_sites,
    jobs.PracticeDeposit: output.result_of_deposit,
    jobs.Debrief: output.result_of_debrief,
}


def write(
    answer: Answer,
    folder: str | Path,
    *,
    plan: str | Path | None = None,
    formats: Sequence[str] = (),
    overwrite: bool = False,
    progress: Progress = no_progress,
) -> tuple[Path, ...]:
    """Write an answer into a folder, whole or not at all; the same files as the command writes.

    Parameters
    ----------
    plan : path
        For hidden targets: the folder of the plan that they are hidden in.
    formats : sequence of str
        More formats than the job writes by default, such as ``geojson`` or ``parquet``.
    overwrite : bool
        Whether an older result of the same job may be replaced.

    Returns
    -------
    tuple of Path
        The files, by name.

    Raises
    ------
    InputError, OutputExistsError, ResourceError
    """
    result = result_of(answer, plan=plan)
    files = output.write_result(result, Path(folder), overwrite=overwrite, progress=progress)
    if formats:
        files += output.add_formats(result, formats, Path(folder))
    return tuple(dict.fromkeys(files))


def describe(answer: Answer, folder: str | Path, *, plan: str | Path | None = None) -> str:
    """The answer in plain text, as the command prints it after writing it.

    Parameters
    ----------
    folder : path
        Where it was written.
    plan : path
        For hidden targets: the folder of the plan that they are hidden in.

    Raises
    ------
    InputError
        If there is no text for it, or the plan is missing.
    """
    where = Path(folder)
    if isinstance(answer, jobs.TargetPlan):
        if plan is None:
            raise InputError("hidden targets are described with their plan: name its folder")
        return output.targets_text(output.read_planned(Path(plan)), answer, where)
    if isinstance(answer, jobs.Plan):
        return output.plan_summary(result_of(answer).numbers, where)
    for kind, text in _TEXTS.items():
        if isinstance(answer, kind):
            return text(answer, where)
    raise InputError(f"a {type(answer).__name__} has no text")


_TEXTS: dict[type, Callable[[Any, Path], str]] = {
    jobs.LineView: output.line_summary,
    jobs.AreaView: output.area_summary,
    jobs.SiteView: output.sites_text,
    jobs.PracticeDeposit: output.deposit_text,
    jobs.Debrief: output.debrief_text,
}
