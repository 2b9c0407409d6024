"""A server as people start it, a plan on it, and a browser where there is one."""

import json
import os
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

import httpx
import pytest

from browser import launch

TOKEN = "a-token-for-tests-only"
DEMO = {
    "place": "ysterra", "name": "Ysterra bench (invented place)", "seed": 7,
    "last_seen": {"at": "4.340220,65.822391", "radius_m": 10.0}, "snow": {"size": 2},
    "search": {"strip_width_m": 40.0, "searchers": 3},
}  # fmt: skip


class Server:
    """A running server: its address, its folder, and a client that knows the token."""

    def __init__(self, folder, *more):
        program = "from lastseen.cli import main; main()"
        command = [sys.executable, "-c", program, "serve", *map(str, more), "--folder", str(folder), "--port", "0"]
        self.process = subprocess.Popen(
            [*command, "--token", TOKEN, "--no-open"], stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True
        )
        self.folder = Path(folder)
        line = self.process.stderr.readline()
        found = re.search(r"http://127\.0\.0\.1:(\d+)", line)
        assert found, line + self.process.stderr.read()
        self.origin, self.port = found[0], int(found[1])
        self.enter = f"{self.origin}/enter?token={TOKEN}"
        self.client = httpx.Client(base_url=self.origin, headers={"authorization": f"Bearer {TOKEN}"}, timeout=120)

    def make(self, asked=DEMO):
        """Work out a plan and wait; returns its name."""
        job = self.client.post("/api/jobs", json=asked).raise_for_status().json()
        while job["state"] in ("waiting", "running"):
            time.sleep(0.2)
            job = self.client.get(f"/api/jobs/{job['id']}").json()
        assert job["state"] == "done", job
        return job["plan"]

    def stop(self):
        self.client.close()
        self.process.terminate()
        try:
            self.process.wait(20)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.process.stderr.close()


@pytest.fixture(scope="session")
def server(tmp_path_factory):
    """One server for all tests of a process."""
    running = Server(tmp_path_factory.mktemp("page") / "plans")
    yield running
    assert running.process.poll() is None, "the server ended by itself"
    running.stop()


@pytest.fixture(scope="session")
def give_plan(tmp_path_factory):
    """Puts the plan of the second demo scenario into a server's folder and returns its name.

    It is worked out once in a run of the tests, by the first server that needs it; all others get a copy.
    """
    top = tmp_path_factory.getbasetemp()
    shared = (top.parent if "PYTEST_XDIST_WORKER" in os.environ else top) / "bench-plan"

    def give(running):
        try:
            shared.mkdir()
        except FileExistsError:
            until = time.monotonic() + 240
            while not (shared / "made").is_file() and time.monotonic() < until:
                time.sleep(0.5)
            plan = (shared / "made").read_text(encoding="utf-8")
            # a story may have made the same plan there already
            shutil.copytree(shared / plan, running.folder / plan, dirs_exist_ok=True)
            shutil.copy(shared / f"{plan}.toml", running.folder)
            return plan
        plan = running.make()
        shutil.copytree(running.folder / plan, shared / plan)
        shutil.copy(running.folder / f"{plan}.toml", shared)
        (shared / "made").write_text(plan, encoding="utf-8")
        return plan

    return give


@pytest.fixture(scope="session")
def bench_plan(server, give_plan):
    """The plan of the second demo scenario."""
    return give_plan(server)


@pytest.fixture(scope="module")
def browser():
    """A browser; without one the tests of the page say so, and fail on the machine that checks every change."""
    with launch(webgl=True) as running:
        yield running


class Watched:
    """A page, all that it asked for, and all that it complained about."""

    def __init__(self, browser, server, *, width=1280, height=860, **more):
        self.context = browser.new_context(viewport={"width": width, "height": height}, accept_downloads=True, **more)
        self.context.set_default_timeout(150_000)
        self.server, self.requests, self.complaints = server, [], []
        self.page = self.tab()

    def tab(self):
        page = self.context.new_page()
        page.on("request", lambda one: self.requests.append(one.url))
        page.on("console", lambda one: self.complaints.append(one.text) if one.type in ("error", "warning") else None)
        page.on("pageerror", lambda one: self.complaints.append(str(one)))
        return page

    def open(self, page=None, hash_=""):
        page = page or self.page
        page.goto(self.server.enter)
        if hash_:
            page.goto("about:blank")
            page.goto(f"{self.server.origin}/#{hash_}")
        page.wait_for_selector("html[data-ready]")
        return page

    def step(self, name, page=None):
        page = page or self.page
        page.locator("#panel .head").filter(has=page.locator(".name", has_text=re.compile(f"^{name}$"))).click()

    def check(self):
        """No complaint, and no request left the machine."""
        # software rendering reads pixels back slowly, and says so
        complaints = [text for text in self.complaints if "GPU stall due to ReadPixels" not in text]
        assert complaints == []
        outside = [one for one in self.requests if not one.startswith((self.server.origin, "blob:", "data:", "about:"))]
        assert outside == []


@pytest.fixture
def watched(browser, server):
    """A fresh page at desktop width, checked at the end."""
    one = Watched(browser, server)
    yield one
    one.context.close()
    one.check()


def read_json(path):
    return json.loads(Path(path).read_text(encoding="utf-8"))
