"""How a history is reduced and fitted: ``priors/fleet.toml``."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Annotated

from msgspec import Meta

from leakinfer.catalogue.model import Sourced, Value
from leakinfer.reading import NotNegative, Positive, Probability, Text, read_toml, shipped


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


class Methods(Sourced, frozen=True):
    """How far the methods of a fleet may differ from the shipped ones, and what is known of the sites that are tested.

    ``..._logit_sd``: spread of the log odds of a share, beta with the shipped mean; ``..._log_sd``: of a lognormal with
    the shipped median, 0 keeps the shipped number. ``prevalence``: of leaks among the tested sites of a class.
    ``small_log_sd``: of how many times more leaks that no search meets are there than begin, since nobody mends them.
    ``written``: chance that the truth, or a measured loss, is written down. ``stand_in``: the refrigerant of a system
    of which nobody wrote it down.
    """

    false_alarm_logit_sd: Positive
    lapse_logit_sd: Positive
    unreachable_logit_sd: Positive
    rate50_log_sd: NotNegative
    slope_log_sd: NotNegative
    prevalence: Beta
    small_log_sd: NotNegative
    written: Beta
    stand_in: Text


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
    methods: Methods
    trust: Trust


@cache
def load_settings(path: Path | None = None) -> FleetSettings:
    """The settings of a file, or the shipped ones.

    Raises:
        InputError: naming the file, the key and what was expected.

    Example:
        >>> from leakinfer import fleet_settings
        >>> trust = fleet_settings().trust
        >>> trust.most_rhat, trust.least_ess
        (1.01, 400.0)
    """
    return read_toml(path or shipped("priors", "fleet.toml"), FleetSettings)
