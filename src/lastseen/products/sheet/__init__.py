"""The sheet: a map to true scale and the pages that go with it, as one PDF; its first page is also the map as PNG."""

from lastseen.products.sheet.book import Kind, draw_book, write_map, write_map_and_sheet, write_sheet

__all__ = ["Kind", "draw_book", "write_map", "write_map_and_sheet", "write_sheet"]
