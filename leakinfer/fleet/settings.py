"""How a history is reduced and fitted: ``priors/fleet.toml``."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Annotated

from msgspec import Meta

from leakinfer.catalogue.model import Value
from leakinfer.reading import Known, NotNegative, Positive, Probability, Text, read_toml, shipped


class Sourced(Value, frozen=True):
    """A table with the units of its numbers, in their order, and their source."""

    unit: Text
    known: Known
    source: Text


class Reduction(Sourced, frozen=True):
    """What the cells' bins are; sizes in Pa m3/s.

    ``found_least``: smaller leaks do not show in a search; ``measured_least``: smaller ones have no measured loss.
    """

    age_years: tuple[NotNegative, ...]
    missed_most: Annotated[int, Meta(ge=0)]
    expected_per_decade: Annotated[int, Meta(ge=1)]
    size_per_decade: Annotated[int, Meta(ge=1)]
    found_least: Positive
    measured_least: Positive
    measured_at_c: float


class Gamma(Value, frozen=True):
    """A gamma distribution."""

    shape: Positive
    rate: Positive


class Beta(Value, frozen=True):
    """A beta distribution."""

    a: Positive
    b: Positive


class Level(Sourced, frozen=True):
    """Pooling of the class rates: gamma of shape alpha x weight and rate beta x weight, times the shipped mean."""

    alpha: Gamma
    beta: Gamma


class Spread(Sourced, frozen=True):
    """Standard deviations of logarithms: how far a fleet may differ from the shipped files."""

    system_log_sd: NotNegative
    weibull_log_sd: NotNegative
    size_median_log_sd: NotNegative
    size_log_sd_log_sd: NotNegative
    exposure_log_sd_factor: NotNegative
    installer_log_sd: NotNegative
    workmanship_log_sd_log_sd: NotNegative


class Search(Sourced, frozen=True):
    """How many of the leaks that are there a search finds, and what is known of the rest."""

    found_logit: float
    found_logit_sd: NotNegative
    class_logit_sd: NotNegative
    unknown_visit: Beta
    placed: Beta
    prevalence_weight: Positive
    backlog_years: Positive
    backlog_log_sd: NotNegative


class Trust(Sourced, frozen=True):
    """From where on a fit is refused."""

    most_rhat: Positive
    least_ess: Positive
    least_check_p: Probability


class FleetSettings(Value, frozen=True):
    """The whole file."""

    cells: Reduction
    level: Level
    spread: Spread
    search: Search
    trust: Trust


@cache
def load_settings(path: Path | None = None) -> FleetSettings:
    """The settings of a file, or the shipped ones."""
    return read_toml(path or shipped("priors", "fleet.toml"), FleetSettings)
