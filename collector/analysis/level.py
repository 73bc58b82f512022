"""A level that may drift and wander, seen through noise that may be autocorrelated: what it may be next.

    y(t) = X(t)·β + u(t) + e(t)

u is a random walk that begins at 0 (the level wanders: wear is faster on some days, demand changes), e is
noise with autocorrelation ρ per step. How much it wanders and how long the noise lasts can't be told well
from a short series, and a single estimate makes intervals too narrow; so the draws below come from all
pairs of (ρ, wander) on a grid, each as often as the data speak for it.

Source: linear model with flat priors on β and log σ, integrated over a grid (Gelman et al., Bayesian Data
Analysis, ch. 14); local level model: Durbin and Koopman, Time Series Analysis by State Space Methods, ch. 2.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product
from math import log

import numpy as np
import scipy
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TINY = 1e-9
"""Keeps covariances positive definite, and the noise of a series without any above 0."""
AUTOCORRELATIONS = (0.0, 0.4, 0.7, 0.9)
"""Per step; equally likely beforehand."""


@dataclass(frozen=True, slots=True)
class Draws:
    """(m,) each: m equally likely ways that things may stand at the last observation."""

    coefficients: Floats
    """(m, p) β."""
    wandered: Floats
    """u at the last observation."""
    noise: Floats
    """e at the last observation."""
    noise_sd: Floats
    autocorrelation: Floats
    """Per step."""
    wander_sd: Floats
    """Of u's step."""


@dataclass(frozen=True, slots=True)
class _Fit:
    """The model at one pair of the grid, with σ² and β integrated out."""

    log_weight: float
    estimate: Floats
    """(p + 2,) β̂, and what u and e at the end would be at β̂."""
    root: Floats
    """(p + 2, p + 2) lower root of their covariance over σ²."""
    residual: float
    """Sum of squares, weighted."""


def draw(
    y: Floats,
    regressors: Floats,
    steps: Floats,
    wanders: Mapping[float, float],
    rng: np.random.Generator,
    count: int,
) -> Draws:
    """Draw `count` ways that level, drift and noise may stand, given a series.

    Args:
        y: (n,) finite.
        regressors: (n, p) X, n > p + 1.
        steps: (n,) when each was seen, in steps, rising; the grid of autocorrelations counts in them.
        wanders: variance of the random walk's step, in variances of the noise -> how likely beforehand.
    """
    grid = list(product(AUTOCORRELATIONS, wanders))
    fits = [_fit(y, regressors, steps, rho, wander) for rho, wander in grid]
    logs = np.array(
        [fit.log_weight + log(wanders[wander]) for fit, (_, wander) in zip(fits, grid, strict=True)]
    )
    chosen = np.sort(rng.choice(len(fits), size=count, p=np.exp(logs - scipy.special.logsumexp(logs))))
    freedom = y.size - regressors.shape[1]
    rho, wander = np.array(grid)[chosen].T
    noise_sd = np.sqrt(np.array([fit.residual for fit in fits])[chosen] / rng.chisquare(freedom, count))
    normal = rng.normal(size=(count, regressors.shape[1] + 2))
    estimates = np.stack([fit.estimate for fit in fits])[chosen]
    roots = np.stack([fit.root for fit in fits])[chosen]
    drawn = estimates + noise_sd[:, None] * np.einsum("mij,mj->mi", roots, normal)
    return Draws(drawn[:, :-2], drawn[:, -2], drawn[:, -1], noise_sd, rho, noise_sd * np.sqrt(wander))


def _fit(y: Floats, regressors: Floats, steps: Floats, rho: float, wander: float) -> _Fit:
    since = steps - steps[0]
    lags = np.abs(since[:, None] - since[None, :])
    covariance = rho**lags + wander * np.minimum(since[:, None], since[None, :]) + TINY * np.eye(y.size)
    with_end = np.column_stack([wander * since, rho ** (since[-1] - since)])
    root = scipy.linalg.cholesky(covariance, lower=True)
    white = scipy.linalg.solve_triangular(root, np.column_stack([regressors, with_end, y]), lower=True)
    x, ends, z = white[:, : regressors.shape[1]], white[:, regressors.shape[1] : -1], white[:, -1]
    q, r = scipy.linalg.qr(x, mode="economic")
    beta = scipy.linalg.solve_triangular(r, q.T @ z)
    left = z - x @ beta
    residual = float(left @ left + TINY**2 * (y @ y) + np.finfo(np.float64).tiny)
    freedom = y.size - x.shape[1]
    log_weight = -float(np.log(np.diag(root)).sum() + np.log(np.abs(np.diag(r))).sum())
    log_weight -= freedom / 2 * np.log(residual)
    # u and e at the end are ends'·(z − x·β) plus what the data leave open
    of_beta = scipy.linalg.inv(r)
    turned = -(ends.T @ x) @ of_beta
    open_end = np.diag([wander * since[-1], 1.0]) - ends.T @ ends
    roots = np.block([[of_beta, np.zeros((x.shape[1], 2))], [turned, _root(open_end)]])
    return _Fit(log_weight, np.concatenate([beta, ends.T @ left]), roots, residual)


def _root(covariance: Floats) -> Floats:
    """A root of a covariance that may be singular."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.clip(values, 0, None)), dtype=np.float64)
