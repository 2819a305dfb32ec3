"""Work in processes of its own: it ends with the process that asked for it, whatever ends that."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from reachmap.processes import LostError, done_here, done_on_cluster, processes_here

STOPS_S = 20
"""Far more than stopping takes on a busy machine, and far less than the work would [s]."""

PARENT = """
import os, sys, time
from reachmap.processes import processes_here
if __name__ == "__main__":
    with processes_here(2) as pool:
        at_work = {pool.submit(os.getpid).result() for _ in range(4)}
        pool.submit(time.sleep, 120)
        print(*at_work, flush=True)
        time.sleep(120)
"""


def test_an_error_drops_the_work_and_leaves_no_process():
    begun = time.monotonic()
    with pytest.raises(KeyboardInterrupt):
        begin_and_stop()
    assert time.monotonic() - begun < STOPS_S
    assert not multiprocessing.active_children()


def begin_and_stop():
    """Work for minutes, most of it in waiting, stopped at once."""
    with processes_here(2) as pool:
        assert pool.submit(os.getpid).result() != os.getpid()
        for _ in range(6):
            pool.submit(time.sleep, 60)
        raise KeyboardInterrupt


@pytest.mark.parametrize("by", [signal.SIGTERM, signal.SIGKILL])
def test_a_killed_run_takes_its_processes_with_it(tmp_path, by):
    script = tmp_path / "parent.py"
    script.write_text(PARENT, encoding="utf-8")
    with subprocess.Popen([sys.executable, script], stdout=subprocess.PIPE, text=True) as parent:
        at_work = [int(pid) for pid in parent.stdout.readline().split()]
        assert at_work
        parent.send_signal(by)
    begun = time.monotonic()
    while any(map(alive, at_work)):
        assert time.monotonic() - begun < STOPS_S
        time.sleep(0.05)


def deadly(number: int) -> int:
    """A task that for one number gets its process killed."""
    if number == 2:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


def test_a_killed_process_takes_no_other_task_with_it():
    done = dict(done_here(deadly, [(number,) for number in range(7)], 2))
    assert isinstance(done.pop(2), LostError)
    assert done == {number: number for number in (0, 1, 3, 4, 5, 6)}


def test_what_a_cluster_cannot_do_is_told_and_so_is_that_it_goes_away():
    # Here, as the processes of the pools load this file too.
    from distributed import LocalCluster

    with LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None) as cluster:
        done = dict(done_on_cluster(int, [("1",), ("one",)], cluster.scheduler_address))
        assert done[0] == 1
        assert str(done[1]).startswith("the cluster could not do it (ValueError: ")
        slow = done_on_cluster(time.sleep, [(0,), (60,), (60,)], cluster.scheduler_address)
        assert next(slow) == (0, None)
        cluster.close()
        why = "the cluster went away before it was done"
        assert {number: str(lost) for number, lost in slow} == {1: why, 2: why}


def alive(pid: int) -> bool:
    """Whether a process still runs; one that nobody has waited for yet does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False
