"""When a sheet gets an overview, and what fits on it: counted on rectangles."""

from dataclasses import replace
from types import SimpleNamespace

import pytest
from shapely.geometry import box

from lastseen.output.draw.layout import (
    QUIET_MM,
    SCALES,
    fit_sheet,
    lay_out_sheet,
    on_ground,
    pages,
    with_narrow_panel,
)

SEARCH = box(1000, 2000, 1360, 2240)


def shown(whole, thin=None):
    """What a sheet asks of a plan: the search, unlikely debris around it, and the whole path."""
    return SimpleNamespace(focus=lambda: SEARCH, whole=lambda: whole, thin_debris=lambda: thin or SEARCH)


def on_map(sheet):
    return box(*sheet.extent)


def test_a_path_hardly_longer_than_the_search_needs_no_overview():
    whole = box(1000, 2000, 1370, 2250)
    sheet = lay_out_sheet(shown(whole))
    assert sheet.overview is None
    assert sheet.overview_extent is None
    assert on_map(sheet).contains(whole)
    assert sheet.scale <= 1.35 * fit_sheet(SEARCH.bounds).scale


@pytest.mark.parametrize("paper", ["A4", "Letter", "A3"])
def test_a_path_ten_times_longer_is_shown_in_an_overview(paper):
    """The search keeps its scale, the overview holds the whole path, and covers nothing of the search."""
    whole = box(1000, 2000, 1360, 5000)
    sheet = lay_out_sheet(shown(whole), paper)
    assert sheet.paper == paper
    assert on_map(sheet).contains(SEARCH)
    assert not on_map(sheet).contains(whole)
    assert fit_sheet(SEARCH.bounds, paper).scale <= sheet.scale <= 1.4 * fit_sheet(SEARCH.bounds, paper).scale
    assert box(*sheet.overview_extent).contains(whole)
    assert not on_ground(sheet, sheet.overview).intersects(SEARCH)
    for low, high in ((sheet.body.left, sheet.overview.left), (sheet.body.bottom, sheet.overview.bottom),
                      (sheet.overview.right, sheet.body.right), (sheet.overview.top, sheet.body.top)):  # fmt: skip
        assert low <= high + 1e-9


def longer(steps):
    """The search drawn out eastward until it takes a scale some steps smaller, just so."""
    scale = SCALES[SCALES.index(fit_sheet(SEARCH.bounds).scale) + steps]
    ends = (box(1000, 2000, 1360 + more, 2240) for more in range(0, 3000, 5))
    return next(area for area in ends if fit_sheet(area.bounds).scale == scale)


@pytest.mark.parametrize("right", [True, False])
@pytest.mark.parametrize("up", [True, False])
def test_the_overview_goes_to_the_corner_that_is_free(right, up):
    """A search that fills the sheet but for one corner."""
    x, y = (1260.0 if right else 1000.0), (2070.0 if up else 2000.0)
    focus = SEARCH.difference(box(x, y, x + 100.0, y + 170.0))
    whole = box(1000, 2000, 1360, 5000)
    sheet = lay_out_sheet(SimpleNamespace(focus=lambda: focus, whole=lambda: whole, thin_debris=lambda: focus))
    assert not on_ground(sheet, sheet.overview).intersects(focus)
    corner, body = sheet.overview, sheet.body
    found = corner.left + corner.right > body.left + body.right, corner.bottom + corner.top > body.bottom + body.top
    assert found == (right, up)


def test_scales_are_round():
    assert SCALES[:10] == (1000, 1250, 1500, 2000, 2500, 3000, 4000, 5000, 6000, 7500)
    assert SCALES[10:20] == tuple(10 * scale for scale in SCALES[:10])
    assert fit_sheet(SEARCH.bounds).scale == 2500


def test_a_path_at_the_next_scale_is_shown_whole_and_at_the_one_after_in_an_overview():
    """3000 / 2500 costs 1.2, 4000 / 2500 costs 1.6; the limit is 1.35."""
    assert lay_out_sheet(shown(longer(1))).overview is None
    assert lay_out_sheet(shown(longer(2))).overview is not None


def test_unlikely_debris_is_kept_on_the_map_where_that_is_cheap():
    """A little of it takes part, up to a scale 1.2 times smaller; much of it does not."""
    far = box(1000, 2000, 1360, 5000)
    cheap, dear = (lay_out_sheet(shown(far, longer(steps))) for steps in (1, 2))
    assert on_map(cheap).contains(longer(1))
    assert cheap.scale == 3000
    assert on_map(dear).contains(SEARCH)
    assert not on_map(dear).contains(longer(2))
    assert dear.scale == lay_out_sheet(shown(far)).scale == 2500


@pytest.mark.parametrize(("wide_m", "high_m"), [(100.0, 100.0), (900.0, 200.0), (200.0, 900.0), (4000.0, 2500.0)])
def test_the_scale_is_the_largest_that_fits(wide_m, high_m):
    """With a quiet margin on all four sides, centred; one step larger, no page holds it."""
    sheet = fit_sheet((50.0, 70.0, 50.0 + wide_m, 70.0 + high_m))
    quiet = QUIET_MM * sheet.metres_per_mm
    west, south, east, north = sheet.extent
    sides = (50.0 - west, 70.0 - south, east - 50.0 - wide_m, north - 70.0 - high_m)
    assert all(side >= quiet - 1e-6 for side in sides)
    assert sides[0] == pytest.approx(sides[2])
    assert sides[1] == pytest.approx(sides[3])
    larger = [scale for scale in SCALES if scale < sheet.scale]
    for page in pages("A4") if larger else ():
        k = larger[-1] / 1000.0
        assert wide_m / k + 2 * QUIET_MM > page.body.width or high_m / k + 2 * QUIET_MM > page.body.height


def test_pages_hold_their_parts():
    """Header, body, panel and footer lie within the page and do not overlap."""
    for page in (*pages("A4"), *pages("Letter"), *pages("A3")):
        parts = [box(b.left, b.bottom, b.right, b.top) for b in (page.header, page.body, page.footer, *page.columns)]
        assert all(box(7.9, 7.9, page.width - 7.9, page.height - 7.9).contains(part) for part in parts)
        for number, part in enumerate(parts):
            assert all(part.intersection(other).area < 1e-6 for other in parts[:number])
        assert page.header.right == page.footer.right == pytest.approx(page.width - 8.0)
        assert page.header.top == pytest.approx(page.height - 8.0)
        assert page.under.bottom > page.footer.top
        assert page.body.bottom > page.under.top


def test_map_metres_and_page_millimetres_agree():
    sheet = fit_sheet((0.0, 0.0, 300.0, 200.0))
    west, south, east, north = sheet.extent
    assert sheet.on_page(west, south) == pytest.approx((sheet.body.left, sheet.body.bottom))
    assert sheet.on_page(east, north) == pytest.approx((sheet.body.right, sheet.body.top))


@pytest.mark.parametrize("right", [True, False])
def test_a_narrow_panel_gives_its_room_to_the_map(right):
    """Same scale, same middle; an overview at the right edge stays there, one at the left edge too."""
    sheet = replace(pages("A4")[1], scale=2000, extent=(0.0, 0.0, 200.0, 50.0))
    left = sheet.body.right - 30.0 if right else sheet.body.left
    sheet = replace(sheet, overview=replace(sheet.body, left=left, width=30.0, height=20.0))
    wider = with_narrow_panel(sheet)
    more = wider.body.width - sheet.body.width
    assert more > 0.0
    assert len(wider.columns) == 1
    assert wider.columns[0].right == pytest.approx(sheet.width - 8.0)
    assert wider.columns[0].left - wider.body.right == pytest.approx(4.0)
    assert wider.under.width == pytest.approx(sheet.under.width + more)
    assert wider.extent[2] - wider.extent[0] == pytest.approx(
        sheet.extent[2] - sheet.extent[0] + more * sheet.metres_per_mm
    )
    assert wider.extent[0] + wider.extent[2] == pytest.approx(sheet.extent[0] + sheet.extent[2])
    edge = (wider.overview.right, wider.body.right) if right else (wider.overview.left, wider.body.left)
    assert edge[0] == pytest.approx(edge[1])
