"""The page: one file that opens from disk without a network and without a server."""

from lastseen.products.onefile.page import page_text, write_page

__all__ = ["page_text", "write_page"]
