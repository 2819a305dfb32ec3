"""Freed memory is kept during a run and given back after it, as the kernel counts it."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

BLOCK = 200_000_000

CODE = f"""
import numpy as np
from reachmap.memory import keeping_freed

def resident():
    '''Bytes in memory: statm in proc(5), the second figure, in pages.'''
    import resource
    with open("/proc/self/statm") as table:
        return int(table.read().split()[1]) * resource.getpagesize()

def made_and_freed():
    np.ones({BLOCK}, np.uint8)

before = resident()
made_and_freed()
outside = resident() - before
with keeping_freed():
    made_and_freed()
    within = resident() - before
print(outside, within, resident() - before)
try:
    with keeping_freed():
        made_and_freed()
        raise ValueError
except ValueError:
    pass
made_and_freed()
print(resident() - before)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only the GNU C library is asked")
def test_freed_memory_stays_within_and_goes_back_afterwards():
    done = subprocess.run([sys.executable, "-c", CODE], capture_output=True, text=True, check=True)
    outside, within, after, after_failure = (int(figure) for figure in done.stdout.split())
    assert within > 0.9 * BLOCK
    assert max(outside, after, after_failure) < 0.1 * BLOCK


def test_another_c_library_is_left_alone(monkeypatch):
    from reachmap import memory

    monkeypatch.setattr(memory, "_c_library", lambda: None)
    with memory.keeping_freed():
        assert len(bytearray(1000)) == 1000
