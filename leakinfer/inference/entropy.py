"""Entropy and mutual information of finite distributions, in bits; 0 log 0 is 0."""

from __future__ import annotations

import numpy as np

from leakinfer.inference.model import Array


def entropy_bits(p: Array, axis: int = -1) -> Array:
    """H(p) = -sum p log2 p along ``axis``. ``p``: probabilities (they need not sum to 1 for sums of such terms)."""
    safe = np.where(p > 0, p, 1.0)
    return np.asarray(-np.sum(safe * np.log2(safe), axis=axis))


def mutual_information_bits(joint: Array) -> Array:
    """I(X; Y) of joint tables of shape (..., x, y), each summing to 1. Never negative.

    I = H(X) + H(Y) - H(X, Y), from the table itself.
    """
    whole = entropy_bits(joint.reshape(*joint.shape[:-2], -1))
    return np.maximum(entropy_bits(joint.sum(-1)) + entropy_bits(joint.sum(-2)) - whole, 0.0)


def normalised(table: Array) -> Array:
    """Joint probabilities that add up to one, whatever a pass has rounded."""
    return np.asarray(table / table.sum())
