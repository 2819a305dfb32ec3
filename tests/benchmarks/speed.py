"""Error of the speed against a known truth, by survey, by how many points carry a speed and by way of filling it in.

Run with `python -m tests.benchmarks.speed`. The truth is the conveyance law v = Q d^(2/3) / integral of d^(5/3) dn on
every section of a river whose bed is known in closed form; nothing in it comes from the package.
"""

from __future__ import annotations

from dataclasses import replace
from time import perf_counter
from unittest import mock

import numpy as np

from reachmap.channel import build_channel
from reachmap.channel.choice import AVERAGE, FITTED, KNOWN, KRIGING, RESIDUAL, Choice, Measured, choose
from reachmap.channel.speed import find_speed
from tests.benchmarks.asked import numbers
from tests.channel.rivers import River, beat, survey

FLOW_M3_S = 3.0
STYLES = ("zigzag", "sections", "wading")
WAYS = (KRIGING, KNOWN, FITTED, RESIDUAL)


def true_speed(river: River, s: np.ndarray, n: np.ndarray) -> np.ndarray:
    """Speed by the conveyance law on the section through each point [m/s]."""
    stations = np.linspace(0.0, river.s[-1], 400)
    across = (np.arange(200) + 0.5) / 200 * river.width - river.width / 2
    depth = river.depth(*(a.ravel() for a in np.meshgrid(stations, across, indexing="ij"))).reshape(400, 200)
    carried = (depth ** (5 / 3)).sum(axis=1) * river.width / 200
    return FLOW_M3_S / np.interp(s, stations, carried) * river.depth(s, n) ** (2 / 3)


def surveyed(river: River, style: str, share: float, seed: int, gps: float = 1.5):
    """A beat whose soundings carry a speed at a share of the points (5 % + 2 cm/s noise)."""
    x, y, depth, line = survey(river, style, seed, gps)
    x0, y0, _, _ = survey(river, style, seed, 0.0)
    rng = np.random.default_rng(seed + 50)
    s, n = river.channel(x0, y0)
    speed = true_speed(river, s, n) * (1 + rng.normal(0, 0.05, len(s))) + rng.normal(0, 0.02, len(s))
    speed = np.where(rng.random(len(s)) < share, np.maximum(speed, 0.0), np.nan)
    head = tuple(river.at(np.zeros(1), np.zeros(1))[0])
    return beat(river.outline, x, y, depth, line, speed, head=head, caps=river.caps, flow_m3_s=FLOW_M3_S)


def forced(way: str):
    """`choose`, made to take one way."""

    def one(measured: Measured, width_m: float, known_m3_s: float | None) -> Choice:
        taken = choose(measured, width_m, known_m3_s)
        again = mock.patch("reachmap.channel.choice._best", lambda speed, tried: tried)
        with again:
            tried = {choice.name: choice for choice in choose(measured, width_m, known_m3_s)}
        return replace(tried.get(way, taken), error=np.zeros(1), by_way={})

    return one


def errors(style: str, share: float, seed: int, cell_m: float = 1.0) -> dict[str, float]:
    """RMSE of the speed by every way, and of what the held-out speeds chose, with its cover of the 90 % band."""
    river = River.make()
    out = {}
    start = perf_counter()
    with mock.patch("reachmap.channel.build.find_speed", side_effect=find_speed) as called:
        chosen = build_channel(surveyed(river, style, share, seed), cell_m=cell_m)
    out["seconds"] = perf_counter() - start
    truth = true_speed(river, *river.channel(chosen.grid.x, chosen.grid.y))
    out["chosen"] = float(np.sqrt(np.mean((chosen["speed"] - truth) ** 2)))
    out["cover"] = float(np.mean(np.abs(chosen["speed"] - truth) <= 1.645 * chosen["speed_sd"]))
    for way in WAYS:
        with mock.patch("reachmap.channel.speed.choose", forced(way)):
            speed = find_speed(*called.call_args.args, **called.call_args.kwargs).speed
        out[way] = float(np.sqrt(np.mean((speed - truth) ** 2)))
    return out


def main(seeds: tuple[int, ...] = (1, 2, 3)) -> None:
    """Print the table."""
    print(f"RMSE of speed [m/s], GPS noise 1.5 m, mean of seeds {seeds}; way chosen may be '{AVERAGE}'")
    print(f"{'survey':10s}{'speeds':>8s}{'chosen':>9s}" + "".join(f"{way[:21]:>23s}" for way in WAYS) + "  ratio cover")
    for share in (1.0, 0.25):
        for style in STYLES:
            runs = [errors(style, share, seed) for seed in seeds]
            mean = {key: float(np.mean([run[key] for run in runs])) for key in runs[0]}
            best = min(mean[way] for way in WAYS)
            row = "".join(f"{mean[way]:23.3f}" for way in WAYS)
            ratio = f"  {mean['chosen'] / best:5.2f} {mean['cover']:5.2f}"
            print(f"{style:10s}{share:8.0%}{mean['chosen']:9.3f}{row}{ratio}", flush=True)


if __name__ == "__main__":
    main(tuple(numbers(__doc__, "seeds", (1, 2, 3))))
