"""Runs killed at random, and runs at once: the output folder is whole whenever it is there, nothing is left over."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from tests.beat.folders import make

NAMES = ["card.html", "layers.tif", "lies.csv", "lies.gpkg", "map.html", "run.json", "waypoints.gpx"]


def started(beat: Path, out: Path, cache: Path) -> subprocess.Popen:
    command = [sys.executable, "-m", "reachmap", "map", str(beat), "--out", str(out), "--quiet"]
    environment = os.environ | {"XDG_CACHE_HOME": str(cache), "OPENBLAS_NUM_THREADS": "1"}
    return subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)


def whole(out: Path) -> bool:
    return sorted(path.name for path in out.iterdir()) == NAMES and all(path.stat().st_size for path in out.iterdir())


def test_two_runs_at_once_into_one_folder_leave_one_whole_result(tmp_path):
    beat, out = make(tmp_path / "beat"), tmp_path / "maps" / "out"
    runs = [started(beat, out, tmp_path / "cache") for _ in range(2)]
    ends = [run.communicate(timeout=120) for run in runs]
    assert [run.returncode for run in runs] == [0, 0], ends
    assert whole(out)
    assert [path.name for path in out.parent.iterdir()] == ["out"]


def killed(tmp_path: Path, kills: int) -> None:
    """Kill runs into a folder that holds a result; count what is lost, then run once more and count what is left."""
    beat, out, rng = make(tmp_path / "beat"), tmp_path / "maps" / "out", np.random.default_rng(4)
    begun = time.monotonic()
    assert started(beat, out, tmp_path / "cache").wait(120) == 0
    full = time.monotonic() - begun
    broken = 0
    for k in range(kills):
        run = started(beat, out, tmp_path / "cache")
        # Two in three kills fall into the last third, where files are written.
        time.sleep(full * (rng.uniform(0.0, 1.0) if k % 3 == 0 else rng.uniform(0.6, 1.0)))
        run.send_signal(signal.SIGKILL)
        run.communicate()
        broken += out.exists() and not whole(out)
    lost = not out.exists() and not any(path.name.startswith(".out.old-") for path in out.parent.iterdir())
    assert started(beat, out, tmp_path / "cache").wait(120) == 0
    left = [path.name for path in out.parent.iterdir() if path != out]
    print(f"{kills} kills within {full:.1f} s: {broken} half written, {int(lost)} lost, {len(left)} left over")
    assert (broken, lost, left) == (0, False, [])
    assert whole(out)


@pytest.mark.slow
def test_fifty_kills(tmp_path):
    killed(tmp_path, 50)
