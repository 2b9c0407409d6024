"""A deposit on a site, as it is planned: shape, pushing plan, and what is said with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from shapely import MultiPolygon, box
from shapely.affinity import affine_transform

from lastseen.drill.practice_deposit.laying import SiteFrame, SnowShape
from lastseen.drill.practice_deposit.pushing import PushPlan
from lastseen.elevation import Elevation
from lastseen.grid import Grid

LIMITS = (
    "volumes are those of the drawn shape; a machine builds it to about 0.25 m (common practice, no source)",
    "snow that is cut, times the packing, is the fill: measure the density on the day, and give --packing",
    "stakes are to be found by hand-held receivers to a few metres: measure the distances between them with a tape",
    "keep people and dogs out of the work of the machine; its driver decides where it can go",
)


@dataclass(frozen=True, eq=False)
class PracticeDeposit:
    """A deposit on a site, ready to be handed over.

    Attributes
    ----------
    name : str
    ground : Grid
        Elevations round the site, metres.
    elevation : Elevation
    frame : SiteFrame
    shape : SnowShape
    pushing : PushPlan
    site : dict
        What ``sites.json`` says about the site: its statement stands on the sheet.
    seed : int
    notes : tuple of str
    """

    name: str
    ground: Grid
    elevation: Elevation
    frame: SiteFrame
    shape: SnowShape
    pushing: PushPlan
    site: dict[str, Any]
    seed: int
    notes: tuple[str, ...]

    @property
    def statement(self) -> str:
        """What comes down to the site."""
        return str(self.site.get("statement", "What comes down to this site is not known."))

    @property
    def left_out(self) -> str:
        """What was not looked at when the site was found, after a semicolon; empty where nothing is."""
        told = self.site.get("left_out")
        return f"; {told} when its site was looked for" if told else ""

    @property
    def outline(self) -> MultiPolygon:
        """The site itself."""
        (rx, ry), (dx, dy) = self.frame.right, self.frame.down
        a, b = 0.5 * self.frame.width_m, 0.5 * self.frame.height_m
        return MultiPolygon([affine_transform(box(-a, -b, a, b), [rx, dx, ry, dy, *self.frame.middle_m])])


def summary(made: PracticeDeposit) -> str:
    """Cut and fill in one sentence."""
    push, shape = made.pushing, made.shape
    return (
        f"{shape.volume_m3:.0f} m3 over {shape.area_m2:.0f} m2, on average {shape.volume_m3 / shape.area_m2:.1f} m and "
        f"at most {shape.greatest_m:.1f} m thick. Fill {push.fill_m3:.0f} m3 = cut {push.cut_m3:.0f} m3 x packing "
        f"{push.packing:g}; {push.cut_m:.2f} m are taken from {push.borrow_m2:.0f} m2, pushed {push.mean_push_m:.0f} m "
        "on average."
    )
