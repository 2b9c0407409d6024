"""Twenty people at once move the slider of one server: how long lanes take, and whether memory grows.

    python tests/bench/load.py [seconds] [clients]

Each asks for lanes with a width and a number of searchers of its own, looks at them for a while (3 s on average), and
asks again. Widths differ by 0.1 m, so that nearly every layout is worked out anew. It prints, and never fails.
"""

import asyncio
import os
import random
import sys
import tempfile
import time
from pathlib import Path

import httpx
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from web.conftest import TOKEN, Server

LOOK_S = 3.0


def tree(process):
    """A process and all that descend from it: the server's helpers start processes of their own."""
    found = [process]
    for one in found:
        try:
            for thread in Path(f"/proc/{one}/task").iterdir():
                found += map(int, (thread / "children").read_text().split())
        except OSError:  # it ended just now
            continue
    return found


def each(process, name):
    """The text of a file of every process of a tree that still runs; empty where the system does not tell."""
    for one in tree(process):
        try:
            yield Path(f"/proc/{one}/{name}").read_text()
        except OSError:
            continue


def memory_mb(process):
    """Resident memory of a process and all below it, MB; None where the system does not tell."""
    pages = [int(text.split()[1]) for text in each(process, "statm")]
    return sum(pages) * os.sysconf("SC_PAGE_SIZE") / 1e6 if pages else None


def cpu_s(process):
    """Seconds of CPU that a process and all below it have used, with those that ended; None where unknown.

    A process that ends is counted with its parent (cutime, cstime). Without that the sum falls when one ends.
    """
    rows = [text.rsplit(")", 1)[1].split()[11:15] for text in each(process, "stat")]
    return sum(int(one) for row in rows for one in row) / os.sysconf("SC_CLK_TCK") if rows else None


async def person(address, plan, end, seed, took, codes):
    dice = random.Random(seed)
    async with httpx.AsyncClient(base_url=address, headers={"authorization": f"Bearer {TOKEN}"}, timeout=60) as client:
        await asyncio.sleep(dice.random() * LOOK_S)
        while time.monotonic() < end:
            asked = {"strip_width_m": round(dice.uniform(20.0, 60.0), 1), "searchers": dice.randint(1, 6)}
            begin = time.perf_counter()
            found = await client.post(f"/api/plans/{plan}/lanes", json=asked)
            took.append(time.perf_counter() - begin)
            codes.append(found.status_code)
            await asyncio.sleep(dice.expovariate(1.0 / LOOK_S))


async def watch(process, end, seen):
    begin = time.monotonic()
    while time.monotonic() < end:
        seen.append((time.monotonic() - begin, memory_mb(process)))
        await asyncio.sleep(5.0)


async def run(server, plan, seconds, clients):
    took, codes, seen = [], [], []
    end, used = time.monotonic() + seconds, cpu_s(server.process.pid)
    people = [person(server.origin, plan, end, k, took, codes) for k in range(clients)]
    await asyncio.gather(watch(server.process.pid, end, seen), *people)
    ms = 1000.0 * np.array(took)
    print(f"{clients} clients, {seconds:.0f} s: {ms.size} layouts, {ms.size / seconds:.1f} a second")
    print(
        "ms: " + ", ".join(f"p{p} {np.percentile(ms, p):.0f}" for p in (50, 90, 95, 99)) + f", longest {ms.max():.0f}"
    )
    if used is not None:
        spent = 1000.0 * (cpu_s(server.process.pid) - used) / ms.size
        print(
            f"CPU of the server for one layout: {spent:.0f} ms; others on the machine: {os.getloadavg()[0]:.1f} in line"
        )
    print("answers: " + ", ".join(f"{code}: {codes.count(code)}" for code in sorted(set(codes))))
    known = [(t, mb) for t, mb in seen if mb is not None]
    if known:
        print(
            "memory of all processes, MB: "
            + ", ".join(f"{t:.0f} s {mb:.0f}" for t, mb in known[:: max(1, len(known) // 8)])
        )


def main():
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 300.0
    clients = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    with tempfile.TemporaryDirectory() as folder:
        server = Server(Path(folder) / "plans")
        try:
            asyncio.run(run(server, server.make(), seconds, clients))
        finally:
            server.stop()


if __name__ == "__main__":
    main()
