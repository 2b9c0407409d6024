"""A browser for the tests that look at pages: the Chromium of the machine, driven by Playwright, never downloaded.

Without one those tests skip and say so; where ``CI`` is set a missing one fails.
"""

import os
import shutil
from contextlib import contextmanager

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
PLAIN = ("--no-sandbox", "--disable-gpu")
WEBGL = ("--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--ignore-gpu-blocklist")
MISSING = "no Chromium: install it, or name its program in CHROMIUM"


def find_chromium():
    """Path of the browser of this machine, or None; the environment variable CHROMIUM goes first."""
    named = os.environ.get("CHROMIUM")
    return shutil.which(named) if named else next(filter(None, map(shutil.which, NAMES)), None)


@contextmanager
def launch(*, webgl=False):
    """A running browser (a ``playwright.sync_api.Browser``); skips where there is none, fails where CI is set.

    Pages that draw with WebGL ask for it; all others are drawn ten times faster without.
    """
    program = find_chromium()
    if program is None:
        if os.environ.get("CI"):
            pytest.fail(MISSING)
        pytest.skip(MISSING)
    from playwright.sync_api import sync_playwright  # noqa: PLC0415  slow to import

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=[*(WEBGL if webgl else PLAIN)])
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def open_page(browser, address, **options):
    """A page at an address with no network; yields it and the lists of its requests and of what it complained about."""
    context = browser.new_context(offline=True, **options)
    page = context.new_page()
    asked, complaints = [], []
    page.on("request", lambda one: asked.append(one.url))
    page.on("console", lambda one: complaints.append(one.text) if one.type in {"error", "warning"} else None)
    page.on("pageerror", lambda one: complaints.append(str(one)))
    page.goto(address)
    try:
        yield page, asked, complaints
    finally:
        context.close()
