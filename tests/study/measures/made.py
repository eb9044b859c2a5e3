"""Made-up tables of a study whose truth is known: how fast each policy is, and how right the chances are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

SPEED = {"expected_cost": 0.6, "most_likely": 0.8, "checklist": 1.0}  # minutes over those of the checklist


@dataclass(frozen=True)
class Tables:
    """As a finished study has them."""

    jobs: Any
    steps: Any
    chances: Any
    plan: Any
    truths: tuple[Truth, ...]
    provenance: Any


@dataclass(frozen=True)
class Truth:
    """As a study names them."""

    id: str
    name: str


def made(
    jobs: int = 40,
    systems: tuple[str, ...] = ("ducted_split", "walk_in_cooler"),
    truths: tuple[str, ...] = ("as_believed", "weaker_detectors"),
    slope: float = 1.0,
    seed: int = 5,
) -> Tables:
    """A study in which every job's minutes share a difficulty, and ``slope`` is that of the truth on the told odds."""
    rng = np.random.default_rng(seed)
    rows, steps, told = [], [], []
    for system in systems:
        for truth in truths:
            for job in range(jobs):
                world = World(rng, hard=1.5 if truth != "as_believed" else 1.0)
                for policy, speed in SPEED.items():
                    key = {"system": system, "truth": truth, "policy": policy, "job": job}
                    rows.append(key | world.job(rng, speed))
                    steps += [key | step for step in world.steps(rng)]
                    told += [key | chance for chance in chances(rng, slope)]
    plan = {"name": "made up", "seed": seed, "jobs": jobs, "systems": systems, "truths": truths, "policies": [*SPEED]}
    origin = {"leakinfer": "0.0", "numpy": "2.0", "priors": "ab12", "code": "cd34", "own": "", "origin": "ef56"}
    jobs_, steps_, chances_ = (pd.DataFrame(part) for part in (rows, steps, told))
    return Tables(jobs_, steps_, chances_, plan, tuple(Truth(one, f"World {one}") for one in truths), origin)


class World:
    """One job: how long it takes, and what leaks."""

    def __init__(self, rng: np.random.Generator, hard: float) -> None:
        self.hard = hard
        self.minutes = 60 * hard * float(rng.lognormal(0.0, 0.5))
        self.leaks = int(rng.choice(3, p=[0.1, 0.7, 0.2]))

    def job(self, rng: np.random.Generator, speed: float) -> dict[str, Any]:
        """How one policy fared; slow ones miss more."""
        found = self.leaks > 0 and rng.random() > 0.3 * speed * self.hard
        missed = 0 if found else self.leaks
        minutes = self.minutes * speed * float(rng.lognormal(0.0, 0.1))
        another = float(rng.uniform(0.02, 0.4))
        return {
            "minutes": minutes * 1.3,
            "all_confirmed": minutes if found else np.nan,
            "leaks": self.leaks,
            "confirmed": self.leaks - missed,
            "missed": missed,
            "repaired": self.leaks - missed,
            "wrong": int(rng.random() < 0.05),
            "tests": int(rng.integers(5, 30)),
            "set_ups": int(rng.integers(0, 4)),
            "openings": int(rng.random() < 0.2 * speed),
            "cost": minutes * 1.3 + 500.0 * missed,
            "another": another,
            "left": bool(rng.random() < another),
            "expected_missed": another * 1.1,
            "seconds": 0.5,
        }

    def steps(self, rng: np.random.Generator) -> list[dict[str, Any]]:
        """Ten tests of one unit each with exact forecasts: chance .1 to .5, answers .8 of leaks and .05 of the rest."""
        return [one_test(rng, step) for step in range(10)]


def one_test(rng: np.random.Generator, step: int, told: float | None = None) -> dict[str, Any]:
    """A unit's test by Bayes' rule; ``told``: the chance that the forecast is made with, if it is not the true one."""
    chance = float(rng.uniform(0.1, 0.5))
    believed = chance if told is None else told
    leaks = rng.random() < chance
    responded = bool(rng.random() < (0.8 if leaks else 0.05))
    likelihood = {True: 0.8, False: 0.05} if responded else {True: 0.2, False: 0.95}
    evidence = believed * likelihood[True] + (1 - believed) * likelihood[False]
    return {
        "step": step,
        "method": "probe_point" if step % 2 else "bubbles",
        "target": "somewhere",
        "state": "standing",
        "minutes": 5.0,
        "clock": 5.0 * step,
        "outcome": "response" if responded else "silent",
        "responded": responded,
        "expected": evidence,
        "bits": information(believed),
        "gained": float(np.log2(likelihood[bool(leaks)] / evidence)),
    }


def information(chance: float, seen: float = 0.8, alarm: float = 0.05) -> float:
    """Bits of a test that answers to a leak with ``seen`` and else with ``alarm``: H(answer) - H(answer | leak)."""
    answer = chance * seen + (1 - chance) * alarm
    return entropy(answer) - chance * entropy(seen) - (1 - chance) * entropy(alarm)


def entropy(chance: float) -> float:
    """Bits of a yes or no."""
    return float(-sum(p * np.log2(p) for p in (chance, 1 - chance) if p > 0))


def chances(rng: np.random.Generator, slope: float, count: int = 8) -> list[dict[str, Any]]:
    """Chances with log-odds around -2; the truth's log-odds are ``slope`` times these."""
    odds = rng.normal(-2.0, 1.5, count)
    true = 1 / (1 + np.exp(-slope * odds))
    leaks = rng.random(count) < true
    moments = ("start", "during", "end")
    return [
        {
            "moment": moments[n % 3],
            "site": f"site{n}",
            "chance": float(1 / (1 + np.exp(-odds[n]))),
            "leaks": bool(leaks[n]),
        }
        for n in range(count)
    ]
