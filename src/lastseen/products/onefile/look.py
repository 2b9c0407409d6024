"""The palette as CSS: one set of variables for a light page, one for a dark one."""

from __future__ import annotations

from lastseen.products.palette import Palette, load_palette

# What belongs to the page and not to the map: its ground, panels, edges, and the ring around what has the focus.
_PAGE = {
    False: {"page": "#f4f4f3", "panel": "#ffffff", "edge": "#c9c9c8", "focus": "#004267"},
    True: {"page": "#141516", "panel": "#1d1e20", "edge": "#4b4c4f", "focus": "#cfe8fb"},
}


def look_css(style: str) -> str:
    """The style sheet with the variables before it."""
    light, dark = (_block(load_palette(dark=one), dark=one) for one in (False, True))
    return (
        f":root{{color-scheme:light;{light}}}"
        f'@media screen and (prefers-color-scheme:dark){{:root:not([data-theme="light"]){{color-scheme:dark;{dark}}}}}'
        f'@media screen{{:root[data-theme="dark"]{{color-scheme:dark;{dark}}}}}\n'
        f"{_ramps(load_palette())}\n{style}"
    )


def _block(palette: Palette, *, dark: bool) -> str:
    ground, snow, debris, lanes = palette.ground, palette.snow, palette.debris, palette.lanes
    dimmed = int(ground.relief[1][1:3], 16) / int(load_palette().ground.relief[1][1:3], 16)
    values = {
        **_PAGE[dark],
        "text": ground.text, "faint": ground.faint_text, "paper": ground.paper, "frame": ground.frame,
        "contour": ground.contour, "contour-index": ground.contour_index, "grid": ground.grid,
        "relief": f"{dimmed:.3f}",
        "release": snow.release, "path": snow.path, "corridor": snow.corridor,
        "outline": debris.outline, "observed": debris.observed, "opacity": f"{debris.opacity:g}",
        "person": palette.person.line, "person-light": palette.person.light, "trap": palette.traps.colour,
        "lane": lanes.colour, "casing": lanes.casing,
        **{f"step{i}": one for i, one in enumerate(debris.ramp)},
        **{f"thick{i}": one for i, one in enumerate(palette.thickness.ramp)},
    }  # fmt: skip
    return "".join(f"--{name}:{value};" for name, value in values.items())


def _ramps(palette: Palette) -> str:
    ramps = (("step", len(palette.debris.ramp)), ("thick", len(palette.thickness.ramp)))
    return "".join(
        f".{kind}{i}{{fill:var(--{kind}{i})}}.bg-{kind}{i}{{background:var(--{kind}{i})}}"
        for kind, many in ramps
        for i in range(many)
    )
