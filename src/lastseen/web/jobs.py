"""Jobs: plans that are being worked out, each in a process of its own, one at a time, with bounds.

A job that is cancelled, crashes or runs too long leaves nothing behind.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import sys
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from lastseen.core import NothingFoundError, ResourceError
from lastseen.web.guard import Limits
from lastseen.web.plans import PlanStore

State = Literal["waiting", "running", "done", "failed", "cancelled"]
ENDED = ("done", "failed", "cancelled")
MOST_KEPT = 50
_ESTIMATE_FROM = 0.12  # share of the work from which the time left is estimated
_HEARTBEAT_S = 10.0


@dataclass(kw_only=True)
class Job:
    """One plan that is being worked out, and how far it is."""

    id: str
    plan: str  # name of the plan it makes
    state: State = "waiting"
    stage: str = ""
    share: float = 0.0
    error: str | None = None
    code: int = 0  # exit code that the command line would have ended with
    began: float | None = None
    ended: float | None = None
    process: asyncio.subprocess.Process | None = field(default=None, repr=False)
    changed: asyncio.Event = field(default_factory=asyncio.Event, repr=False)
    version: int = 0

    def record(self) -> dict[str, Any]:
        """What a caller may know."""
        now = self.ended or time.monotonic()
        elapsed = now - self.began if self.began is not None else 0.0
        left = None
        if self.state == "running" and self.share >= _ESTIMATE_FROM:
            left = round(elapsed * (1.0 - self.share) / self.share, 1)
        return {
            "id": self.id, "plan": self.plan, "state": self.state, "stage": self.stage, "share": self.share,
            "elapsed_s": round(elapsed, 1), "left_s": left, "error": self.error, "code": self.code,
        }  # fmt: skip

    def update(self, **changes: Any) -> None:
        """Change something and wake those who watch."""
        for key, value in changes.items():
            setattr(self, key, value)
        self.version += 1
        self.changed.set()
        self.changed = asyncio.Event()


class Jobs:
    """The jobs of a server."""

    def __init__(self, store: PlanStore, limits: Limits) -> None:
        self._store, self._limits = store, limits
        self._jobs: dict[str, Job] = {}
        self._count = 0
        self._turn = asyncio.Lock()
        self._tasks: set[asyncio.Task[None]] = set()
        self._spare: asyncio.Task[asyncio.subprocess.Process] | None = None

    def prepare(self) -> None:
        """Start a process that loads ahead of time."""
        if self._spare is None:
            self._spare = asyncio.create_task(_new_process())

    def all(self) -> list[Job]:
        """The newest first."""
        return list(reversed(self._jobs.values()))

    def get(self, job: str) -> Job:
        """One job. Raises NothingFoundError if there is none of that name."""
        found = self._jobs.get(job)
        if found is None:
            raise NothingFoundError("no job of that name is known")
        return found

    def require_room(self) -> None:
        """Refuse where too many jobs wait. Raises ResourceError."""
        if sum(job.state not in ENDED for job in self._jobs.values()) > self._limits.jobs_waiting:
            raise ResourceError("too many plans are being worked out or wait for it: try again when one is done")

    def start(self, plan: str) -> Job:
        """Queue the plan whose scenario lies in the folder."""
        self.require_room()
        self._count += 1
        job = Job(id=f"job-{self._count}", plan=plan)
        self._jobs[job.id] = job
        for old in [job.id for job in self._jobs.values() if job.state in ENDED][: max(0, len(self._jobs) - MOST_KEPT)]:
            del self._jobs[old]
        task = asyncio.create_task(self._run(job))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return job

    async def cancel(self, job: Job) -> None:
        """End a job now; nothing half written stays."""
        if job.state in ENDED:
            return
        job.state = "cancelled"  # what its process still says is not heard any more
        await _kill(job.process)
        self._store.drop(job.plan)
        job.update(stage="cancelled", ended=time.monotonic())

    async def watch(self, job: Job) -> AsyncIterator[dict[str, Any] | None]:
        """The record of a job each time it changes, until it ends; None where nothing happened for a while."""
        seen = -1
        while True:
            changed = job.changed
            if job.version != seen:
                seen = job.version
                yield job.record()
                if job.state in ENDED:
                    return
                continue
            try:
                await asyncio.wait_for(changed.wait(), _HEARTBEAT_S)
            except TimeoutError:
                yield None

    async def close(self) -> None:
        """End everything."""
        for job in self._jobs.values():
            await self.cancel(job)
        if self._spare is not None:
            with contextlib.suppress(Exception):
                await _kill(await self._spare)
        for task in list(self._tasks):
            task.cancel()

    async def _run(self, job: Job) -> None:
        async with self._turn:
            if job.state in ENDED:
                return
            try:
                job.update(state="running", stage="starting", began=time.monotonic())
                await asyncio.wait_for(self._work(job), self._limits.job_s)
            except TimeoutError:
                self._fail(job, f"this took more than {self._limits.job_s:.0f} s and was stopped: ask for less", 6)
            except (OSError, ValueError) as error:
                self._fail(job, f"the work could not be started ({error})", 1)
            finally:
                await _kill(job.process)
                job.process = None
                if job.state != "done":
                    self._store.drop(job.plan)

    async def _work(self, job: Job) -> None:
        self.prepare()
        spare, self._spare = self._spare, None  # before it is waited for: one that could not start must not stay
        process = await spare  # type: ignore[misc]
        if process.returncode is not None:
            process = await _new_process()
        job.process = process
        self.prepare()
        if job.state in ENDED or process.stdin is None or process.stdout is None:
            return
        task = {
            "scenario": str(self._store.folder / f"{job.plan}.toml"),
            "target": str(self._store.folder / job.plan),
            "gb": self._limits.job_gb,
        }
        process.stdin.write(json.dumps(task).encode() + b"\n")
        with contextlib.suppress(ConnectionError):
            await process.stdin.drain()
        async for line in process.stdout:
            self._take_report(job, line)
        code = await process.wait()
        self._fail(job, f"the process that worked on this ended by itself (code {code}): nothing was written", 1)

    def _take_report(self, job: Job, line: bytes) -> None:
        try:
            report = json.loads(line)
        except ValueError:
            return
        if job.state in ENDED:
            return
        if report.get("done"):
            job.update(state="done", stage="done", share=1.0, ended=time.monotonic())
        elif report.get("error"):
            self._fail(job, str(report["error"]), int(report.get("code", 1)))
        else:
            job.update(stage=str(report["stage"]), share=float(report["share"]))

    def _fail(self, job: Job, error: str, code: int) -> None:
        if job.state not in ENDED:
            self._store.drop(job.plan)
            job.update(state="failed", error=error, code=code, ended=time.monotonic())


async def _new_process() -> asyncio.subprocess.Process:
    pipe, none = asyncio.subprocess.PIPE, asyncio.subprocess.DEVNULL
    return await asyncio.create_subprocess_exec(
        sys.executable, "-m", "lastseen.web.worker", stdin=pipe, stdout=pipe, stderr=none, cwd=Path.cwd()
    )


async def _kill(process: asyncio.subprocess.Process | None) -> None:
    if process is None or process.returncode is not None:
        return
    with contextlib.suppress(ProcessLookupError):
        process.kill()
    await process.wait()
