"""How long the sample takes from the command line, beside importing the libraries it needs.

    python -m tests.benchmarks.start
    python -m tests.benchmarks.start --rounds 9

Every figure is the elapsed time of a process of its own, the median of several rounds; the processes to be compared
take turns, so that a change in the machine's speed meets all alike. "libraries" imports every module from outside the
package and the standard library that such a run had loaded in the end, and does nothing else. All code is compiled
beforehand, as an installed package is.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from statistics import median
from time import perf_counter

SAMPLE = Path(__file__).parents[2] / "sample_reach"

RUN = "from reachmap.cli import main; main({arguments!r}, standalone_mode=False)"

LOADED = """
import json, sys
known = {*sys.stdlib_module_names, "reachmap", "__main__"}
names = [name for name, module in sys.modules.items() if module and name.partition(".")[0] not in known]
print(json.dumps(names), file=sys.stderr)
"""

IMPORT = """
import contextlib, importlib
for name in {names!r}:
    with contextlib.suppress(ImportError):
        importlib.import_module(name)
"""


def ran(code: str) -> tuple[float, str]:
    """Elapsed seconds of a process that runs some code, and what it wrote to standard error."""
    start = perf_counter()
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    return perf_counter() - start, done.stderr


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=5)
    rounds = parser.parse_args().rounds
    with tempfile.TemporaryDirectory() as scratch:
        os.environ |= {"XDG_CACHE_HOME": scratch, "PYTHONPYCACHEPREFIX": f"{scratch}/compiled"}
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        arguments = ["map", str(SAMPLE), "--out", f"{scratch}/out", "--quiet"]
        print("                run   libraries   ratio")
        for name, more in (("all anew", ["--fresh"]), ("water kept", [])):
            mapped = RUN.format(arguments=[*arguments, *more])
            names = json.loads(ran(mapped + LOADED)[1].splitlines()[-1])
            taken = [(ran(mapped)[0], ran(IMPORT.format(names=names))[0]) for _ in range(rounds)]
            run, libraries = (median(seconds) for seconds in zip(*taken, strict=True))
            ratio = median(mine / other for mine, other in taken)
            print(f"{name:12s}{run:6.2f} s{libraries:10.2f} s{ratio:8.2f}", flush=True)


if __name__ == "__main__":
    main()
