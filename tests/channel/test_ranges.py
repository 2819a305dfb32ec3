"""The choice of ranges: single precision judges a setting as double precision does."""

import numpy as np
import pytest

from reachmap.channel.kernel import Apart, Kernel
from reachmap.channel.leftout import Precision, batches_of, judge
from reachmap.channel.ranges import NOISES, SHAPES


@pytest.mark.parametrize("spread_m", [0.01, 1.0, 150.0])
def test_single_precision_is_enough_even_for_points_on_top_of_each_other(spread_m):
    rng = np.random.default_rng(3)
    n = 300
    places = np.column_stack([np.sort(rng.uniform(0, spread_m, n)), rng.uniform(-0.5, 0.5, n) * spread_m])
    taper = rng.uniform(0, 1, n)
    taper[:5] = 0.0
    values, batches = rng.normal(size=n) * taper, batches_of(np.arange(n) // 8)
    for shape in SHAPES:
        for noise in NOISES:
            errors = []
            for dtype in (np.float32, np.float64):
                base = Apart(places, taper, dtype).covariance(Kernel.make((*shape, noise), 18.0, "mean"))
                assert base.dtype == dtype
                inverse = Precision.of(base, taper.astype(dtype), noise, "mean")
                errors.append(np.abs(judge(inverse, values.astype(dtype), batches)[0]).mean())
            assert errors[0] == pytest.approx(errors[1], rel=0.01)


def test_a_triangle_inverted_by_halves_is_that_of_numpy():
    rng = np.random.default_rng(1)
    for n in (1, 47, 48, 49, 130, 333):
        spread = rng.normal(size=(n, n))
        base = spread @ spread.T / n
        inverse = Precision.of(base, np.ones(n), 0.3, "none")
        assert inverse.half @ inverse.half.T == pytest.approx(np.linalg.inv(base + 0.09 * np.eye(n)), abs=1e-8)
