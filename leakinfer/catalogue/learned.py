"""Learned priors: one file that a fleet's history gave, laid over the shipped catalogue for the next job."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta

from leakinfer.catalogue.model import Value
from leakinfer.reading import NotNegative, Positive, Probability, Text


class Moved(Value, frozen=True):
    """A number that the history moved: learned, with its central 95 % interval, beside the shipped one."""

    value: float
    low: float
    high: float
    shipped: float


class LearnedComponent(Value, frozen=True):
    """A component class. Hazard in 1/component-year, size median in Pa m3/s; ``leaks`` found in ``years`` of components.

    ``gamma_shape``, ``size_spread`` (log_sd) and ``weibull`` as in components.toml.
    """

    id: Text
    leaks: Annotated[int, Meta(ge=0)]
    component_years: NotNegative
    mean: Moved
    gamma_shape: Moved
    weibull: Moved
    size_median: Moved
    size_log_sd: Moved
    found_at_search: Moved  # chance that a search finds a leak of this class


class LearnedExposure(Value, frozen=True):
    """A circumstance: hazard ratio (median and spread of its logarithm) and prevalence."""

    id: Text
    ratio: Moved
    log_sd: Moved
    prevalence: Moved
    looked: Annotated[int, Meta(ge=0)]


class LearnedSystem(Value, frozen=True):
    """A factor on all hazards of one type of system."""

    id: Text
    factor: Moved


class LearnedShared(Value, frozen=True):
    """The spread of a shared unknown, as workmanship: ``log_sd`` of its factor."""

    id: Text
    log_sd: Moved


class LearnedInstaller(Value, frozen=True):
    """An installer's factor on the hazards that workmanship touches; ``leaks`` found of ``expected``."""

    id: str
    leaks: Annotated[int, Meta(ge=0)]
    expected: NotNegative
    factor: Moved


class LearnedMethod(Value, frozen=True):
    """How well a method does: of its first grade the rate that is answered half of the time, and its false alarms."""

    id: Text
    trials: Annotated[int, Meta(ge=0)]
    rate50: Moved
    lapse: Moved
    unreachable: Moved
    false_alarm: Moved


class PredictiveCheck(Value, frozen=True):
    """An observed figure against what the fitted model expects of it; ``p`` two-sided."""

    what: Text
    group: Text  # as found_by_class
    observed: float
    expected: float
    low: float
    high: float
    p: Probability


class Provenance(Value, frozen=True):
    """Where the file comes from. ``data``: SHA-256 of the cells; ``reasons``: why it is not to be trusted."""

    made: Text
    data: Text
    rows: int
    rows_left_out: int
    systems: int
    first_day: str
    last_day: str
    shipped: Text  # digest of the catalogue that it moved
    versions: dict[str, str]
    seed: int
    chains: int
    draws: int
    worst_rhat: float
    least_ess: float
    divergences: int
    trusted: bool
    reasons: tuple[str, ...] = ()


class LearnedPriors(Value, frozen=True):
    """The whole file."""

    provenance: Provenance
    component: tuple[LearnedComponent, ...]
    exposure: tuple[LearnedExposure, ...] = ()
    system: tuple[LearnedSystem, ...] = ()
    shared: tuple[LearnedShared, ...] = ()
    installer: tuple[LearnedInstaller, ...] = ()
    method: tuple[LearnedMethod, ...] = ()
    check: tuple[PredictiveCheck, ...] = ()
    level: Moved | None = None  # all hazards of this fleet over the shipped ones
    placed: Positive | None = None  # share of the leaks whose place was written down
