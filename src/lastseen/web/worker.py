"""The process that works on one plan: told what to do in one line, tells how it goes in lines, then ends.

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
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # what libraries print must not mix with what is told

    line = sys.stdin.readline()
    if not line.strip():
        return
    task = json.loads(line)
    from lastseen.web.helpers import bounded_memory  # noqa: PLC0415

    bounded_memory(float(task["gb"]))
    _work(task, out)


def _work(task: dict[str, Any], out: TextIO) -> None:
    try:
        _make(task, out)
        _tell(out, done=True)
    except LastseenError as error:
        _tell(out, error=str(error), code=error.exit_code)
    except MemoryError:
        _tell(out, error="not enough memory: choose a smaller size class or a coarser elevation model", code=6)
    except Exception as error:  # noqa: BLE001  the server says it; this process ends
        _tell(out, error=f"unexpected {type(error).__name__}: {error}", code=1)


def _make(task: dict[str, Any], out: TextIO) -> None:
    from lastseen.core import read_scenario  # noqa: PLC0415
    from lastseen.jobs import make_plan  # noqa: PLC0415
    from lastseen.output import result_of_plan, write_result  # noqa: PLC0415

    told: dict[str, float] = {}

    def report(stage: str, share: float) -> None:
        if share - told.get(stage, -1.0) >= _LEAST_STEP:
            told[stage] = share
            _tell(out, stage=stage, share=round(share, 4))

    made = make_plan(read_scenario(Path(task["scenario"])), lambda stage, share: report(stage, 0.9 * share))
    result = result_of_plan(made)
    write_result(result, Path(task["target"]), progress=lambda stage, share: report(stage, 0.9 + 0.1 * share))


def _tell(out: TextIO, **what: Any) -> None:
    out.write(json.dumps(what) + "\n")
    out.flush()


if __name__ == "__main__":
    main()
