"""The tables of the page: key numbers, the walk, traps, zones, assumptions. Each number names where it comes from."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from lastseen.products.contents import Contents
from lastseen.products.onefile.shapes import element, text
from lastseen.products.onefile.words import say
from lastseen.wording import short_percent

STACKS = ("traps", "zones")  # on a narrow screen a row of these becomes a block
Shown = Callable[[Any], str]


def value(numbers: Any, key: str, shown: Shown) -> str:
    """A number of the plan: what people read, and beside it the value itself and its key in ``plan.json``."""
    found = lookup(numbers, key)
    if found is None:
        return element("span", text(say("not_known")), class_="none")
    return element("data", text(shown(found)), value=found, data_key=key)


def lookup(numbers: Any, key: str) -> Any:
    """The value at a key such as ``search.each.0.walk_m``; None where there is none."""
    for name in key.split("."):
        if numbers is None:
            return None
        numbers = numbers[int(name)] if isinstance(numbers, list) else numbers.get(name)
    return numbers


def metres(one: float) -> str:
    """Whole metres."""
    return f"{one:.0f} m"


def fine_metres(one: float) -> str:
    """Metres to a tenth."""
    return f"{one:.1f} m"


def area(one: float) -> str:
    """Whole square metres."""
    return f"{one:.0f} m²"


def degrees(one: float) -> str:
    """Whole degrees."""
    return f"{one:.0f}°"


def bearing(one: float) -> str:
    """Three digits."""
    return f"{round(one) % 360:03d}°"


def share(one: float) -> str:
    """Per cent."""
    return short_percent(one)


def rough(one: float) -> str:
    """Whole per cent."""
    return short_percent(round(one, 2))


def time(one: float) -> str:
    """Minutes and seconds."""
    seconds = round(one)
    return f"{seconds // 60}:{seconds % 60:02d}"


def key_numbers(contents: Contents) -> str:
    """What the search is, in a dozen lines."""
    numbers = contents.numbers
    rows: list[tuple[str, str]] = [
        (say("n_strip"), value(numbers, "coverage.strip_width_m", lambda one: f"{one:g} m")),
        (say("n_searchers"), value(numbers, "search.searchers", str)),
        (say("n_lanes"), element("span", text(len(numbers["lanes"])))),
        (say("n_time"), value(numbers, "search.total_time_s", _long)),
        (say("n_covered"), value(numbers, "coverage.fraction", share)),
        (say("n_uncovered"), value(numbers, "coverage.uncovered_m2", area)),
        (say("n_area"), value(numbers, "coverage.area_m2", area)),
    ]
    if contents.is_plan and numbers["model"]:
        rows += [
            (say("n_level"), value(numbers, "debris.level", share)),
            (say("n_inside"), value(numbers, "poa.inside_debris", rough)),
            (say("n_outside"), value(numbers, "poa.outside_debris", rough)),
            (say("n_buried"), value(numbers, "poa.burial.fully", rough)),
            (say("n_depth"), value(numbers, "poa.burial.fully_p50_m", fine_metres)),
            (say("n_travel"), value(numbers, "runout.travel_angle_deg.p50", degrees)),
            (say("n_runout"), value(numbers, "runout.length_m.p50", metres)),
            (say("n_volume"), value(numbers, "release.volume_m3", lambda one: f"{one:.0f} m³")),
            (say("n_slope"), value(numbers, "release.slope_deg", degrees)),
            (say("n_slab"), value(numbers, "release.thickness_m", lambda one: f"{one:.2f} m")),
        ]
    return element("dl", "".join(element("dt", text(a)) + element("dd", b) for a, b in rows), class_="numbers")


def walk(contents: Contents) -> str:
    """Every leg of every searcher."""
    numbers = contents.numbers
    magnetic = any(leg["bearing_deg_magnetic"] is not None for leg in numbers["route"])
    heads = ["t_searcher", "t_leg", "t_what", "t_length", "t_true", "t_slope", "t_steepest", "t_time", "t_start"]
    if magnetic:
        heads.insert(5, "t_magnetic")
    rows = [_leg(numbers, i, leg, magnetic=magnetic) for i, leg in enumerate(numbers["route"])]
    return table("walk", heads, rows)


def _leg(numbers: Any, i: int, leg: Any, *, magnetic: bool) -> list[str]:
    what = say("lane_number", number=leg["lane"]) if leg["kind"] == "lane" else say(leg["kind"])
    at = f"route.{i}"
    against = f" ({leg['danger']})" if leg["danger"] else ""
    bearings = [value(numbers, f"{at}.bearing_deg_true", bearing)]
    if magnetic:
        bearings.append(value(numbers, f"{at}.bearing_deg_magnetic", bearing))
    return [
        value(numbers, f"{at}.searcher", str),
        value(numbers, f"{at}.number", str),
        text(what + against),
        value(numbers, f"{at}.length_m", metres),
        *bearings,
        value(numbers, f"{at}.slope_deg", lambda one: f"{one:+.0f}°"),
        value(numbers, f"{at}.steepest_deg", degrees),
        value(numbers, f"{at}.time_s", time),
        element("span", text(leg["start"]["mgrs"]), class_="code"),
    ]


def traps(contents: Contents) -> str:
    """Every trap with its reason."""
    numbers, rows = contents.numbers, []
    for i, one in enumerate(numbers.get("traps") or []):
        at = f"traps.{i}"
        rows.append(
            [
                element("b", text(f"{one['letter']}{one['number']}")),
                text(one["kind"]),
                text(", ".join(one["consequences"])),
                value(numbers, f"{at}.person_passes", rough),
                value(numbers, f"{at}.person_ends", rough),
                value(numbers, f"{at}.burial_m", fine_metres),
                text(one["reason"]),
            ]
        )
    return table("traps", ["t_sign", "t_kind", "t_does", "t_enter", "t_stop", "t_burial", "t_reason"], rows)


def zones(contents: Contents) -> str:
    """Every deposition zone with its reason."""
    numbers, rows = contents.numbers, []
    for i, one in enumerate(numbers.get("zones") or []):
        at = f"zones.{i}"
        rows.append(
            [
                element("b", text(f"Z{one['number']}")),
                text(one["place"]),
                value(numbers, f"{at}.poa", rough),
                value(numbers, f"{at}.area_m2", area),
                value(numbers, f"{at}.thickness_m", fine_metres),
                value(numbers, f"{at}.thickest_m", fine_metres),
                value(numbers, f"{at}.slope_deg", degrees),
                text(one["reason"]),
            ]
        )
    return table("zones", ["t_sign", "t_place", "t_poa", "t_area", "t_mean", "t_thickest", "t_slope", "t_reason"], rows)


def assumptions(contents: Contents) -> str:
    """What the numbers rest on: notes, the scenario, inputs and versions."""
    numbers = contents.numbers
    notes = element("ul", "".join(element("li", text(_sentence(one))) for one in numbers["notes"]), class_="notes")
    said: list[tuple[str, str]] = [(say("a_seed"), str(numbers["seed"]))]
    if contents.is_plan:
        scenario = numbers["scenario"]
        said += [
            (_plain(f"{part}: {key}"), _told(one))
            for part in ("snow", "search")
            for key, one in scenario[part].items()
            if one is not None
        ]
    said += [
        (say("a_crs"), f"{numbers['grid']['crs_name']} ({numbers['grid']['crs']})"),
        (say("a_cell"), f"{numbers['grid']['cell_m']:g} m"),
        *(
            (f"{say('a_input')}: {one['role']}", f"{one['name']}, sha256 {one['sha256'][:16]}…")
            for one in numbers["inputs"]
        ),
        (say("a_versions"), ", ".join(f"{name} {number}" for name, number in numbers["versions"].items())),
    ]
    rows = "".join(element("dt", text(a)) + element("dd", text(b)) for a, b in said)
    return notes + element("dl", rows, class_="numbers wide")


def table(name: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table; empty where there are no rows."""
    said = [say(one) for one in heads]
    cells = [[element("td", one, data_head=head) for head, one in zip(said, row, strict=True)] for row in rows]
    body = "".join(element("tr", "".join(row)) for row in cells)
    if not body:
        return ""
    head = element("tr", "".join(element("th", text(one), scope="col") for one in said))
    caption = element("caption", text(say(f"caption_{name}")))
    inner = element(
        "table",
        caption + element("thead", head) + element("tbody", body),
        id=f"table-{name}",
        class_="stacks" if name in STACKS else None,
    )
    return element("div", inner, class_="scroll", tabindex=0, role="region", aria_label=say(f"caption_{name}"))


def _long(seconds: float) -> str:
    minutes = round(seconds / 60.0)
    return (
        say("under_a_minute")
        if seconds < 60.0
        else f"{minutes} min"
        if minutes < 60
        else f"{minutes // 60} h {minutes % 60:02d} min"
    )


def _plain(name: str) -> str:
    return name.replace("_", " ")


def _told(one: Any) -> str:
    return " to ".join(map(str, one)) if isinstance(one, list) else str(one)


def _sentence(note: str) -> str:
    said = note[0].upper() + note[1:]
    return said if said.endswith(".") else f"{said}."
