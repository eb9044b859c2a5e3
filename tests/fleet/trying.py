"""Trials simulated one site at a time from known curves, apart from the project's own formulas, for tests."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.model import Catalogue
from leakinfer.fleet.cells.model import NO_SIZE, Cells
from leakinfer.fleet.cells.sizes import loss_of_size
from leakinfer.fleet.settings import FleetSettings
from tests.fleet.made import cells_of

GAS_AT_20_C = 8.314462618 * 293.15 / (365.25 * 86_400.0)  # Pa m3/s of gas in one mol/yr
GRAMS_PER_MOL = {"R-410A": 72.585, "R-22": 86.468}  # ASHRAE 34 names; molar masses from memory

Array = NDArray[Any]


@dataclass(frozen=True)
class Known:
    """A method as it truly is: rate of half detection in its unit, slope, and its shares (blind: usually)."""

    rate50: float
    slope: float
    lapse: float
    unreachable: float
    false_alarm: float
    gas: bool = False  # rate50 in Pa m3/s at 20 C, else in g/yr


@dataclass(frozen=True)
class Trying:
    """How sites are tried: prevalence by class, tests of each method, chances of the truth being written down."""

    methods: Mapping[str, Known]
    prevalence: Mapping[str, float]
    repeats: tuple[int, ...] = (0, 1, 1, 2, 3)
    leak_written: tuple[float, float] = (0.3, 0.8)  # without and with a response
    tight_written: tuple[float, float] = (0.0, 0.4)
    measured: float = 0.5
    small_times: float = 1.0  # how many times more leaks there are that no search meets than begin


def try_sites(truth: Trying, count: int, catalogue: Catalogue, settings: FleetSettings, seed: int) -> Cells:
    """Cells of so many tried sites."""
    rng = np.random.default_rng(seed)
    kind = rng.choice(list(truth.prevalence), count)
    fluid = rng.choice(list(GRAMS_PER_MOL), count)
    leaks = rng.random(count) < np.array([truth.prevalence[name] for name in kind])
    size = _sizes(truth, kind, catalogue, settings, rng)
    loss = np.empty(count)
    for name in GRAMS_PER_MOL:
        loss[fluid == name] = loss_of_size(size[fluid == name], name, settings.cells.measured_at_c)
    moles = loss / np.array([GRAMS_PER_MOL[name] for name in fluid])
    times = {(name, part): _times_blind(catalogue, name, part) for name in truth.methods for part in truth.prevalence}
    said, responded = [""] * count, np.zeros(count, dtype=bool)
    for name, method in sorted(truth.methods.items()):
        rate = moles * GAS_AT_20_C if method.gas else loss
        blind = rng.random(count) < np.array([method.unreachable * times[name, part] for part in kind])
        tests = rng.choice(truth.repeats, count)
        sees = (1 - method.lapse) * rate**method.slope / (rate**method.slope + method.rate50**method.slope)
        sees = np.where(leaks & ~blind, sees, 0.0)
        for site in range(count):
            if tests[site]:
                found = rng.random(tests[site]) < sees[site]
                hits = int((found | (rng.random(tests[site]) < method.false_alarm)).sum())
                said[site] += f";{name}:{hits}/{tests[site]}"
                responded[site] |= hits > 0
    chance = np.where(leaks, np.array(truth.leak_written)[responded * 1], np.array(truth.tight_written)[responded * 1])
    written = (rng.random(count) < chance) & ~(leaks & (size < settings.cells.found_least))
    word = np.where(written, np.where(leaks, "leak", "tight"), "")
    sized = (word == "leak") & (size >= settings.cells.measured_least) & (rng.random(count) < truth.measured)
    bins = np.where(sized, np.floor(np.log10(size) * settings.cells.size_per_decade), NO_SIZE).astype(int)
    rows = zip(kind.tolist(), fluid.tolist(), said, word.tolist(), bins.tolist(), strict=True)
    counted = Counter((*row[:2], row[2][1:], *row[3:]) for row in rows if row[2])
    return cells_of({"trials": [(*row, number) for row, number in counted.items()]})


def _sizes(
    truth: Trying, kind: Array, catalogue: Catalogue, settings: FleetSettings, rng: np.random.Generator
) -> Array:
    """(n,) sizes of leaks at sites of these classes, by rejection of the rarer kind: small ones or large ones."""
    parts = [catalogue.components[str(name)].size for name in kind]
    size = np.empty(kind.size)
    left = np.arange(kind.size)
    while left.size:
        drawn = [parts[n].median * np.exp(parts[n].log_sd * rng.standard_normal()) for n in left]
        size[left] = drawn
        small = size[left] < settings.cells.found_least
        keep = np.where(small, truth.small_times, 1.0) / max(truth.small_times, 1.0)
        left = left[rng.random(left.size) >= keep]
    return size


def _times_blind(catalogue: Catalogue, method: str, component: str) -> float:
    """How much more often a spot of this class hides than the method's usual one."""
    technique = catalogue.methods[method].techniques.get(component)
    if technique is None or technique.unreachable is None:
        return 1.0
    return technique.unreachable / catalogue.methods[method].unreachable
