"""Worker processes, jobs that cannot start, and what every answer carries: without a server."""

import asyncio
import os
import sys

import httpx
import pytest

from lastseen.core.errors import ResourceError
from lastseen.web import jobs
from lastseen.web.guard import CONTENT_POLICY, Guard, Limits, Settings
from lastseen.web.jobs import Jobs
from lastseen.web.plans import PlanStore
from lastseen.web.pool import WorkerPool
from web.pool_work import end_at_once, rest


def with_pool(count, work):
    async def run():
        pool = WorkerPool(waiting=10, count=count)
        try:
            return await work(pool)
        finally:
            pool.close()

    return asyncio.run(run())


def test_time_counts_from_when_the_work_begins():
    """Three calls of 1.2 s in one process, each allowed 3 s: the last waits for longer than that, and is answered."""

    async def work(pool):
        await pool.call(rest, 0.0, seconds=60.0)
        return await asyncio.gather(*(pool.call(rest, 1.2, seconds=3.0) for _ in range(3)))

    assert len(set(with_pool(1, work))) == 1


def test_an_overrun_ends_nobody_elses_work():
    """One of two takes too long and is stopped; the other goes on in the process it had."""

    async def work(pool):
        before = set(await asyncio.gather(*(pool.call(rest, 0.5, seconds=60.0) for _ in range(2))))
        long, other = await asyncio.gather(
            pool.call(rest, 60.0, seconds=0.5), pool.call(rest, 2.0, seconds=60.0), return_exceptions=True
        )
        return before, long, other, await pool.call(rest, 0.0, seconds=60.0)

    before, long, other, after = with_pool(2, work)
    assert isinstance(long, ResourceError)
    assert "more than 0.5 s" in str(long)
    assert other in before
    assert after > 0


def test_a_process_that_ends_is_told_and_made_anew():
    async def work(pool):
        with pytest.raises(ResourceError, match="ended by itself"):
            await pool.call(end_at_once, seconds=60.0)
        return await pool.call(rest, 0.0, seconds=60.0)

    assert with_pool(1, work) != os.getpid()


def test_a_process_that_cannot_start_fails_one_job_only(tmp_path, monkeypatch):
    """Memory is short once: that plan is told so, the next one is worked out."""
    tried = []

    async def new_process():
        tried.append(1)
        if len(tried) == 1:
            raise OSError(12, "Cannot allocate memory")
        pipe = asyncio.subprocess.PIPE
        said = "input(); print('{\"done\": true}', flush=True)"
        return await asyncio.create_subprocess_exec(sys.executable, "-c", said, stdin=pipe, stdout=pipe)

    async def run():
        monkeypatch.setattr(jobs, "_new_process", new_process)
        queue = Jobs(PlanStore(tmp_path), Limits())
        found = []
        for name in ("first", "second"):
            job = queue.start(name)
            async for _ in queue.watch(job):
                pass
            found.append((job.state, job.error))
        await queue.close()
        return found

    first, second = asyncio.run(run())
    assert first[0] == "failed"
    assert "could not be started" in first[1]
    assert second == ("done", None)


@pytest.mark.parametrize(
    ("host", "port", "origin", "answered"),
    [
        ("127.0.0.1", 8424, "http://127.0.0.1:8424", "127.0.0.1:8424"),
        ("fd00::5", 8424, "http://[fd00::5]:8424", "[fd00::5]:8424"),
        ("FD00:0:0::5", 8424, "http://[fd00::5]:8424", "[fd00::5]:8424"),
        ("MyLaptop.local", 8424, "http://mylaptop.local:8424", "mylaptop.local:8424"),
        ("127.0.0.1", 80, "http://127.0.0.1", "127.0.0.1"),
        ("127.0.0.1", 80, "http://127.0.0.1", "127.0.0.1:80"),
    ],
)
def test_the_address_that_is_printed_is_answered(tmp_path, host, port, origin, answered):
    """As browsers write it (URL standard: hosts in small letters, IPv6 short and in brackets, no port 80)."""
    settings = Settings(folder=tmp_path, host=host, port=port)
    assert settings.origin == origin
    assert answered in settings.hosts
    assert "evil.example" not in settings.hosts
    assert (f"localhost:{port + 1}" in settings.hosts) is False


def test_an_unexpected_error_carries_the_headers_of_every_answer(tmp_path):
    async def broken(_scope, _receive, _send):
        raise RuntimeError("a secret path")

    async def ask():
        settings = Settings(folder=tmp_path)
        transport = httpx.ASGITransport(Guard(broken, settings), raise_app_exceptions=False)
        async with httpx.AsyncClient(transport=transport, base_url=settings.origin) as client:
            return await client.get("/api/state", headers={"authorization": f"Bearer {settings.token}"})

    found = asyncio.run(ask())
    assert found.status_code == 500
    assert found.json() == {"error": "unexpected RuntimeError; the server runs on"}
    assert found.headers["content-security-policy"] == CONTENT_POLICY
    assert found.headers["x-content-type-options"] == "nosniff"
