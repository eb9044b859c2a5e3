"""Sections on what leaks: rates, circumstances, ages, sizes, and how often a search finds."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.learned import LearnedComponent, LearnedExposure, LearnedPriors, Moved
from leakinfer.catalogue.model import Catalogue
from leakinfer.fleet.cells.sizes import loss_of_size
from leakinfer.fleet.settings import load_settings
from leakinfer.report.fleet.moved import CLEAR, mark, row, times, told, told_share
from leakinfer.report.fleet.names import Names
from leakinfer.report.fleet.pictures import Curve, curves, learned_axis
from leakinfer.report.intervals import intervals
from leakinfer.report.section import Picture, Section, Table, listed
from leakinfer.report.wording import figures, percent

THOUSAND = 1000.0
AGES = np.geomspace(0.25, 25.0, 100)  # years
MOST_PANELS = 12
REFRIGERANT = "R-410A"  # in which sizes are told in g/yr
T = TypeVar("T")


@dataclass(frozen=True)
class Subject:
    """What sections are made from."""

    learned: LearnedPriors
    catalogue: Catalogue
    names: Names


def by_effect(parts: Sequence[T], moved: Callable[[T], Moved]) -> list[T]:
    """Parts in order of how far a number moved, as a ratio."""
    return sorted(parts, key=lambda part: -abs(math.log(times(moved(part)))))


def from_data(part: LearnedComponent) -> float:
    """Share of a class's rate that comes from the data: leaks found, over them and the weight of the shipped rate.

    A gamma distribution of weight w, seen together with n leaks, has weight w + n (Gelman et al., Bayesian Data
    Analysis, 3rd ed., section 2.6, from memory).
    """
    return part.leaks / (part.leaks + part.gamma_shape.shipped)


def rates(subject: Subject) -> Section:
    """How often each kind of part begins to leak."""
    parts = by_effect(subject.learned.component, lambda part: part.mean)
    name = subject.names.component
    rows = tuple(
        (
            name(part.id),
            f"{part.leaks:,}",
            f"{part.component_years:,.0f}",
            *told(part.mean, THOUSAND),
            f"{figures(times(part.mean))} times",
            mark(part.mean),
            percent(from_data(part)),
        )
        for part in parts
    )
    heads = (
        "Part",
        "Leaks found",
        "Part-years",
        "Learned",
        "95 % interval",
        "Shipped",
        "Change",
        CLEAR,
        "From the data",
    )
    picture = intervals(
        [row(name(part.id), part.mean, THOUSAND) for part in parts], learned_axis("new leaks per 1,000 parts and year")
    )
    return Section(
        "rates",
        "How often",
        "How often each kind of part begins to leak",
        (
            "New leaks per 1,000 parts and year, the mean over the first ten years of age, without the circumstances "
            "below and with average workmanship. The part whose number moved furthest stands on top.",
            "From the data: how much of the learned rate these leaks made; the rest is the shipped number.",
        ),
        (Picture(picture, "Learned rates with their intervals beside the shipped rates, part by part."),),
        (Table("New leaks per 1,000 parts and year", heads, rows, frozenset({7})),),
        _most(subject),
    )


def _most(subject: Subject, count: int = 5) -> tuple[str, ...]:
    """Where most leaks were, and which parts leak most often."""
    parts, name = subject.learned.component, subject.names.component
    leaks = sum(part.leaks for part in parts)
    if not leaks:
        return ()
    often = sorted((part for part in parts if part.leaks), key=lambda part: -part.leaks)[:count]
    shares = [f"{name(part.id)} {percent(part.leaks / leaks)}" for part in often]
    highest = sorted(parts, key=lambda part: -part.mean.value)[:count]
    rate = [f"{name(part.id)} {figures(part.mean.value * THOUSAND)}" for part in highest]
    return (
        f"Of {leaks:,} leaks whose place was written down, most were here: {listed(shares)}.",
        f"Most new leaks per 1,000 parts and year: {listed(rate)}.",
    )


def circumstances(subject: Subject) -> Section:
    """How much each circumstance raises the rate, and how often it is there."""
    parts = by_effect(subject.learned.exposure, lambda part: part.ratio)
    name = subject.names.exposure
    ratio = intervals(
        [row(name(part.id), part.ratio) for part in parts],
        learned_axis("leaks with the circumstance over leaks without it", line=1.0),
    )
    shares = intervals(
        [row(name(part.id), part.prevalence, 100.0) for part in parts],
        learned_axis("places that have it, of 100 that can", ends=(0.0, 100.0)),
    )
    return Section(
        "circumstances",
        "Circumstances",
        "What circumstances do",
        ("How many times as often a part leaks where the circumstance is there; 1 (dashed) means no effect.",),
        (
            Picture(ratio, "Learned ratios with their intervals beside the shipped ratios, for each circumstance."),
            Picture(shares, "How often each circumstance is there, learned beside shipped."),
        ),
        (_circumstance_table(parts, subject),),
        tuple(f"{name(part.id)}: {_signs(part, subject)}." for part in parts[:3] if _signs(part, subject)),
    )


def _signs(part: LearnedExposure, subject: Subject) -> str:
    known = subject.catalogue.exposures.get(part.id)
    return "" if known is None else f"what one sees is {known.signs}"


def _circumstance_table(parts: Sequence[LearnedExposure], subject: Subject) -> Table:
    ratio = ("Circumstance", "Ratio learned", "95 % interval", "Shipped", CLEAR)
    there = ("There, learned", "95 % interval", "Shipped", "Places looked at")
    rows = tuple(
        (
            subject.names.exposure(part.id),
            *told(part.ratio),
            mark(part.ratio),
            *told_share(part.prevalence),
            f"{part.looked:,}",
        )
        for part in parts
    )
    return Table("Ratio, and how often a circumstance is there", (*ratio, *there), rows, frozenset({4}))


def ages(subject: Subject) -> Section:
    """How the rate runs over the years of a part."""
    years = subject.catalogue.numbers["hazard_reference_years"]
    name = subject.names.component
    parts = by_effect(subject.learned.component, lambda part: part.weibull)
    panels = [_age_curve(name(part.id), part, years) for part in parts[:MOST_PANELS]]
    label = "new leaks per 1,000 parts and year"
    picture = curves(AGES, panels, "age of the part, years", label, log_y=True)
    heads = ("Part", "Shape learned", "95 % interval", "Shipped", CLEAR)
    rows = tuple((name(part.id), *told(part.weibull), mark(part.weibull)) for part in parts)
    more = f" The {len(panels)} parts whose shape moved furthest are drawn." if len(parts) > len(panels) else ""
    return Section(
        "ages",
        "Age",
        "How age counts",
        (
            "A shape below 1 means early faults: the rate falls with age. Above 1 means wear and corrosion: it rises."
            f"{more} The band is what the interval of the shape leaves open, at the learned mean rate.",
            "Each panel has its own scale.",
        ),
        (Picture(picture, "New leaks over the age of a part, learned and shipped, one panel for each kind of part."),),
        (Table("Shape of the age (Weibull)", heads, rows, frozenset({4})),),
    )


def hazard(mean: float, weibull: float, ages: NDArray[np.float64], reference: float) -> NDArray[np.float64]:
    """(ages,): leaks per component-year at an age: the slope of mean x reference x (age / reference)^weibull."""
    return mean * weibull * (ages / reference) ** (weibull - 1)


def _age_curve(name: str, part: LearnedComponent, reference: float) -> Curve:
    def at(mean: float, weibull: float) -> NDArray[np.float64]:
        return THOUSAND * hazard(mean, weibull, AGES, reference)

    mean = part.mean.value
    ends = np.stack([at(mean, part.weibull.low), at(mean, part.weibull.high)])
    band = np.stack([ends.min(axis=0), ends.max(axis=0)])
    return Curve(name, at(mean, part.weibull.value), band, at(part.mean.shipped, part.weibull.shipped))


def sizes(subject: Subject) -> Section:
    """How large the leaks of each kind of part are."""
    parts = by_effect(subject.learned.component, lambda part: part.size_median)
    name, celsius = subject.names.component, load_settings().cells.measured_at_c
    losses = [_loss(part.size_median, celsius) for part in parts]
    picture = intervals(
        [row(name(part.id), loss) for part, loss in zip(parts, losses, strict=True)],
        learned_axis(f"median leak, g/yr of {REFRIGERANT}, standing at {celsius:g} C"),
    )
    heads = ("Part", "Median, g/yr", "95 % interval", "Shipped", CLEAR, "Spread learned", "95 % interval", "Shipped")
    rows = tuple(
        (name(part.id), *told(loss), mark(loss), *told(part.size_log_sd))
        for part, loss in zip(parts, losses, strict=True)
    )
    return Section(
        "sizes",
        "Size",
        "How large the leaks are",
        (
            f"Half of the leaks of a part are larger than its median, told here as the loss of {REFRIGERANT} vapour. "
            "The spread is that of the natural logarithm of the size.",
        ),
        (Picture(picture, "Learned median leak with its interval beside the shipped one, part by part."),),
        (Table("Size of leaks", heads, rows, frozenset({4})),),
    )


def _loss(size: Moved, celsius: float) -> Moved:
    """Sizes in Pa m3/s as g/yr."""
    value, low, high, shipped = loss_of_size([size.value, size.low, size.high, size.shipped], REFRIGERANT, celsius)
    return Moved(float(value), float(low), float(high), float(shipped))


def searches(subject: Subject) -> Section:
    """How many of the leaks that are there a search finds."""
    parts = sorted(subject.learned.component, key=lambda part: part.found_at_search.value)
    name = subject.names.component
    picture = intervals(
        [row(name(part.id), part.found_at_search, 100.0) for part in parts],
        learned_axis("leaks that a search finds, of 100 that are there", ends=(0.0, 100.0)),
    )
    heads = ("Part", "Found, learned", "95 % interval", "Shipped", CLEAR)
    rows = tuple((name(part.id), *told_share(part.found_at_search), mark(part.found_at_search)) for part in parts)
    return Section(
        "searches",
        "Searches",
        "How often a search finds a leak that is there",
        (
            "Learned from leaks that were there at an earlier search and were missed. The part that is missed most "
            "often stands on top.",
        ),
        (Picture(picture, "Share of leaks that a search of the whole system finds, part by part."),),
        (Table("Leaks that a search finds", heads, rows, frozenset({4})),),
    )
