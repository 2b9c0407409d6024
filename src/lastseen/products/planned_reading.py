"""A plan or a drawn search for a drill: outline, walk, probability of area, and the ground it lies on."""

from __future__ import annotations

from pathlib import Path

import shapely
from shapely.geometry import LineString

from lastseen.drill.planned import MARGIN_M, MARGIN_SHARE, Planned, PlannedLeg
from lastseen.outlines import only_areas
from lastseen.products.contents import Contents, read_contents


def read_planned(folder: Path) -> Planned:
    """A plan or a drawn search from its folder.

    Raises
    ------
    InputError
        See `lastseen.products.contents.read_contents`.
    """
    return planned_of(read_contents(folder), folder.name)


def planned_of(contents: Contents, name: str) -> Planned:
    """What a drill needs of a plan; ``name`` is taken where the plan has none."""
    numbers = contents.numbers
    legs = _legs(contents)
    searched = [shape for shape, one in contents.layers["debris"].records() if one["searched"]]
    outline = only_areas(shapely.union_all(searched))
    west, south, east, north = shapely.total_bounds([outline, *(leg.line for leg in legs)]).tolist()
    rim = max(MARGIN_M, MARGIN_SHARE * max(east - west, north - south))  # sheets show more than the outline
    last_seen = numbers.get("last_seen")
    return Planned(
        str(numbers["name"] or name),
        contents.crs,
        outline,
        contents.ground.window(west - rim, south - rim, east + rim, north + rim),
        contents.rasters["poa"].bands[0] if "poa" in contents.rasters else None,
        legs,
        float(numbers["coverage"]["strip_width_m"]),
        float(numbers["coverage"]["fraction"]),
        bool(numbers.get("flat", False)),
        (float(last_seen["x_m"]), float(last_seen["y_m"])) if last_seen else None,
        numbers["search"].get("declination_deg"),
        numbers["search"].get("date"),
    )


def _legs(contents: Contents) -> tuple[PlannedLeg, ...]:
    keys = ("length_m", "time_s")
    rows = (
        PlannedLeg(
            one["searcher"], one["number"], one["kind"], one["lane"], LineString(line.coords), *(one[k] for k in keys)
        )
        for line, one in contents.layers["route"].records()
    )
    return tuple(sorted(rows, key=lambda leg: (leg.searcher, leg.number)))
