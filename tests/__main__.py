"""
`python3 tests`: make the environment, then the whole suite; what CI runs.

Arguments go on to pytest: `python3 tests tests/unit -k wire`. The word `bench`
alone prints speeds as ratios to general-purpose peers instead and those of the page in
Chromium (`bench page`: these alone); `shots FOLDER` takes pictures of every view in every
light at two widths; the word `soak`
alone runs a host through kills, full disks and clock steps and prints the bars;
the word `accuracy` judges the charge estimate against outside truth, `accuracy
decisions` the forecast, on outings that never took place, and `accuracy watch` the
notices, on labelled episodes, and `accuracy overs` how sending is found. `long` is the
suite with more draws of what is drawn.
"""

import os
import sys
from pathlib import Path

TOP = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TOP / "host"))

import bootstrap  # noqa: E402

if __name__ == "__main__":
    bootstrap.ensure(("test",))
    arguments = sys.argv[1:]
    os.chdir(TOP)
    if arguments[:2] == ["bench", "page"]:
        sys.exit(bootstrap.run(["tests/bench_page.py"]))
    if arguments[:1] == ["bench"]:
        sys.exit(bootstrap.run(["tests/bench.py", *arguments[1:]]))
    if arguments[:1] == ["shots"]:
        sys.exit(bootstrap.run(["tests/browser/shots.py", *arguments[1:]]))
    if arguments[:1] == ["soak"]:
        sys.exit(bootstrap.run(["-m", "soak.bars", *arguments[1:]], [TOP / "tests"]))
    if arguments[:1] == ["accuracy"]:
        for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
            os.environ.setdefault(name, "1")  # it brings its own processes
        named = arguments[1:2] in (["decisions"], ["watch"], ["overs"])
        what = arguments[1] if named else "table"
        arguments = arguments[2:] if named else arguments[1:]
        sys.exit(bootstrap.run(["-m", f"accuracy.{what}", *arguments], [TOP / "tests"]))
    if arguments[:1] == ["long"]:
        os.environ["AMPLEDGER_LONG"] = "1"
        arguments = arguments[1:]
    if not any(not a.startswith("-") for a in arguments):
        # Much of the suite waits for real time to pass (two workers leave half of two cores idle): one more than cores.
        workers = str(min(4, (os.cpu_count() or 1) + 1))
        arguments = ["-n", workers, "--dist", "worksteal", *arguments, "tests"]
    sys.exit(bootstrap.run(["-m", "pytest", *arguments]))
