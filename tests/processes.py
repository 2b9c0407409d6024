"""Commands in processes of their own, forked from one that has imported everything already.

Streams, exit codes and working folder are those of the command line, without seconds of imports for each command. Tests
of the start itself (help, interrupts, other environments) start the program instead.
"""

import atexit
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

MOST_S = 240
LOOP = """
import atexit, gc, importlib, json, os, pkgutil, signal, sys
import lastseen
from lastseen.cli import main

for module in pkgutil.walk_packages(lastseen.__path__, "lastseen."):
    if not module.name.endswith("__main__"):
        importlib.import_module(module.name)
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
            main()
        except SystemExit as end:
            atexit._run_exitfuncs()
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(end.code)  # taking the interpreter down would cost a second
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""
_loops = []


def run_command(*words, cwd=None):
    """Run a command; returns code, standard output and standard error."""
    if not hasattr(os, "fork"):
        return start_command(*words, cwd=cwd)
    if not _loops:
        _loops.append(
            subprocess.Popen([sys.executable, "-c", LOOP], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        )
        atexit.register(_loops[0].stdin.close)
    with tempfile.TemporaryDirectory() as folder:
        out, err = Path(folder, "out"), Path(folder, "err")
        asked = {"words": [*map(str, words)], "cwd": str(cwd or Path.cwd()), "most_s": MOST_S}
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
