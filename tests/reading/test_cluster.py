"""A cluster that somebody else runs: its scheduler and workers are processes of their own, reached over TCP."""

import importlib.util
import json
import socket
import subprocess
import sys
import time

import pytest
from typer.testing import CliRunner

from lastseen import cli
from reading.test_tiles import digests

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(importlib.util.find_spec("distributed") is None, reason="no distributed installed"),
]
ASKED = ("--area", "all", "--members", "4", "--starts", "30", "--tiles", "2", "-q")


@pytest.fixture
def address(tmp_path):
    """A scheduler with two workers."""
    told = tmp_path / "scheduler.json"
    scheduler = ["distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0"]
    worker = ["distributed.cli.dask_worker", "--nthreads", "1", "--local-directory", str(tmp_path / "workers")]
    started = [
        subprocess.Popen(
            [sys.executable, "-m", *one, "--no-dashboard", "--scheduler-file", str(told)], stderr=subprocess.DEVNULL
        )
        for one in (scheduler, worker, worker)
    ]
    try:
        end = time.monotonic() + 60.0
        while not told.is_file():
            assert time.monotonic() < end, "the scheduler did not come up within a minute"
            time.sleep(0.1)
        yield json.loads(told.read_text())["address"]
    finally:
        for one in reversed(started):
            one.terminate()
        for one in started:
            one.wait(30)


def test_a_cluster_gives_the_same_bytes(face_file, tmp_path, address):
    """The command line with a scheduler, against the same command without."""
    for name, more in (("alone", ()), ("cluster", ("--scheduler", address))):
        done = CliRunner().invoke(
            cli.app, ["preread", str(face_file), *ASKED, *more, "-o", str(tmp_path / name)], catch_exceptions=False
        )
        assert done.exit_code == 0
    assert digests(tmp_path / "alone") == digests(tmp_path / "cluster")


def test_a_scheduler_that_does_not_answer_is_one_sentence(face_file, tmp_path):
    """Nothing is written, and the address is named."""
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{nobody.getsockname()[1]}"
        soon = "from lastseen import cli; from lastseen.jobs.reading import area; area.ANSWER_WITHIN_S = 1; cli.main()"
        asked = ["preread", str(face_file), *ASKED, "--scheduler", address, "-o", str(tmp_path / "out")]
        done = subprocess.run([sys.executable, "-c", soon, *asked], capture_output=True, text=True, check=False)
    assert done.returncode == 3
    assert done.stderr.strip().splitlines() == [f"lastseen: the scheduler {address} does not answer: check its address"]
    assert not (tmp_path / "out").exists()
