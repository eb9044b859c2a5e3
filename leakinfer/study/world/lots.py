"""Chance by name: in one job the same question has the same answer, in whatever order questions are asked.

Two ways to search that make the same test on the same job thus see the same outcome, and differ only by what they do.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np

FIGURES = 53  # bits of a double's fraction


@dataclass(frozen=True)
class Lots:
    """All chance of one job. ``name``: of the job; every draw hangs on it and on its own name."""

    name: str

    def share(self, *name: object) -> float:
        """An even draw from 0 up to 1, without 1."""
        return (self._bits(name) >> (64 - FIGURES)) * 2.0**-FIGURES

    def generator(self, *name: object) -> np.random.Generator:
        """A generator that begins anew for each name."""
        return np.random.default_rng(self._bits(name))

    def _bits(self, name: tuple[object, ...]) -> int:
        """64 bits of the hash of a name; the parts are told apart by their length."""
        parts = [str(part).encode() for part in (self.name, *name)]
        text = b"".join(str(len(part)).encode() + b":" + part for part in parts)
        return int.from_bytes(hashlib.blake2b(text, digest_size=8).digest(), "big")
