"""Learned priors laid over a catalogue: the numbers that the history moved, everything else as it was."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import msgspec
from msgspec.structs import replace

from leakinfer.catalogue.learned import (
    LearnedComponent,
    LearnedExposure,
    LearnedMethod,
    LearnedPriors,
    LearnedShared,
    Moved,
    Provenance,
)
from leakinfer.catalogue.model import Catalogue, ComponentClass, Exposure, FalseCause, Grade, Method, SharedUnknown
from leakinfer.errors import InputError
from leakinfer.reading import known

SAME = 1e-4  # relative: the file keeps six figures
UNMOVED = Moved(1.0, 1.0, 1.0, 1.0)


def with_learned(
    catalogue: Catalogue, learned: LearnedPriors, system_id: str, where: str = "learned priors"
) -> Catalogue:
    """The catalogue for a job on a system of type ``system_id``; ``where`` names the file in an error.

    A class that the file names takes its mean times the factor of the system type (1 for a type that the file does not
    name), its gamma shape, Weibull shape and sizes; a circumstance its ratio and prevalence; a shared unknown its
    spread; a method its lapse and unreachable share, and rate50 and false alarm of its first grade. Later grades keep
    their ratios to the first, unreachable shares of single classes theirs to the method's, and a false cause alarms at
    least as often as the method does without it. What the file does not name stays as it was. The digest is a new one.

    A file learned over other priors is taken as long as every name in it is still known and every number that it
    replaces is still the one that it replaced.

    Raises:
        InputError: a name that the catalogue does not know, or a number that changed since the file was made.
    """
    check_names(catalogue, learned, where)
    _check_shipped(catalogue, learned, where)
    words = provenance_words(learned.provenance)
    factor = next((part.factor for part in learned.system if part.id == system_id), UNMOVED)
    times = f"; times {factor.value:.3g} for {system_id}" if factor is not UNMOVED else ""
    components = {part.id: _component(catalogue.components[part.id], part, factor.value, words, times)
                  for part in learned.component}  # fmt: skip
    exposures = {part.id: _exposure(catalogue.exposures[part.id], part, words) for part in learned.exposure}
    shared = {part.id: _shared(catalogue.shared[part.id], part, words) for part in learned.shared}
    methods = {part.id: _method(catalogue.methods[part.id], part, words) for part in learned.method}
    return replace(
        catalogue,
        components=catalogue.components | components,
        exposures=catalogue.exposures | exposures,
        shared=catalogue.shared | shared,
        methods=catalogue.methods | methods,
        digest=_digest(catalogue, learned, system_id),
    )


def require_trusted(provenance: Provenance, where: str, allowed: str) -> None:
    """Refuse learned priors that their own checks speak against.

    Raises:
        InputError: with the first reason, and what is ``allowed`` instead.
    """
    if not provenance.trusted:
        reason = provenance.reasons[0] if provenance.reasons else "no reason given"
        raise InputError(f"learned priors are not trusted: {reason}", where=where, allowed=allowed)


def provenance_words(provenance: Provenance) -> str:
    """``1,204 systems, 2014-03-02 to 2026-10-30``, when it was worked out, and the data."""
    span = f"{provenance.systems:,} systems, {provenance.first_day} to {provenance.last_day}"
    trust = "" if provenance.trusted else ", not trusted"
    return f"{span} (fitted {provenance.made}, data {provenance.data[:12]}{trust})"


def _digest(catalogue: Catalogue, learned: LearnedPriors, system_id: str) -> str:
    content = msgspec.json.encode([catalogue.digest, learned, system_id], order="sorted")
    return hashlib.sha256(content).hexdigest()


def check_names(catalogue: Catalogue, learned: LearnedPriors, where: str) -> None:
    """Refuse names that the catalogue does not know.

    Raises:
        InputError: with the name, and the known ones.
    """
    named: list[tuple[str, str, Iterable[Any], Mapping[str, Any]]] = [
        ("component", "component class", learned.component, catalogue.components),
        ("exposure", "exposure", learned.exposure, catalogue.exposures),
        ("shared", "shared unknown", learned.shared, catalogue.shared),
        ("method", "method", learned.method, catalogue.methods),
    ]
    for table, what, parts, choices in named:
        for part in parts:
            known(part.id, choices, what=what, where=f"{where}: {table}")


@dataclass(frozen=True)
class Replaced:
    """A number that learned priors replace: its place in their file, what was learned, what the catalogue has now."""

    spot: str
    moved: Moved
    now: float


def replaced(catalogue: Catalogue, learned: LearnedPriors) -> Iterator[Replaced]:
    """The numbers that :func:`with_learned` replaces, in the order of the file; every name must be known.

    Not the spread of a ratio: a fit may begin with a wider one than the catalogue's (``priors/fleet.toml``).
    """
    for part in learned.component:
        now = catalogue.components[part.id]
        yield from _pairs(f"component.{part.id}", part, {
            "mean": now.hazard.mean, "gamma_shape": now.hazard.gamma_shape, "weibull": now.age.weibull,
            "size_median": now.size.median, "size_log_sd": now.size.log_sd,
        })  # fmt: skip
    for around in learned.exposure:
        seen = catalogue.exposures[around.id]
        numbers = {"ratio": seen.ratio.median, "prevalence": seen.prevalence.value}
        yield from _pairs(f"exposure.{around.id}", around, numbers)
    for unknown in learned.shared:
        yield from _pairs(f"shared.{unknown.id}", unknown, {"log_sd": catalogue.shared[unknown.id].log_sd})
    for way in learned.method:
        method = catalogue.methods[way.id]
        yield from _pairs(f"method.{way.id}", way, {
            "rate50": method.grades[0].rate50, "lapse": method.lapse, "unreachable": method.unreachable,
            "false_alarm": method.grades[0].false_alarm,
        })  # fmt: skip


def _pairs(spot: str, part: Any, numbers: Mapping[str, float]) -> Iterator[Replaced]:
    for name, now in numbers.items():
        yield Replaced(f"{spot}.{name}", getattr(part, name), now)


def _check_shipped(catalogue: Catalogue, learned: LearnedPriors, where: str) -> None:
    for number in replaced(catalogue, learned):
        if not math.isclose(number.moved.shipped, number.now, rel_tol=SAME):
            what = f"replaces {number.moved.shipped:g}, but the priors here have {number.now:g}"
            raise InputError(what, where=f"{where}: {number.spot}", allowed="a file fitted over the priors in use")


def _source(words: str, *moved: Moved) -> str:
    told = ", ".join(f"95 % {one.low:.3g} to {one.high:.3g}, was {one.shipped:.3g}" for one in moved)
    return f"learned from {words}: {told}"


def _component(now: ComponentClass, part: LearnedComponent, factor: float, words: str, times: str) -> ComponentClass:
    mean, weibull, median, spread = part.mean, part.weibull, part.size_median, part.size_log_sd
    source = _source(words, mean) + times
    gamma = part.gamma_shape.value
    return replace(
        now,
        hazard=replace(now.hazard, mean=mean.value * factor, gamma_shape=gamma, source=source, known="learned"),
        age=replace(now.age, weibull=weibull.value, source=_source(words, weibull), known="learned"),
        size=replace(
            now.size,
            median=median.value,
            log_sd=spread.value,
            source=_source(words, median, spread),
            known="learned",
        ),
    )


def _exposure(now: Exposure, part: LearnedExposure, words: str) -> Exposure:
    ratio, share = part.ratio, part.prevalence
    source = _source(words, ratio)
    return replace(
        now,
        ratio=replace(now.ratio, median=ratio.value, log_sd=part.log_sd.value, source=source, known="learned"),
        prevalence=replace(now.prevalence, value=share.value, source=_source(words, share), known="learned"),
    )


def _shared(now: SharedUnknown, part: LearnedShared, words: str) -> SharedUnknown:
    return replace(now, log_sd=part.log_sd.value, source=_source(words, part.log_sd), known="learned")


def _method(now: Method, part: LearnedMethod, words: str) -> Method:
    first = now.grades[0]
    times, alarm = part.rate50.value / first.rate50, part.false_alarm.value
    hidden = {
        name: technique
        if technique.unreachable is None
        else replace(technique, unreachable=_in_proportion(technique.unreachable, now.unreachable, part.unreachable))
        for name, technique in now.techniques.items()
    }
    curve = _source(words, part.rate50, part.lapse, part.unreachable, part.false_alarm)
    return replace(
        now,
        grades=tuple(_grade(grade, first, times, alarm) for grade in now.grades),
        lapse=part.lapse.value,
        unreachable=part.unreachable.value,
        false_causes=tuple(_cause(cause, alarm) for cause in now.false_causes),
        techniques=hidden,
        source=f"{curve} (rate50, lapse, unreachable, false_alarm); the rest: {now.source}",
        known="learned",
    )


def _grade(grade: Grade, first: Grade, times: float, alarm: float) -> Grade:
    share = grade.false_alarm / first.false_alarm if first.false_alarm > 0 else 1.0
    return replace(grade, rate50=grade.rate50 * times, false_alarm=alarm * share)


def _cause(cause: FalseCause, alarm: float) -> FalseCause:
    return replace(cause, false_alarm=max(cause.false_alarm, alarm))


def _in_proportion(share: float, whole: float, moved: Moved) -> float:
    return min(1.0, share * moved.value / whole) if whole > 0 else share
