"""From cells to learned priors: fit, judge, and say how far each number moved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from leakinfer.catalogue.learned import (
    LearnedComponent,
    LearnedExposure,
    LearnedInstaller,
    LearnedMethod,
    LearnedPriors,
    LearnedShared,
    LearnedSystem,
    Moved,
    PredictiveCheck,
    Provenance,
)
from leakinfer.catalogue.model import Catalogue
from leakinfer.errors import InputError
from leakinfer.fleet.cells.model import Cells
from leakinfer.fleet.rates.data import HazardData, condensed, data_of, names_in
from leakinfer.fleet.rates.model import HazardModel, hazard_model
from leakinfer.fleet.rates.predictive import checks, each_draw, failed
from leakinfer.fleet.rates.priors import WORKMANSHIP, HazardPriors, priors_of
from leakinfer.fleet.sampling import Array, Diagnostics, Effort, Sample, sample_well, versions
from leakinfer.fleet.settings import FleetSettings, Trust


@dataclass(frozen=True, eq=False)
class Fit:
    """A fitted model of the rates, with what it was fitted to."""

    priors: HazardPriors
    data: HazardData
    model: HazardModel
    sample: Sample
    checks: tuple[PredictiveCheck, ...]


def fit_cells(
    cells: Cells, catalogue: Catalogue, settings: FleetSettings, seed: int, effort: Effort | None = None
) -> Fit:
    """Fit the rates to cells.

    Raises:
        InputError: cells without anything at risk.

    Example:
        >>> from datetime import date
        >>> from leakinfer import Effort, fit_cells, fleet_settings, load_catalogue, reduce_history, shipped
        >>> history, catalogue = [shipped("data_demo", "fleet")], load_catalogue()
        >>> settings, split, newest = fleet_settings(), date(2018, 1, 1), date(2024, 6, 1)
        >>> earlier = reduce_history(history, catalogue, settings, until=split)
        >>> later = reduce_history(history, catalogue, settings, since=newest)
        >>> quick = Effort(chains=2, tune=30, draws=30)  # far too little to be trusted
        >>> fit = fit_cells(earlier, catalogue, settings, seed=1, effort=quick)
        >>> fit.sample.values["theta"].shape[1] == len(fit.priors.classes)  # (draws, classes)
        True
    """
    classes, exposures, types = names_in(cells)
    if not classes:
        raise InputError("hold no component-years", where="cells", allowed="sites with visits after they were fitted")
    priors = priors_of(catalogue, settings, classes, exposures, types)
    data = data_of(cells, classes, exposures, types)
    model = hazard_model(priors, condensed(data))
    drawn = sample_well(model.model, seed, effort or Effort(), settings.trust)
    found = checks(list(each_draw(drawn.values, model.fixed)), data, priors, seed)
    return Fit(priors, data, model, drawn, found)


def reasons(trust: Trust, diagnostics: Sequence[Diagnostics], found: Sequence[PredictiveCheck]) -> tuple[str, ...]:
    """Why a fit is not to be trusted; none if it is."""
    said = []
    for figures in diagnostics:
        if not figures.rhat <= trust.most_rhat:
            said.append(f"R-hat {figures.rhat:.3f} at {figures.rhat_at} is above {trust.most_rhat:g}: chains disagree")
        if not figures.ess >= trust.least_ess:
            said.append(f"bulk ESS {figures.ess:.0f} at {figures.ess_at} is below {trust.least_ess:g}: draw more")
        if figures.divergences:
            said.append(f"{figures.divergences} divergences, with small steps too: the model and these data do not fit")
    for check in failed(found, trust.least_check_p):
        told = f"{check.observed:g} seen, {check.expected:.1f} expected ({check.low:.0f} to {check.high:.0f})"
        said.append(f"predictive check {check.group}, {check.what}: {told}")
    return tuple(said)


def learned(
    fit: Fit,
    cells: Cells,
    catalogue: Catalogue,
    settings: FleetSettings,
    seed: int,
    methods: tuple[LearnedMethod, ...] = (),
    more: Sequence[Diagnostics] = (),
) -> LearnedPriors:
    """The learned priors with their provenance; ``more``: diagnostics of the model of the methods.

    Example:
        >>> from leakinfer import learned_priors
        >>> found = learned_priors(fit, earlier, catalogue, settings, seed=1)  # fitted as fit_cells shows
        >>> found.provenance.trusted
        False
        >>> found.level.low < found.level.value < found.level.high
        True
    """
    values, priors = fit.sample.values, fit.priors
    why = reasons(settings.trust, [fit.sample.diagnostics, *more], fit.checks)
    return LearnedPriors(
        provenance=_provenance(fit, cells, catalogue, seed, why, more),
        component=_components(fit),
        exposure=_exposures(fit),
        system=tuple(
            LearnedSystem(name, moved(np.exp(values["type_log"][:, place]), 1.0))
            for place, name in enumerate(priors.types)
            if "type_log" in values
        ),
        shared=_shared(fit),
        installer=_installers(fit),
        method=methods,
        check=fit.checks,
        level=moved(values["alpha"] / values["beta"], 1.0),
        placed=float(values["placed"].mean()) if "placed" in values else None,
    )


def moved(drawn: Array, shipped: float, *, median: bool = False) -> Moved:
    """The mean (or median) and central 95 % of draws beside the shipped number."""
    low, middle, high = np.quantile(drawn, [0.025, 0.5, 0.975])
    return Moved(float(middle if median else drawn.mean()), float(low), float(high), shipped)


def _components(fit: Fit) -> tuple[LearnedComponent, ...]:
    values, priors, data = {**fit.model.fixed, **fit.sample.values}, fit.priors, fit.data
    draws = len(fit.sample.values["theta"])
    leaks, years = (np.bincount(data.cell_component, each, len(priors.classes)) for each in (data.found, data.years))
    found = []
    for place, name in enumerate(priors.classes):
        rate = priors.mean[place] * values["theta"][:, place]
        told = {key: np.broadcast_to(values[key], (draws, len(priors.classes)))[:, place] for key in _BY_CLASS}
        found.append(
            LearnedComponent(
                id=name,
                leaks=int(leaks[place]),
                component_years=float(years[place]),
                mean=moved(rate, float(priors.mean[place])),
                gamma_shape=_known(float(rate.mean() ** 2 / rate.var()), float(priors.weight[place])),
                weibull=moved(told["weibull"], float(priors.weibull[place])),
                size_median=moved(told["size_median"], float(priors.size_median[place]), median=True),
                size_log_sd=moved(told["size_log_sd"], float(priors.size_log_sd[place])),
                found_at_search=moved(told["found"], float(1 / (1 + np.exp(-priors.found_logit)))),
            )
        )
    return tuple(found)


_BY_CLASS = ("weibull", "size_median", "size_log_sd", "found")


def _known(value: float, shipped: float) -> Moved:
    """A number that is itself a spread, and so has none."""
    return Moved(value, value, value, shipped)


def _exposures(fit: Fit) -> tuple[LearnedExposure, ...]:
    values, priors = fit.sample.values, fit.priors
    return tuple(
        LearnedExposure(
            id=name,
            ratio=moved(np.exp(values["log_ratio"][:, place]), float(priors.ratio[place]), median=True),
            log_sd=_known(float(values["log_ratio"][:, place].std()), float(priors.ratio_log_sd[place])),
            prevalence=moved(values["prevalence"][:, place], float(priors.prevalence[place])),
            looked=int(fit.data.looked[place]),
        )
        for place, name in enumerate(priors.exposures)
    )


def _shared(fit: Fit) -> tuple[LearnedShared, ...]:
    """A job does not know its installer: his spread and that of the installations around him come together."""
    if not fit.data.groups.type.size:
        return ()
    values = {**fit.model.fixed, **fit.sample.values}
    both = np.sqrt(np.asarray(values["workmanship_sd"]) ** 2 + np.asarray(values["installer_sd"]) ** 2)
    drawn = np.broadcast_to(both, (len(fit.sample.values["theta"]),))
    return (LearnedShared(WORKMANSHIP, moved(drawn, fit.priors.workmanship_log_sd)),)


def _installers(fit: Fit) -> tuple[LearnedInstaller, ...]:
    values, groups = fit.sample.values, fit.data.groups
    if "installer_log" not in values:
        return ()
    found = []
    for place, name in enumerate(fit.data.installers):
        his = groups.installer == place
        leaks, due = (groups.leaks * groups.systems)[his].sum(), (groups.expected * groups.systems)[his].sum()
        factor = moved(np.exp(values["installer_log"][:, place]), 1.0)
        found.append(LearnedInstaller(name, int(leaks), float(due), factor))
    return tuple(found)


def _provenance(
    fit: Fit, cells: Cells, catalogue: Catalogue, seed: int, why: tuple[str, ...], more: Sequence[Diagnostics]
) -> Provenance:
    counts, every = cells.counts, [fit.sample.diagnostics, *more]
    days = [date.fromordinal(day).isoformat() if day else "" for day in (counts.first_day, counts.last_day)]
    return Provenance(
        made=date.today().isoformat(),
        data=cells.digest,
        rows=counts.rows,
        rows_left_out=sum(counts.left_out.values()) + fit.data.lost,
        systems=counts.systems,
        first_day=days[0],
        last_day=days[1],
        shipped=catalogue.digest,
        versions=versions(),
        seed=seed,
        chains=fit.sample.effort.chains,
        draws=fit.sample.effort.draws,
        worst_rhat=max(figures.rhat for figures in every),
        least_ess=min(figures.ess for figures in every),
        divergences=sum(figures.divergences for figures in every),
        trusted=not why,
        reasons=why,
    )
