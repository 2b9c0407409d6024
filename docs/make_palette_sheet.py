"""Draw all symbols of the palette on light, grey and dark ground, as eyes of several kinds see them: docs/palette.png.

Columns are grounds, rows are eyes: normal, deuteranopia, protanopia, tritanopia, and a grey print. Dichromats are
simulated with the matrices of severity 1.0 of Machado, Oliveira & Fernandes 2009, IEEE Transactions on Visualization
and Computer Graphics 15:1291-1298, in linear light (the authors' published table).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from lastseen.output.draw.palette import Palette, load_palette

SIGHTS: dict[str, npt.NDArray[np.float64]] = {
    "normal": np.eye(3),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
    "grey": np.tile([0.2126, 0.7152, 0.0722], (3, 1)),  # relative luminance, ITU-R BT.709
}
GROUNDS = (("light", "#ffffff", False), ("grey", "#8f8f8f", False), ("dark", "#29292a", True))
Line = tuple[str, str, float, tuple[float, ...]]
DPI, WIDE, HIGH = 100, 14.0, 20.0


def seen(rgb: npt.ArrayLike, sight: str) -> npt.NDArray[np.float64]:
    """Values of sRGB from 0 to 1 as an eye of that kind sees them."""
    value = np.asarray(rgb, float)
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    mixed = np.clip(linear @ SIGHTS[sight].T, 0.0, 1.0)
    return np.asarray(np.where(mixed <= 0.0031308, 12.92 * mixed, 1.055 * mixed ** (1 / 2.4) - 0.055))


def lines_of(palette: Palette) -> list[Line]:
    """Every line: its meaning, colour, width and dashes."""
    lanes, snow, person = palette.lanes, palette.snow, palette.person
    found: list[Line] = [(f"lane S{k + 1}", lanes.colour, 2.4, one) for k, one in enumerate(lanes.dashes)]
    found += [
        ("approach", lanes.colour, 1.6, lanes.approach),
        ("join", lanes.colour, 0.9, ()),
        ("searched outline", palette.debris.outline, 1.8, ()),
        ("half of the POA", person.line, 2.0, person.dashes["half"]),
        ("90 % of the POA", person.line, 1.5, person.dashes["most"]),
        ("release", snow.release, 2.2, snow.dashes["release"]),
        ("flow path", snow.path, 1.4, snow.dashes["path"]),
        ("corridor", snow.corridor, 1.1, snow.dashes["corridor"]),
        ("contour, every fifth", palette.ground.contour_index, 1.0, ()),
        ("contour", palette.ground.contour, 0.6, ()),
    ]
    return found


def draw_symbols(axes: Axes, palette: Palette, ground: str) -> None:
    """Every symbol with its name."""
    axes.set_xlim(0, 100)
    axes.set_ylim(50, 0)
    axes.set_axis_off()
    axes.add_patch(Rectangle((0, 0), 100, 50, facecolor=ground))
    ink, lanes, person = palette.ground.text, palette.lanes, palette.person
    styles = lines_of(palette)
    for i, (name, colour, width, dashes) in enumerate(styles):
        y = 2.2 + 2.75 * i
        if not name.startswith(("contour", "join")):
            axes.plot([2, 15], [y, y], color=palette.ground.paper, linewidth=width + 2.2)
        axes.plot([2, 15], [y, y], color=colour, linewidth=width, linestyle=(0, dashes) if dashes else "-")
        axes.text(17, y, name, size=7, va="center", color=ink)
    y = 2.2 + 2.75 * len(styles)
    axes.plot([6, 11], [y, y], color=palette.ground.grid, linewidth=0.7)
    axes.plot([8.5, 8.5], [y - 1.3, y + 1.3], color=palette.ground.grid, linewidth=0.7)
    axes.text(17, y, "grid", size=7, va="center", color=ink)
    for column, (title, ramp) in enumerate(
        (("probability", palette.debris.ramp), ("thickness", palette.thickness.ramp))
    ):
        for i, colour in enumerate(ramp):
            axes.add_patch(Rectangle((46 + 12 * column, 3 + 4.4 * i), 9, 4.2, facecolor=colour))
        axes.text(46 + 12 * column, 2, title, size=6.5, color=ink)
    axes.add_patch(Rectangle((46, 35), 9, 5, facecolor=palette.debris.observed, edgecolor=palette.debris.outline))
    axes.text(46, 42, "as given", size=6.5, color=ink)
    axes.add_patch(
        Rectangle((58, 35), 9, 5, facecolor=lanes.casing, edgecolor=lanes.colour, hatch=lanes.uncovered, linewidth=0.6)
    )
    axes.text(58, 42, "uncovered", size=6.5, color=ink)
    axes.plot([48, 54], [46, 46], color=person.line, linewidth=1.6)
    axes.plot([51, 51], [43.5, 48.5], color=person.line, linewidth=1.6)
    axes.add_patch(Circle((51, 46), 1.7, fill=False, edgecolor=person.line, linewidth=1.4))
    axes.text(57, 46, "last seen", size=6.5, va="center", color=ink)
    for i, (kind, sign) in enumerate(palette.traps.signs.items()):
        y = 1.5 + 4.0 * i
        look = {"facecolor": "none", "edgecolor": palette.traps.colour, "hatch": sign.hatch, "linewidth": 0.7}
        axes.add_patch(Rectangle((72, y), 9, 3.2, **look))  # type: ignore[arg-type]
        axes.text(82.5, y + 1.6, f"{sign.letter}  {kind}", size=6.5, va="center", color=ink)


def picture(dark: bool, ground: str) -> npt.NDArray[np.float64]:  # noqa: FBT001
    """The symbols on one ground as sRGB from 0 to 1."""
    figure = Figure(figsize=(WIDE / 2, HIGH / 5.2), dpi=DPI)
    canvas = FigureCanvasAgg(figure)
    draw_symbols(figure.add_axes((0, 0, 1, 1)), load_palette(dark=dark), ground)
    canvas.draw()
    return np.asarray(canvas.buffer_rgba(), float)[..., :3] / 255.0


def main(path: Path) -> None:
    """Write the sheet."""
    pictures = [picture(dark, ground) for _, ground, dark in GROUNDS]
    figure = Figure(figsize=(3 * WIDE / 2, 5 * HIGH / 5.2 + 0.4), dpi=DPI)
    FigureCanvasAgg(figure)
    for row, sight in enumerate(SIGHTS):
        for column, ((name, _, _), one) in enumerate(zip(GROUNDS, pictures, strict=True)):
            axes = figure.add_axes((column / 3 + 0.003, 1 - (row + 1) / 5 + 0.002, 1 / 3 - 0.006, 1 / 5 - 0.016))
            axes.imshow(seen(one, sight), interpolation="nearest", aspect="auto")
            axes.set_axis_off()
            axes.set_title(f"{sight}, {name} ground", size=8, pad=2)
    figure.savefig(path, dpi=DPI, metadata={"Software": None})


if __name__ == "__main__":
    main(Path(__file__).resolve().parent / "palette.png")
