"""Slope and intercept of calibration: logistic regression of what was so on the log-odds that were told (Cox 1958)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leakinfer.study.measures.values import UNKNOWN, Interval

Array = NDArray[np.float64]
EDGE = 1e-12  # told chances nearer to 0 or 1 count as this, since their log-odds have no end
NORMAL_975 = 1.959964  # of the normal distribution, 97.5 %
MOST_STEPS = 60
CLOSE = 1e-10


def log_odds(chance: Array) -> Array:
    """ln(p / (1 - p)), kept finite."""
    kept = np.clip(chance, EDGE, 1 - EDGE)
    return np.asarray(np.log(kept) - np.log1p(-kept))


def slope_and_intercept(chance: Array, truth: Array, job: NDArray[np.intp]) -> tuple[Interval, Interval]:
    """(rows,) told chances and 0 or 1; intervals allow for rows of one job hanging together.

    Unknown where all rows say the same, or where a line parts the true from the false ones.
    """
    told = log_odds(chance)
    if np.ptp(truth) == 0 or np.ptp(told) == 0:
        return UNKNOWN, UNKNOWN
    columns = np.stack([np.ones(len(told)), told], axis=1)
    found = fitted(columns, truth)
    if found is None:
        return UNKNOWN, UNKNOWN
    spread = np.sqrt(np.diag(covariance(columns, truth, found, job)))
    reach = NORMAL_975 * spread
    ends = np.stack([found, found - reach, found + reach], axis=1).tolist()
    return Interval(*ends[1]), Interval(*ends[0])


def fitted(columns: Array, truth: Array) -> Array | None:
    """(columns,) weights of the largest likelihood by Newton's steps, halved while they lead down; None if none is."""
    weights = np.zeros(columns.shape[1])
    height = _log_likelihood(columns, truth, weights)
    for _ in range(MOST_STEPS):
        expected = sigmoid(columns @ weights)
        slope = columns.T @ (truth - expected)
        bend = curvature(columns, expected)
        if np.linalg.cond(bend) > 1 / CLOSE:
            return None
        step = np.linalg.solve(bend, slope)
        while (risen := _log_likelihood(columns, truth, weights + step)) < height - CLOSE * abs(height):
            step = step / 2
        weights, height = weights + step, risen
        if np.abs(step).max() < CLOSE * (1 + np.abs(weights).max()):
            return weights
    return None


def covariance(columns: Array, truth: Array, weights: Array, job: NDArray[np.intp]) -> Array:
    """(columns, columns) of the weights when the rows of a job hang together (Liang & Zeger 1986), with the factor
    jobs / (jobs - 1) for few jobs; infinite for one job."""
    jobs = int(job.max()) + 1
    if jobs == 1:
        return np.full((columns.shape[1],) * 2, np.inf)
    expected = sigmoid(columns @ weights)
    inverse = np.linalg.inv(curvature(columns, expected))
    pulls = np.stack([np.bincount(job, column * (truth - expected), jobs) for column in columns.T], axis=1)
    return np.asarray(jobs / (jobs - 1) * inverse @ (pulls.T @ pulls) @ inverse)


def curvature(columns: Array, expected: Array) -> Array:
    """(columns, columns) negative second derivative of the log-likelihood."""
    return np.asarray(columns.T @ (columns * (expected * (1 - expected))[:, None]))


def sigmoid(odds: Array) -> Array:
    """1 / (1 + exp(-x)), without overflow."""
    return np.asarray((1 + np.tanh(odds / 2)) / 2)


def _log_likelihood(columns: Array, truth: Array, weights: Array) -> float:
    odds = columns @ weights
    return float((truth * odds - np.logaddexp(0.0, odds)).sum())
