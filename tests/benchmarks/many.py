"""Many beats at once: one process, two processes, and a cluster of two workers on this machine.

Run with `python -m tests.benchmarks.many [beats]`. The beats are small, so starting a process and loading the libraries
count as much as they do for a real day's work. Every file of every way is compared byte by byte.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path
from time import perf_counter

from distributed import LocalCluster

from reachmap.many import map_many
from tests.beat.folders import TOML, make
from tests.benchmarks.asked import numbers


def digest(out: Path) -> str:
    """One checksum over all files of all beats."""
    found = hashlib.sha256()
    for path in sorted(p for p in out.rglob("*") if p.is_file()):
        found.update(str(path.relative_to(out)).encode() + path.read_bytes())
    return found.hexdigest()[:16]


def main() -> None:
    count = numbers(__doc__, "beats", [100])[0]
    with tempfile.TemporaryDirectory() as scratch:
        root = Path(scratch)
        os.environ["XDG_CACHE_HOME"] = str(root / "cache")
        beats = [
            make(root / "beats" / f"beat{k:03d}", toml=TOML.replace("Trial water", f"Water {k}")) for k in range(count)
        ]
        took = {}
        for name, jobs in (("one process", 1), ("two processes", 2)):
            took[name] = timed(beats, root / name.replace(" ", "-"), jobs=jobs)
        with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
            address = cluster.scheduler_address
            took["cluster of two workers"] = timed(beats, root / "cluster", dask=address)
    for name, (seconds, sum_of_all) in took.items():
        print(f"{name:24s}{seconds:8.1f} s  {took['one process'][0] / seconds:5.2f} x  bytes {sum_of_all}")


def timed(beats: list[Path], out: Path, **how) -> tuple[float, str]:
    """Seconds of one way, with nothing kept from another, and the checksum of what came out."""
    start = perf_counter()
    outcomes = map_many(beats, out, fresh=True, **how)
    seconds = perf_counter() - start
    assert all(outcome.out for outcome in outcomes), [o.message for o in outcomes if not o.out][:3]
    return seconds, digest(out)


if __name__ == "__main__":
    main()
