"""Handing over more from the folder of a plan, without computing the plan again."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from lastseen.products.folder import files_into
from lastseen.products.kinds import Progress, Wishes, kinds_named, write_kinds


def export_plan(
    folder: Path,
    names: Sequence[str],
    *,
    output: Path | None = None,
    wishes: Wishes = Wishes(),  # noqa: B008  frozen
    overwrite: bool = False,
    progress: Progress = lambda _stage, _share: None,
) -> tuple[Path, ...]:
    """Write products of a plan or a drawn search again, or in another form; the same as the plan itself wrote.

    Parameters
    ----------
    folder : Path
        Of the plan or the search.
    names : sequence of str
        Of `lastseen.products.kinds.KINDS`.
    output : Path, optional
        Folder to write to; the plan's own where not given. Files of other names in it stay.
    wishes : Wishes
    overwrite : bool
        Whether files that say something else may be replaced.
    progress : callable, optional

    Returns
    -------
    tuple of Path
        The files, by name.

    Raises
    ------
    InputError
        If the plan cannot be read, or there is no such product.
    OutputExistsError, ResourceError
        See `lastseen.products.folder.files_into`.
    """
    from lastseen.products.contents import read_contents  # noqa: PLC0415  slow to import

    kinds = kinds_named(names)
    contents = read_contents(folder)
    output = folder if output is None else output
    with files_into(output, overwrite=overwrite) as partial:
        write_kinds(kinds, contents, partial, wishes=wishes, progress=progress)
        progress("done", 1.0)
        files = sorted(one.name for one in partial.iterdir())
    return tuple(output / name for name in files)
