"""The process that works on one plan: reads its task from one line, reports in lines, then ends.

It is started ahead of time and loads what it needs; when it crashes, runs out of memory or is killed, only it is gone.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any, TextIO

from lastseen.core import LastseenError

_LEAST_STEP = 0.002


def main() -> None:
    """Load, wait for a line, work, tell."""
    out = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="utf-8")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # what libraries print must not mix with the reports

    line = sys.stdin.readline()
    if not line.strip():
        return
    task = json.loads(line)
    from lastseen.web.pool import limit_memory  # noqa: PLC0415

    limit_memory(float(task["gb"]))
    _work(task, out)


def _work(task: dict[str, Any], out: TextIO) -> None:
    try:
        _make_plan(task, out)
        _report(out, done=True)
    except LastseenError as error:
        _report(out, error=str(error), code=error.exit_code)
    except MemoryError:
        _report(out, error="not enough memory: choose a smaller size class or a coarser elevation model", code=6)
    except Exception as error:  # noqa: BLE001  the server says it; this process ends
        _report(out, error=f"unexpected {type(error).__name__}: {error}", code=1)


def _make_plan(task: dict[str, Any], out: TextIO) -> None:
    from lastseen.core import read_scenario  # noqa: PLC0415
    from lastseen.jobs import make_plan  # noqa: PLC0415
    from lastseen.output import result_of_plan, write_result  # noqa: PLC0415

    reported: dict[str, float] = {}

    def report(stage: str, share: float) -> None:
        if share - reported.get(stage, -1.0) >= _LEAST_STEP:
            reported[stage] = share
            _report(out, stage=stage, share=round(share, 4))

    made = make_plan(read_scenario(Path(task["scenario"])), lambda stage, share: report(stage, 0.9 * share))
    result = result_of_plan(made)
    write_result(result, Path(task["target"]), progress=lambda stage, share: report(stage, 0.9 + 0.1 * share))


def _report(out: TextIO, **values: Any) -> None:
    out.write(json.dumps(values) + "\n")
    out.flush()


if __name__ == "__main__":
    main()
