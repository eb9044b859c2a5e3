"""Sections on who built and who searches: workmanship, types of system, methods."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from leakinfer.catalogue.learned import LearnedMethod
from leakinfer.catalogue.model import Method
from leakinfer.physics.properties import load_properties
from leakinfer.physics.units import TWENTY_CELSIUS, throughput_to_g_per_year
from leakinfer.report.fleet.moved import CLEAR, mark, row, told, told_share
from leakinfer.report.fleet.parts import REFRIGERANT, Subject, by_effect
from leakinfer.report.fleet.pictures import Curve, curves, learned_axis
from leakinfer.report.intervals import intervals
from leakinfer.report.section import Picture, Section, Table, listed
from leakinfer.report.wording import figures

MOST_INSTALLERS = 30
LEAKS = np.geomspace(1.0, 5_000.0, 121)  # g/yr


def workmanship(subject: Subject) -> Section:
    """How installers differ."""
    firms = by_effect(subject.learned.installer, lambda firm: firm.factor)
    shown, name = firms[:MOST_INSTALLERS], subject.names.installer
    classes = {kind for unknown in subject.catalogue.shared.values() for kind in unknown.classes}
    touched = [subject.names.component(part.id) for part in subject.learned.component if part.id in classes]
    says = ["Leaks of parts that depend on workmanship, over what the average installer's systems would have."]
    says += [f"These parts count: {listed(touched)}."] if touched else []
    if len(firms) > len(shown):
        says.append(f"The {len(shown)} installers furthest from the average are shown, of {len(firms)}.")
    rows = tuple(
        (name(firm.id), f"{firm.leaks:,}", figures(firm.expected), *told(firm.factor)[:2], mark(firm.factor))
        for firm in shown
    )
    heads = ("Installer", "Leaks found", "Expected as shipped", "Factor", "95 % interval", CLEAR)
    picture = intervals(
        [row(name(firm.id), firm.factor, shipped=False) for firm in shown],
        learned_axis("leaks over those of the average installer", line=1.0),
    )
    return Section(
        "workmanship",
        "Installers",
        "Workmanship by installer",
        tuple(says),
        (Picture(picture, "Each installer's factor with its interval; the dashed line is the average."),),
        (Table("Installers", heads, rows, frozenset({5})),),
        tuple(_spread(subject)),
    )


def _spread(subject: Subject) -> list[str]:
    """How far installations scatter around their mean: what nineteen in twenty lie within."""
    said = []
    for part in subject.learned.shared:
        wide, before = (figures(np.exp(1.96 * sd)) for sd in (part.log_sd.value, part.log_sd.shipped))
        told = f"nineteen systems in twenty lie within {wide} times their median, up or down (shipped {before} times)"
        said.append(f"{subject.names.unknown(part.id)}: {told}.")
    return said


def systems(subject: Subject) -> Section:
    """How types of system differ."""
    kinds, name = by_effect(subject.learned.system, lambda kind: kind.factor), subject.names.system
    picture = intervals(
        [row(name(kind.id), kind.factor, shipped=False) for kind in kinds],
        learned_axis("leaks over what the parts alone would give", line=1.0),
    )
    rows = tuple((name(kind.id), *told(kind.factor)[:2], mark(kind.factor)) for kind in kinds)
    return Section(
        "systems",
        "Types of system",
        "Types of system",
        ("A factor on all leaks of a type of system, beyond what its parts and circumstances explain.",),
        (Picture(picture, "Each type's factor with its interval; the dashed line is no difference."),),
        (Table("Types of system", ("Type", "Factor", "95 % interval", CLEAR), rows, frozenset({3})),),
    )


def methods(subject: Subject) -> Section:
    """How well each method does."""
    ways, name = by_effect(subject.learned.method, lambda way: way.rate50), subject.names.method
    known = [(way, subject.catalogue.methods[way.id]) for way in ways]
    panels = [_curve(name(way.id), way, method) for way, method in known]
    picture = curves(LEAKS, panels, f"leak, g/yr of {REFRIGERANT}", "chance of an answer", log_x=True)
    half = tuple(
        (name(way.id), f"{way.trials:,}", *told(way.rate50, grams(method)), mark(way.rate50)) for way, method in known
    )
    heads = ("Method", "Tests at a place", "Leak, learned", "95 % interval", "Shipped", CLEAR)
    return Section(
        "methods",
        "Methods",
        "How well the methods do",
        (
            "The chance that a method answers at a place, by the size of the leak there, in still air. On the left, "
            "where there is next to no leak, the curve shows false alarms.",
            f"Methods that answer to a flow of gas are told as the same flow of {REFRIGERANT}. The band is what the "
            "interval of the leak that is answered half of the time leaves open.",
        ),
        (Picture(picture, "Chance of an answer over the size of the leak, learned and shipped, by method."),),
        (Table("Leak that is answered half of the time, g/yr", heads, half, frozenset({5})), _failures(ways, subject)),
    )


def _failures(ways: Sequence[LearnedMethod], subject: Subject) -> Table:
    """False alarms, leaks that are missed whatever their size, and leaks out of reach."""
    rows = []
    for way in ways:
        cells = [subject.names.method(way.id)]
        for share in (way.false_alarm, way.lapse, way.unreachable):
            value, span, shipped = told_share(share)
            cells += [f"{value} ({span})", shipped]
        rows.append(tuple(cells))
    heads = ("Method", "Answers without a leak", "Shipped", "Misses any size", "Shipped", "Out of reach", "Shipped")
    return Table("How methods fail", heads, tuple(rows))


def grams(method: Method) -> float:
    """g/yr of the refrigerant in one unit of a method's rate."""
    if method.rate == "g/yr":
        return 1.0
    molar_mass = load_properties().fluid(REFRIGERANT).molar_mass
    return throughput_to_g_per_year(1.0, molar_mass, TWENTY_CELSIUS)


def answer(
    leaks: NDArray[np.float64], rate50: float, slope: float, false_alarm: float, missed: tuple[float, float]
) -> NDArray[np.float64]:
    """(leaks,): chance that the first grade shows; ``missed``: lapse and unreachable share.

    1 - (1 - f) (1 - d), with d = (1 - unreachable) (1 - lapse) / (1 + (rate50 / leak)^slope) (the catalogue's curve).
    """
    detected = (1 - missed[0]) * (1 - missed[1]) / (1 + (rate50 / leaks) ** slope)
    return 1 - (1 - false_alarm) * (1 - detected)


def _curve(name: str, way: LearnedMethod, method: Method) -> Curve:
    slope, scale = method.grades[0].slope, grams(method)

    def at(end: str) -> NDArray[np.float64]:
        half, alarm, lapse, hidden = (
            float(getattr(moved, end)) for moved in (way.rate50, way.false_alarm, way.lapse, way.unreachable)
        )
        return answer(LEAKS, half * scale, slope, alarm, (lapse, hidden))

    def with_half(half: float) -> NDArray[np.float64]:
        missed = (way.lapse.value, way.unreachable.value)
        return answer(LEAKS, half * scale, slope, way.false_alarm.value, missed)

    band = np.stack([with_half(way.rate50.high), with_half(way.rate50.low)])
    return Curve(name, at("value"), band, at("shipped"))
