"""Size and speed of the living map on a large reach, measured in a real Chromium with the network off.

Run with `python -m tests.benchmarks.page`. The water is the invented river of tests/synthetic (through the sample beat
made of it) in cells small enough for the number of wet cells asked for. Limits: 12 MB, ready in 2 s, 60 ms for a step
of the hour; a reach above the limit of cells carries a coarser copy and keeps to the same figures.
"""

from __future__ import annotations

import sys
import tempfile
from math import sqrt
from pathlib import Path
from time import perf_counter
from typing import Any

import numpy as np
from playwright.sync_api import sync_playwright

from reachmap.beat import read_beat
from reachmap.run import analyse
from reachmap.write import map_page
from reachmap.write.model import Result
from tests.benchmarks.asked import numbers
from tests.browser import ARGS, find_browser

SAMPLE = Path(__file__).parents[2] / "sample_reach"
MOST_MB, MOST_READY_S, MOST_STEP_MS = 12.0, 2.0, 60.0

STEPS = """async (steps) => {
  const page = reachmapPage, out = [];
  for (const step of steps) {
    const started = performance.now();
    page.set({ step });
    await new Promise((go) => requestAnimationFrame(() => {
      const after = new MessageChannel();
      after.port1.onmessage = go;
      after.port2.postMessage(0);
    }));
    out.push([performance.now() - started, page.state.ms]);
  }
  return out;
}"""
"""Set each step and wait until its frame is drawn: whole time and the script's part of it [ms]."""


def large_result(cells: int) -> Result:
    """The sample river in cells so small that about so many are wet."""
    beat = read_beat(SAMPLE)
    return analyse(beat, cell_m=sqrt(beat.outline.area / cells))


def measure(path: Path, width: int = 390, height: int = 844) -> dict[str, Any]:
    """Open the page three times and move the hour through the day, in order and at random; the least time of each.

    Other work on the machine only ever adds time, so the least of three is nearest to what the page needs.
    """
    ready, walks, jumps = [], [], []
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=str(find_browser()), args=ARGS)
        for _ in range(3):
            page = browser.new_page(viewport={"width": width, "height": height})
            page.goto(path.as_uri())
            page.wait_for_selector("body[data-ready]", timeout=60000)
            ready.append(page.evaluate("performance.getEntriesByName('ready')[0].startTime") / 1000)
            count = page.evaluate("reachmapPage.D.days[0].times.length")
            order = np.random.default_rng(5).permutation(count)
            walks.append(page.evaluate(STEPS, list(range(count))))
            jumps.append(page.evaluate(STEPS, order.tolist()))
            cells, shown = page.evaluate("[reachmapPage.D.n, reachmapPage.D.shown]")
            page.close()
        browser.close()
    return {
        "cells": cells,
        "shown": shown,
        "ready_s": min(ready),
        "in order": np.array(walks).min(0),
        "at random": np.array(jumps).min(0),
    }


def report(cells: int) -> bool:
    """Print one reach's figures; True if all limits are kept."""
    result = large_result(cells)
    started = perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "map.html"
        path.write_text(map_page(result), encoding="utf-8")
        made_s = perf_counter() - started
        size_mb = path.stat().st_size / 1e6
        got = measure(path)
    print(f"{result.channel.grid.n_wet:,} wet cells worked out, {got['cells']:,} in the page. {got['shown']}")
    print(f"  page made in {made_s:.1f} s, {size_mb:.2f} MB (limit {MOST_MB:g}); ready in {got['ready_s']:.2f} s")
    steps = []
    for name in ("in order", "at random"):
        whole, script = got[name].T
        steps.append(float(np.percentile(whole, 95)))
        print(
            f"  hour {name}: median {np.median(whole):.0f} ms, 95 % {steps[-1]:.0f}, most {whole.max():.0f}"
            f" (step {int(whole.argmax())}); script alone median {np.median(script):.0f}, most {script.max():.0f}",
            flush=True,
        )
    return size_mb < MOST_MB and got["ready_s"] < MOST_READY_S and max(steps) < MOST_STEP_MS


def main(sizes: tuple[int, ...] = (399_000, 900_000)) -> None:
    """Print the figures; exit code 1 if a limit is missed."""
    kept = [report(cells) for cells in sizes]
    sys.exit(0 if all(kept) else 1)


if __name__ == "__main__":
    main(tuple(numbers(__doc__, "cells", (399_000, 900_000))))
