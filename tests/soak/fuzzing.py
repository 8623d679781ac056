"""The coverage-guided fuzz (tests/fuzz/atheris_decode.py) as a child process, and what it reports."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from common import TOP

_DONE = re.compile(r"#(\d+)\s+(?:DONE|pulse|REDUCE|NEW|RELOAD)\s+cov: (\d+) ft: (\d+)")


@dataclass(frozen=True)
class Fuzzed:
    """Inputs tried, edges and features of the code reached, and the end of the output if a property broke."""

    inputs: int
    edges: int
    features: int
    found: str


def start(folder: Path, runs: int, seed: int) -> subprocess.Popen[bytes]:
    """Begin; what it says goes to a file in `folder`."""
    script = TOP / "tests" / "fuzz" / "atheris_decode.py"
    command = [sys.executable, str(script), str(folder / "corpus"), f"-runs={runs}", f"-seed={seed}"]
    command += [f"-artifact_prefix={folder}/"]
    with (folder / "fuzz.txt").open("wb") as out:
        return subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT, cwd=folder)


def told(folder: Path, code: int) -> Fuzzed:
    """What came of it."""
    text = (folder / "fuzz.txt").read_text(encoding="utf-8", errors="replace")
    inputs, edges, features = (int(x) for x in (_DONE.findall(text) or [(0, 0, 0)])[-1])
    return Fuzzed(inputs, edges, features, "" if code == 0 else text[-3000:] or f"it ended with {code}")


def fuzz(folder: Path, runs: int, seed: int) -> Fuzzed:
    """All of it."""
    return told(folder, start(folder, runs, seed).wait())
