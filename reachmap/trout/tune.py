"""Fit the weights of the score to where fish were met, with care: few numbers, pulled toward the defaults,
and thrown away unless they do better on trips they have not seen.

Model: on one trip an angler fishes some cells; a fish is met at one of them with a chance in proportion to
exp(sum theta_i ln f_i), the score raised to a power. This is McFadden's conditional logit (1974, in Zarembka (ed.),
Frontiers in Econometrics) with the logs of the factors as covariates; the defaults are theta = k w with one free k.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize, stats

from reachmap.threads import matrices_alone

PULL = 10.0
"""Strength of the pull toward the default weights (assumed: a dozen meetings move a weight about half way)."""

LOOSE = 0.5
"""Strength of the pull for the interval, which must not be narrowed by what was assumed before (assumed)."""

LEAST_PLACES = 20
"""Places with fish below which nothing is tuned, counts only."""

LEAST_AWAY = 0.2
"""Share of the fished water away from fish below which nothing is tuned, as fish held against their own surroundings
alone seem to keep from the best water (assumed)."""

LEAST_TRIPS = 5
"""Trips below which nothing can be held out honestly (assumed)."""

DRAWS = 40
"""Resamplings of the trips for the interval of the weights."""

FLOOR = 1e-3
"""Smallest suitability whose logarithm is taken, so that one zero does not decide everything (assumed)."""


@dataclass(frozen=True)
class Choice:
    """One moment: ln of the factors where fish were met (n_met, n_factors) and over the water fished (n, n_factors)."""

    fish: np.ndarray
    water: np.ndarray


Trip = tuple[Choice, ...]
"""All moments of one trip, which is held out as a whole."""


@dataclass(frozen=True)
class Tuning:
    """What came of it.

    Parameters
    ----------
    better : True if the tuned weights beat the defaults on held-out trips
    why : one sentence for a person
    weights : tuned weights scaled to the sum of the defaults (n_factors,); the defaults when not better
    low, high : 90 % interval of what the log alone allows, from resampled trips and with hardly any pull
        (n_factors,); the defaults when not better
    gain : mean gain in log-likelihood per held-out trip
    t : the gain over its standard error
    n_met, n_trips : meetings and trips it rests on
    """

    better: bool
    why: str
    weights: np.ndarray
    low: np.ndarray
    high: np.ndarray
    gain: float
    t: float
    n_met: int
    n_trips: int


def log_factors(factors: np.ndarray) -> np.ndarray:
    """Logarithm of suitabilities 0-1, floored at `FLOOR`."""
    return np.log(np.maximum(factors, FLOOR))


def log_likelihood(theta: np.ndarray, trips: Sequence[Trip]) -> tuple[float, np.ndarray]:
    """Log-likelihood of the meetings against even use of the fished water, and its gradient in theta."""
    total, slope = 0.0, np.zeros_like(theta)
    for choice in (choice for trip in trips for choice in trip):
        value = choice.water @ theta
        top = value.max()
        chance = np.exp(value - top)
        every, n, met = chance.sum(), len(choice.fish), choice.fish.sum(0)
        total += float(met @ theta - n * (top + np.log(every / len(chance))))
        slope += met - n * (chance @ choice.water) / every
    return total, slope


def fit_default(default: np.ndarray, trips: Sequence[Trip]) -> float:
    """The one power k >= 0 that makes the default score fit best."""

    def loss(k: np.ndarray) -> tuple[float, np.ndarray]:
        value, slope = log_likelihood(k[0] * default, trips)
        return -value, np.array([-slope @ default])

    return float(optimize.minimize(loss, [1.0], jac=True, method="L-BFGS-B", bounds=[(0, 20)]).x[0])


def fit_weights(default: np.ndarray, trips: Sequence[Trip], pull: float = PULL) -> np.ndarray:
    """theta >= 0 that fits best while pulled toward k times the defaults (n_factors,)."""
    k = max(fit_default(default, trips), 0.1)

    def loss(theta: np.ndarray) -> tuple[float, np.ndarray]:
        value, slope = log_likelihood(theta, trips)
        away = theta / k - default
        return -value + 0.5 * pull * float(away @ away), -slope + pull * away / k

    bounds = [(0, None)] * len(default)
    return optimize.minimize(loss, k * default, jac=True, method="L-BFGS-B", bounds=bounds).x


@matrices_alone()
def tune(
    default: np.ndarray,
    trips: Sequence[Trip],
    places: int | None = None,
    away: float = 1.0,
    alpha: float = 0.05,
) -> Tuning:
    """Tune the weights, hold out each trip in turn, keep them only if they win there.

    Parameters
    ----------
    default : default weights (n_factors,)
    trips : what was met and where it was fished for, trip by trip
    places : places with fish, counted once however many trips met them there; None takes every meeting for another
    away : share of the fished water away from fish, 0-1; without any, fish are held against their own surroundings
    alpha : chance of tuning when there is nothing to learn (one-sided t-test over held-out trips, their variance
        corrected for what they share)
    """
    default = np.asarray(default, float)
    met = [trip for trip in trips if any(len(choice.fish) for choice in trip)]
    n_met = sum(len(choice.fish) for trip in met for choice in trip)
    places = n_met if places is None else places
    lacking = ""
    if places < LEAST_PLACES or len(met) < LEAST_TRIPS:
        lacking = (
            f"fish at {counted(places, 'place')}, met on {len(met)} of {counted(len(trips), 'trip')}, are too few to "
            f"tune: it takes {LEAST_PLACES} places on {LEAST_TRIPS} trips to hold some out"
        )
    elif away < LEAST_AWAY:
        lacking = "blanks are too few to tune: fish can't be held against water where there were none"
    if lacking:
        return Tuning(False, lacking, default, default, default, 0.0, 0.0, n_met, len(met))
    gains = np.array([_gain_on(default, met, held) for held in range(len(met))])
    # Trips held out in turn share nearly all of what was learnt from, so their gains vary together: the variance of
    # the mean is that of one gain times 1/n plus held-out over kept trips (Nadeau & Bengio 2003, Mach. Learn. 52:239;
    # from memory).
    spread = gains.std(ddof=1) * np.sqrt(1 / len(gains) + 1 / (len(gains) - 1))
    t = float(gains.mean() / spread) if spread > 0 else 0.0
    better = t > stats.t.ppf(1 - alpha, len(gains) - 1)
    weights = low = high = default
    if better:
        weights = _scaled(fit_weights(default, met), default)
        low, high = _interval(default, met)
    word = "beat" if better else "do not beat"
    why = f"tuned weights {word} the defaults on trips held out (t = {t:.1f} over {len(met)} trips, {places} places)"
    return Tuning(bool(better), why, weights, low, high, float(gains.mean()), t, n_met, len(met))


def counted(count: int, what: str) -> str:
    """1 trip; 2 trips."""
    return f"{count} {what}{'' if count == 1 else 's'}"


def _gain_on(default: np.ndarray, trips: Sequence[Trip], held: int) -> float:
    """Log-likelihood of one held-out trip: tuned on the others minus defaults fitted on the others."""
    rest = [trip for i, trip in enumerate(trips) if i != held]
    tuned = log_likelihood(fit_weights(default, rest), [trips[held]])[0]
    plain = log_likelihood(fit_default(default, rest) * default, [trips[held]])[0]
    return tuned - plain


def _interval(default: np.ndarray, trips: Sequence[Trip]) -> tuple[np.ndarray, np.ndarray]:
    """5 and 95 % points of the weights over resampled trips, hardly pulled: what the log alone allows."""
    rng = np.random.default_rng(1)  # the same log gives the same interval
    drawn = [rng.integers(0, len(trips), len(trips)) for _ in range(DRAWS)]
    fits = np.array([_scaled(fit_weights(default, [trips[i] for i in draw], LOOSE), default) for draw in drawn])
    return np.quantile(fits, 0.05, axis=0), np.quantile(fits, 0.95, axis=0)


def _scaled(theta: np.ndarray, default: np.ndarray) -> np.ndarray:
    """Weights with the sum of the defaults; the defaults if every theta is 0."""
    return theta * default.sum() / theta.sum() if theta.sum() > 0 else default
