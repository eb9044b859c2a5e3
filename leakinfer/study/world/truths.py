"""Ways in which the truth may differ from the belief, and the catalogue that is then true."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta, Struct
from msgspec.structs import replace

from leakinfer.catalogue.checking import by_id, check_finite
from leakinfer.catalogue.model import Catalogue, ComponentClass, Exposure, Grade, Method, Value
from leakinfer.catalogue.reader import load_catalogue
from leakinfer.circuit.model import ELSEWHERE
from leakinfer.errors import InputError
from leakinfer.job.detection import BY_HAND
from leakinfer.reading import Known, Positive, Probability, Text, known, read_toml
from leakinfer.study.world.population import STUDY, load_study

AS_BELIEVED = "as_believed"


class Truth(Struct, frozen=True, forbid_unknown_fields=True):
    """One way in which the world is: what differs from the belief. All numbers are factors or chances.

    ``methods``: which ones ``rate50``, ``false_alarm``, ``skill`` and ``air`` change; none named: all by hand.
    ``rate50``: factor on the rate found half of the time; ``false_alarm``: on the odds of a false alarm; ``skill``:
    equally likely factors on the chance to detect, one drawn for each job; ``skill_told``: the job knows that nobody
    has seen yet what its operator finds; ``air``: factor on what moving air divides
    the rate by; ``fouled_air``: chance that a place is full of refrigerant. ``rates``: by component class, factor on
    the hazard; ``ratios``: by circumstance, on the hazard ratio; ``sizes``: on the median leak size. ``unlisted``:
    component classes that are there but that the job does not know of.
    """

    id: Text
    name: Text
    unit: Text
    known: Known
    source: Text
    methods: tuple[Text, ...] = ()
    rate50: Positive = 1.0
    false_alarm: Positive = 1.0
    skill: tuple[Probability, ...] = ()
    skill_told: bool = False
    air: Positive = 1.0
    fouled_air: Probability = 0.0
    rates: dict[str, Positive] = {}
    ratios: dict[str, Positive] = {}
    sizes: Positive = 1.0
    unlisted: tuple[Text, ...] = ()

    def changes(self, method: Method) -> bool:
        """Whether it is one of the methods that this truth changes."""
        return method.id in self.methods if self.methods else method.kind in BY_HAND


class TruthFile(Value, frozen=True):
    """A file of truths of one's own."""

    truth: Annotated[tuple[Truth, ...], Meta(min_length=1)]


def load_truths(path: Path | None = None, catalogue: Catalogue | None = None) -> dict[str, Truth]:
    """The shipped truths by id, ``as_believed`` first; after them those of a file of one's own.

    ``catalogue``: what the names in the file are held against; without one the shipped catalogue.

    Raises:
        InputError: naming the file, the key and what is allowed.
    """
    found = dict(_shipped())
    if path is None:
        return found
    own = _checked(read_toml(path, TruthFile).truth, str(path), catalogue or load_catalogue())
    for name in own:
        if name in found:
            what = f"'{name}' is the id of a shipped truth"
            raise InputError(what, where=f"{path}: truth", allowed=f"an id of its own, not {', '.join(found)}")
    return found | own


@cache
def _shipped() -> dict[str, Truth]:
    truths = msgspec.convert(load_study().truth, tuple[Truth, ...])
    return _checked(truths, str(STUDY), load_catalogue())


def _checked(truths: Iterable[Truth], path: str, catalogue: Catalogue) -> dict[str, Truth]:
    found = by_id(truths, f"{path}: truth")
    for truth in found.values():
        check_truth(truth, catalogue, f"{path}: {truth.id}")
    return found


def check_truth(truth: Truth, catalogue: Catalogue, where: str) -> None:
    """Refuse names that the catalogue does not have, and numbers that are none.

    Raises:
        InputError: naming ``where``, the key and what is allowed.
    """
    check_finite(msgspec.to_builtins(truth), where)
    if truth.unit != "1":
        raise InputError(f"unit '{truth.unit}'", where=f"{where}: unit", allowed="1: factors and chances")
    by_hand = [method.id for method in catalogue.methods.values() if method.kind in BY_HAND]
    listed = [name for name in catalogue.components if name != ELSEWHERE]
    named = (
        ("methods", truth.methods, by_hand, "method by hand"),
        ("rates", truth.rates, catalogue.components, "component class"),
        ("ratios", truth.ratios, catalogue.exposures, "exposure"),
        ("unlisted", truth.unlisted, listed, "component class"),
    )
    for key, names, allowed, what in named:
        for name in names:
            known(name, allowed, what=what, where=f"{where}: {key}")


def true_catalogue(truth: Truth, catalogue: Catalogue) -> Catalogue:
    """The catalogue as it is in truth; the same one where nothing in it differs.

    Raises:
        InputError: a name that this catalogue does not have.
    """
    check_truth(truth, catalogue, f"truth '{truth.id}'")
    changed = {
        "components": {name: _component(truth, part) for name, part in catalogue.components.items()},
        "exposures": {name: _exposure(truth, part) for name, part in catalogue.exposures.items()},
        "methods": {name: _method(truth, part) for name, part in catalogue.methods.items()},
    }
    if all(getattr(catalogue, name) == parts for name, parts in changed.items()):
        return catalogue
    digest = hashlib.sha256(catalogue.digest.encode() + msgspec.json.encode(truth, order="sorted")).hexdigest()
    return replace(catalogue, **changed, digest=digest)


def _component(truth: Truth, part: ComponentClass) -> ComponentClass:
    rate = truth.rates.get(part.id, 1.0)
    hazard = replace(part.hazard, mean=part.hazard.mean * rate)
    return replace(part, hazard=hazard, size=replace(part.size, median=part.size.median * truth.sizes))


def _exposure(truth: Truth, part: Exposure) -> Exposure:
    return replace(part, ratio=replace(part.ratio, median=part.ratio.median * truth.ratios.get(part.id, 1.0)))


def _method(truth: Truth, part: Method) -> Method:
    if not truth.changes(part):
        return part
    air = {name: divider * truth.air if divider > 1 else divider for name, divider in part.air.items()}
    return replace(part, grades=tuple(_grade(truth, grade) for grade in part.grades), air=air)


def _grade(truth: Truth, grade: Grade) -> Grade:
    """Odds o of a false alarm become o times the factor: p becomes f p / (1 - p + f p)."""
    alarm, factor = grade.false_alarm, truth.false_alarm
    if factor != 1:
        alarm = factor * alarm / (1 - alarm + factor * alarm)
    return replace(grade, rate50=grade.rate50 * truth.rate50, false_alarm=alarm)
