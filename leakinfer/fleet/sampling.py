"""One small door to PyMC and ArviZ, the same for PyMC 5 with ArviZ 0.23 and PyMC 6 with ArviZ 1."""

from __future__ import annotations

import os
import time
import warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leakinfer.fleet.settings import Trust

Array = NDArray[np.float64]
CAREFUL = 0.98  # acceptance target after divergences
MORE = 3  # times the draws in all where they were too few
AGREED = 1.1  # R-hat up to which chains agree but for their length (Gelman & Rubin's old limit, from memory)
PACKAGES = ("leakinfer", "pymc", "pytensor", "arviz", "numpy", "pandas")


@dataclass(frozen=True)
class Effort:
    """How much to sample: chains, draws of each to tune and to keep, cores, NUTS's target of acceptance.

    Example:
        >>> from leakinfer import Effort
        >>> effort = Effort(chains=2, progress=True)
        >>> effort.chains * effort.draws
        1200
    """

    chains: int = 4
    tune: int = 600
    draws: int = 600
    cores: int = 4
    target_accept: float = 0.85
    progress: bool = False


@dataclass(frozen=True)
class Diagnostics:
    """Worst R-hat, least bulk ESS, and where; divergences; seconds of sampling."""

    rhat: float
    rhat_at: str
    ess: float
    ess_at: str
    divergences: int
    seconds: float


@dataclass(frozen=True, eq=False)
class Sample:
    """A posterior sample. ``values``: by name (draws, ...), the chains one behind the other; ``raw``: ArviZ's own."""

    raw: Any
    values: Mapping[str, Array]
    diagnostics: Diagnostics
    effort: Effort


def sample(model: Any, seed: int, effort: Effort | None = None) -> Sample:
    """Draw from a PyMC model's posterior with NUTS, with a fixed seed."""
    import pymc as pm

    effort = effort or Effort()
    began = time.perf_counter()
    with compiled_by_numba():
        raw = pm.sample(
            draws=effort.draws,
            tune=effort.tune,
            chains=effort.chains,
            cores=min(effort.cores, effort.chains, os.cpu_count() or 1),
            random_seed=seed,
            nuts_sampler="pymc",  # PyMC 6 would take another sampler where one is installed
            progressbar=effort.progress,
            compute_convergence_checks=False,
            target_accept=effort.target_accept,
            model=model,
        )
    return Sample(raw, flat(raw), diagnose(raw, time.perf_counter() - began), effort)


@contextmanager
def compiled_by_numba() -> Iterator[None]:
    """Within it PyTensor compiles by Numba, which needs no C compiler; what cannot be cached is no news."""
    import pytensor

    with pytensor.config.change_flags(mode="NUMBA"), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Cannot cache compiled function")
        yield


def sample_well(model: Any, seed: int, effort: Effort, trust: Trust) -> Sample:
    """As :func:`sample`; with more draws behind them if they were too few, anew if that would not mend it.

    Anew: with smaller steps if trajectories diverged, tuned longer if the chains did not agree.
    """
    found = sample(model, seed, effort)
    figures = found.diagnostics
    few = figures.rhat > trust.most_rhat or figures.ess < trust.least_ess
    if not figures.divergences and not few:
        return found
    if not figures.divergences and figures.rhat <= AGREED:
        return _joined(found, sample(model, seed + 1, replace(effort, draws=effort.draws * (MORE - 1))))
    more = MORE if few else 1
    target = CAREFUL if figures.divergences else effort.target_accept
    again = replace(effort, target_accept=target, tune=effort.tune * more, draws=effort.draws * more)
    return sample(model, seed + 1, again)


def _joined(first: Sample, second: Sample) -> Sample:
    """One sample, the second's chains behind the first's: where the two disagree, the halves of a chain do."""
    import xarray as xr

    def behind(earlier: Any, later: Any) -> Any:
        if "draw" not in earlier.dims:
            return earlier
        both = xr.concat([earlier, later], dim="draw")
        return both.assign_coords(draw=np.arange(both.sizes["draw"]))

    if hasattr(first.raw, "children"):  # a DataTree, from ArviZ 1 on
        raw = xr.map_over_datasets(behind, first.raw, second.raw)
    else:
        groups = {name: behind(first.raw[name], second.raw[name]) for name in first.raw.groups()}
        raw = type(first.raw)(**groups)
    seconds = first.diagnostics.seconds + second.diagnostics.seconds
    effort = replace(first.effort, draws=first.effort.draws + second.effort.draws)
    return Sample(raw, flat(raw), diagnose(raw, seconds), effort)


def posterior(raw: Any) -> Any:
    """The posterior as an xarray Dataset."""
    group = raw.posterior
    return group.to_dataset() if hasattr(group, "to_dataset") else group  # a DataTree's node from ArviZ 1 on


def flat(raw: Any) -> dict[str, Array]:
    """By name (draws, ...): the chains one behind the other."""
    held = posterior(raw)
    values = {}
    for name in held.data_vars:
        array = np.asarray(held[name].transpose("chain", "draw", ...).values, dtype=float)
        values[str(name)] = array.reshape(array.shape[0] * array.shape[1], *array.shape[2:])
    return values


def diagnose(raw: Any, seconds: float = 0.0) -> Diagnostics:
    """R-hat and bulk effective sample size of every sampled number, divergences."""
    import arviz as az

    held = posterior(raw)
    rhat, rhat_at = _extreme(az.rhat(held), np.nanmax)
    ess, ess_at = _extreme(az.ess(held, method="bulk"), np.nanmin)
    return Diagnostics(rhat, rhat_at, ess, ess_at, int(np.sum(np.asarray(raw.sample_stats["diverging"]))), seconds)


def _extreme(figures: Any, pick: Any) -> tuple[float, str]:
    """The largest or least of a Dataset's numbers, and its name; what does not vary has none."""
    named = {}
    for name in figures.data_vars:
        array = np.asarray(figures[name].values, dtype=float)
        if np.isfinite(array).any():
            named[str(name)] = float(pick(array))
    best = pick(list(named.values()))
    return float(best), next(name for name, value in named.items() if value == best)


def save(raw: Any, path: Path) -> None:
    """Write ArviZ's data as netCDF."""
    raw.to_netcdf(str(path), engine="h5netcdf")


def versions() -> dict[str, str]:
    """What made a result."""
    found = {}
    for name in PACKAGES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found
