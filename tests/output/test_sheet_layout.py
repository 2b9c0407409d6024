"""When a sheet gets an overview, and what fits on it: counted on rectangles."""

from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace

import pytest
from shapely import LineString, MultiPolygon
from shapely.geometry import box

from lastseen.output.draw.layout import (
    EDGE_MM,
    QUIET_MM,
    ROUND_SCALES,
    SCALES,
    find_details,
    fit_page,
    fit_sheet,
    lay_out_sheet,
    lay_page,
    on_ground,
    pages,
    table_page,
    text_page,
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
    assert sheet.overview.width == 26.0  # 3480 by 418 m, drawn out to the least width
    assert sheet.overview.height in {80.0, 64.0, 52.0}
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
    assert ROUND_SCALES[:4] == (500, 600, 750, 1000)
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


@pytest.mark.parametrize(
    ("paper", "side_mm", "both_mm"), [("A4", 66.0, 112.0), ("Letter", 66.0, 112.0), ("A3", 84.0, 140.0)]
)
def test_pages_have_one_to_four_columns(paper, side_mm, both_mm):
    """Upright and lying with the panel beside the map, upright and lying with it below."""
    found = pages(paper)
    assert [len(page.columns) for page in found] == [1, 2, 3, 4]
    assert [page.width < page.height for page in found] == [True, False, True, False]
    assert found[0].columns[0].width == side_mm
    assert found[1].columns[-1].right - found[1].columns[0].left == pytest.approx(both_mm)
    assert [page.columns[0].height for page in found[2:]] == [90.0, 64.0]


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


def test_a_page_leaves_the_gaps_that_are_asked_for():
    """2 mm under what stands below the map and 7 mm over it, 12 mm over the map; beside it one column."""
    page = lay_page("A4", below_mm=50.0, side_mm=40.0, above_mm=12.0, columns=3, gaps_mm=(2.0, 7.0))
    *below, beside = page.columns
    assert len(below) == 3
    assert {(column.bottom - page.footer.top, column.height) for column in below} == {(2.0, 50.0)}
    assert page.under.bottom - below[0].top == pytest.approx(7.0)
    assert page.header.bottom - page.body.top == pytest.approx(12.0)
    assert (beside.bottom, beside.top) == pytest.approx((page.under.top, page.body.top))
    assert (beside.width, beside.right, page.under.right) == pytest.approx((40.0, 202.0, 202.0))
    assert page.body.right == pytest.approx(beside.left - 4.0)
    assert [b.left - a.right for a, b in pairwise(below)] == pytest.approx([4.0, 4.0])


def test_a_page_without_a_panel():
    """The map from margin to margin, less 5 mm for labels, 1 mm under the header."""
    page = lay_page("Letter", lying=True)
    assert (page.width, page.height, page.columns) == (279.4, 215.9, ())
    assert (page.body.left, page.body.right) == pytest.approx((13.0, 271.4))
    assert page.header.bottom - page.body.top == pytest.approx(1.0)
    assert page.under.bottom - page.footer.top == pytest.approx(4.0)


def test_pages_of_words_have_columns_from_header_to_footer():
    """(194 + 4) / (60 + 4) leaves room for three columns of 62 mm; a table takes one of 194 mm."""
    page = text_page(replace(pages("A4")[0], overview=pages("A4")[0].body), 30.0, 60.0)
    assert page.header.height == 30.0
    assert page.header.top == pytest.approx(289.0)
    assert [column.width for column in page.columns] == pytest.approx([62.0] * 3)
    assert (page.columns[0].left, page.columns[-1].right) == pytest.approx((8.0, 202.0))
    assert {column.bottom - page.footer.top for column in page.columns} == {4.0}
    assert page.columns[0].top == pytest.approx(page.header.bottom)
    assert page.overview is None
    table = table_page()
    assert (table.paper, table.width, table.columns) == ("A4", 210.0, (table.body,))
    assert (table.body.left, table.body.right) == pytest.approx((8.0, 202.0))
    assert table.body.bottom - table.footer.top == pytest.approx(4.0)
    assert table.header.bottom - table.body.top == pytest.approx(4.0)


BIG = box(0, 0, 600, 1400)


def detailed(*pieces, lanes=(), bounds=(0.0, 0.0, 2000.0, 1400.0), paper="A4"):
    """A sheet with a big piece at its left side, and its details."""
    outline = MultiPolygon([BIG, *pieces])
    legs = tuple(SimpleNamespace(line=LineString(line), kind="lane") for line in lanes)
    content = SimpleNamespace(legs=legs, outline=outline, whole=lambda: outline, focus=lambda: outline)
    sheet = fit_page(pages(paper)[1], bounds)
    return sheet, outline, find_details(sheet, content)


@pytest.mark.parametrize("paper", ["A4", "A3"])
def test_small_pieces_are_drawn_larger_the_largest_first(paper):
    """Each centred in a free square of the map, at the largest round scale that leaves 6 mm around it."""
    pieces = box(900, 200, 940, 225), box(1100, 1000, 1180, 1120), box(1700, 600, 1720, 610)
    sheet, outline, details = detailed(*pieces, paper=paper)
    assert [detail.letter for detail in details] == ["A", "B", "C"]
    squares = [on_ground(sheet, detail.sheet.body) for detail in details]
    body = on_ground(sheet, sheet.body).buffer(1e-6)
    for detail, square, piece in zip(details, squares, (pieces[1], pieces[0], pieces[2]), strict=True):
        west, south, east, north = detail.sheet.extent
        assert (west + east, south + north) == pytest.approx((2 * piece.centroid.x, 2 * piece.centroid.y))
        assert detail.ground.equals(box(*detail.sheet.extent))
        k = detail.sheet.metres_per_mm
        assert east - west == pytest.approx(north - south) == pytest.approx(detail.sheet.body.width * k)
        longest = max(piece.bounds[2] - piece.bounds[0], piece.bounds[3] - piece.bounds[1])
        assert east - west >= longest + 2 * EDGE_MM * k - 1e-6
        larger = [scale for scale in ROUND_SCALES if scale < detail.sheet.scale]
        assert not larger or larger[-1] / 1000.0 * (detail.sheet.body.width - 2 * EDGE_MM) < longest
        assert detail.sheet.scale * 1.9 <= sheet.scale
        assert detail.sheet.overview is None
        assert body.contains(square)
        assert not square.intersects(outline)
    assert not any(a.intersects(b) for n, a in enumerate(squares) for b in squares[:n])


def test_a_detail_stands_as_near_as_there_is_room():
    """A piece in free ground has its detail beside it, within the square's own size."""
    sheet, _, (detail,) = detailed(box(1290, 690, 1310, 710))
    x, y = sheet.on_page(1300.0, 700.0)
    place = detail.sheet.body
    assert place.width == 48.0
    assert max(abs(place.left + 24.0 - x), abs(place.bottom + 24.0 - y)) <= 24.0 + 1.0 + 2.5 + 3.0


@pytest.mark.parametrize("x", [1300, 1960])
@pytest.mark.parametrize("y", [0, 1375])
def test_a_detail_of_a_piece_at_the_rim_stays_on_the_map(x, y):
    """In steps of 3 mm from the lower left corner of the map, and none beyond its edge."""
    sheet, _, (detail,) = detailed(box(x, y, x + 40, y + 25), bounds=(650.0, 0.0, 2000.0, 1400.0))
    place, body = detail.sheet.body, sheet.body
    assert body.left <= place.left <= place.right <= body.right + 1e-9
    assert body.bottom <= place.bottom <= place.top <= body.top + 1e-9
    steps = (place.left - body.left) / 3.0, (place.bottom - body.bottom) / 3.0
    assert steps == pytest.approx([round(step) for step in steps], abs=1e-6)


def test_a_detail_shows_the_lane_through_its_piece():
    """A lane that reaches beyond the piece is shown whole: the detail is centred on both."""
    _, _, (detail,) = detailed(box(1200, 700, 1220, 720), lanes=[[(1210, 690), (1210, 790)]])
    west, south, east, north = detail.sheet.extent
    assert (west + east, south + north) == pytest.approx((2420.0, 1480.0))


def test_no_detail_without_gain_or_room():
    """Of a piece that is large on the map, of one that cannot be drawn 1.9 times as large, and of a fifth."""
    assert detailed()[2] == ()
    sheet, _, details = detailed(box(1100, 500, 1369, 600))
    assert (sheet.scale, [detail.sheet.scale for detail in details]) == (15_000, [7_500])
    assert detailed(box(1100, 500, 1390, 600))[2] == ()
    assert detailed(box(1100, 500, 1500, 600))[2] == ()
    assert detailed(box(900, 200, 905, 205), bounds=(0.0, 0.0, 100.0, 100.0))[2] == ()
    five = [box(700 + 280 * k, 690, 710 + 280 * k + k, 700) for k in range(5)]
    letters = [detail.letter for detail in detailed(*five, paper="A3")[2]]
    assert letters == ["A", "B", "C", "D"]
