"""What starting costs: modules that help and the bare package load, and that each command shows its own options."""

import subprocess
import sys

import pytest
from typer.testing import CliRunner

import lastseen
from lastseen.cli import COMMANDS, app

# Everything that computes, draws or reads files; help needs none of it.
HEAVY = {
    "numba", "llvmlite", "numpy", "scipy", "matplotlib", "rasterio", "shapely", "pyproj", "pandas", "geopandas", "PIL",
    "skimage", "pydantic", "starlette", "uvicorn", "rich", "asyncio", "tomllib",
}  # fmt: skip


def loaded(code, *arguments):
    """Modules that a fresh interpreter has loaded after some code, without the standard library."""
    after = "\nimport sys; sys.stderr.write('\\nMODULES ' + ' '.join(sorted(sys.modules)))"
    wrapped = f"import atexit, sys\natexit.register(lambda: exec({after!r}))\n{code}"
    run = subprocess.run(
        [sys.executable, "-c", wrapped, *arguments], capture_output=True, text=True, timeout=120, check=False
    )
    assert run.returncode == 0, run.stderr
    return set(run.stderr.rpartition("MODULES ")[2].split())


def test_help_loads_the_commands_and_nothing_that_works():
    """Of the package only the commands, the faces and what knows errors and the strip width; of others only typer."""
    modules = loaded("import sys; sys.argv[0] = 'lastseen'\nfrom lastseen.cli import main; main()", "--help")
    assert {name.partition(".")[0] for name in modules} & HEAVY == set()
    assert {name for name in modules if name.startswith("lastseen.")} == {
        "lastseen.cli", "lastseen.commands", "lastseen.commands.common", "lastseen.commands.ground",
        "lastseen.commands.plan", "lastseen.commands.practice", "lastseen.commands.rescue", "lastseen.commands.tools",
        "lastseen.core", "lastseen.core.errors", "lastseen.core.quantities",
    }  # fmt: skip


def test_the_package_alone_loads_nothing():
    """``import lastseen`` knows its version; all else comes when it is asked for."""
    modules = loaded("import lastseen")
    assert {name.partition(".")[0] for name in modules} & HEAVY == set()
    assert {name for name in modules if name.startswith("lastseen.")} == set()


def test_the_package_can_be_run():
    """``python -m lastseen`` is the command line."""
    run = subprocess.run(
        [sys.executable, "-m", "lastseen", "--version"], capture_output=True, text=True, timeout=120, check=True
    )
    assert run.stdout == f"lastseen {lastseen.__version__}\n"


@pytest.mark.parametrize("name", COMMANDS)
def test_help_on_all_names_what_help_on_each_says(name):
    """The list of commands is made without their options; each has them when it is called, and the same sentence."""
    runner = CliRunner()
    listed = runner.invoke(app, ["--help"], terminal_width=300).output
    alone = runner.invoke(app, [name, "--help"], terminal_width=300).output
    row = next(line for line in listed.splitlines() if line.startswith(f"  {name} "))
    sentence = row.removeprefix(f"  {name}").strip().removesuffix("...")
    assert len(sentence) > 20
    assert sentence in alone.replace("\n  ", " ")
    assert f"lastseen {name} [OPTIONS]" in alone.replace("root ", "lastseen ")
    assert "--help" in alone


def test_a_wrong_command_is_refused_with_its_likes():
    found = CliRunner().invoke(app, ["plam"])
    assert found.exit_code == 2
    assert "plan" in found.output
