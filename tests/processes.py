"""Commands in processes of their own, forked from one that has imported everything and loaded all compiled kernels.

Streams, exit codes and working folder are those of the command line, without seconds of imports and of loading for each
command. Tests of the start itself (help, interrupts, other environments) start the program instead.
"""

import atexit
import json
import os
import subprocess
import sys
import tempfile
from contextlib import contextmanager
from pathlib import Path
from unittest.mock import patch

MOST_S = 240
LOOP = """
import atexit, gc, importlib, json, os, pkgutil, signal, sys
from contextlib import nullcontext
import geopandas, gpxpy.gpx, pyarrow
from PIL import Image
import lastseen
from lastseen.cli import main
from numba.core.dispatcher import Dispatcher
sys.path.insert(0, sys.argv[1])
from processes import undrawn

for module in pkgutil.walk_packages(lastseen.__path__, "lastseen."):
    if not module.name.endswith("__main__"):
        found = vars(importlib.import_module(module.name)).values()
        for kernel in {id(one): one for one in found if isinstance(one, Dispatcher)}.values():
            for key in kernel._cache._cache_file._load_index():
                kernel.compile(key[0])  # takes it from the cache
Image.init()
gc.freeze()
for line in sys.stdin:
    asked = json.loads(line)
    child = os.fork()
    if child == 0:
        signal.alarm(asked["most_s"])
        os.chdir(asked["cwd"])
        for number, name in enumerate((os.devnull, asked["out"], asked["err"])):
            os.dup2(os.open(name, os.O_RDWR | os.O_CREAT | os.O_TRUNC), number)
        sys.argv = ["lastseen", *asked["words"]]
        try:
            with nullcontext() if asked["drawn"] else undrawn():
                main()
        except SystemExit as end:
            atexit._run_exitfuncs()
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(end.code)  # taking the interpreter down would cost a second
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""
_loops = []


@contextmanager
def undrawn():
    """Pictures and printed pages are files with one byte: drawing takes longest, and tests of the output look at it."""
    from matplotlib.backends.backend_pdf import PdfPages  # noqa: PLC0415  most tests draw nothing
    from matplotlib.figure import Figure  # noqa: PLC0415

    def touch_picture(_figure, path, **_how):
        Path(path).write_bytes(b"-")

    def touch_page(pages, *_figure, **_how):
        Path(pages._filename).write_bytes(b"-")

    with patch.object(Figure, "savefig", touch_picture), patch.object(PdfPages, "savefig", touch_page):
        yield


def run_command(*words, cwd=None, drawn=True):
    """Run a command, where not `drawn` as `undrawn` does; returns code, standard output and standard error."""
    if not hasattr(os, "fork"):
        return start_command(*words, cwd=cwd)
    if not _loops:
        _loops.append(
            subprocess.Popen(
                [sys.executable, "-c", LOOP, str(Path(__file__).parent)],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            )
        )  # fmt: skip
        atexit.register(_loops[0].stdin.close)
    with tempfile.TemporaryDirectory() as folder:
        out, err = Path(folder, "out"), Path(folder, "err")
        asked = {"words": [*map(str, words)], "cwd": str(cwd or Path.cwd()), "most_s": MOST_S, "drawn": drawn}
        print(json.dumps(asked | {"out": str(out), "err": str(err)}), file=_loops[0].stdin, flush=True)
        code = int(_loops[0].stdout.readline())
        return code, out.read_text(encoding="utf-8"), err.read_text(encoding="utf-8")


def start_command(*words, cwd=None, env=None):
    """Run a command as people do, in a fresh process; returns code, standard output and standard error."""
    program = Path(sys.executable).with_name("lastseen")
    done = subprocess.run(
        [program, *map(str, words)], capture_output=True, text=True, cwd=cwd, env=env, timeout=MOST_S, check=False
    )
    return done.returncode, done.stdout, done.stderr
