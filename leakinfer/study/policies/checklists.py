"""Fixed lists of tests as policies, read from ``priors/study_checklists.toml`` or from a file of one's own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Annotated

from msgspec import Meta

from leakinfer.catalogue.model import Value
from leakinfer.circuit.model import WHOLE
from leakinfer.reading import Known, Positive, Text, known, read_toml, shipped
from leakinfer.study.model import Made, Option, Situation
from leakinfer.study.policies.following import Following


class Step(Value, frozen=True):
    """One step of a list, as the file says it."""

    id: Text
    what: Text
    methods: Annotated[tuple[Text, ...], Meta(min_length=1)]
    classes: tuple[Text, ...] = ()
    outdoors: bool | None = None
    whole: bool | None = None
    most_minutes: Positive | None = None
    after: tuple[Text, ...] = ()
    if_nothing_found: bool = False

    def takes(self, option: Option) -> bool:
        """Whether a test belongs to the step."""
        return (
            option.method in self.methods
            and (not self.classes or not option.classes.isdisjoint(self.classes))
            and self.outdoors in (None, option.outdoors)
            and self.whole in (None, option.target == WHOLE)
            and (self.most_minutes is None or option.minutes <= self.most_minutes)
        )

    def is_due(self, made: Sequence[Made]) -> bool:
        """Whether what was found lets the step be."""
        if self.if_nothing_found and any(test.responded and test.option.pinpoint for test in made):
            return False
        return not self.after or any(test.responded and test.option.method in self.after for test in made)


class Listed(Value, frozen=True):
    """One list, as the file says it."""

    id: Text
    tells: Text
    steps: Annotated[tuple[Text, ...], Meta(min_length=1)]
    by_place: bool = False


class ChecklistFile(Value, frozen=True):
    """``study_checklists.toml``."""

    known: Known
    source: Text
    following: Following
    step: Annotated[tuple[Step, ...], Meta(min_length=1)]
    checklist: Annotated[tuple[Listed, ...], Meta(min_length=1)]


@dataclass(frozen=True)
class Checklist:
    """A policy that goes through its steps, follows what responds, and ends when the list is through."""

    name: str
    tells: str
    steps: tuple[Step, ...]
    following: Following
    by_place: bool = False

    def choose(self, here: Situation) -> int | None:
        """What a response asks for, else the next test of the list."""
        walk = Walk(here)
        followed = self.following.next(here, walk.at_hand if self.by_place else walk.all)
        if followed is not None:
            return followed
        due = [step for step in self.steps if step.is_due(here.made)]
        return self._by_place(walk, due) if self.by_place else self._in_order(walk, due)

    def repairs(self, made: Sequence[Made]) -> frozenset[str]:
        """What was shown to leak."""
        return self.following.shown_to_leak(made)

    def _in_order(self, walk: Walk, due: Sequence[Step]) -> int | None:
        """Step by step; of a step what can be done where one stands, then the rest."""
        for step in due:
            found = walk.fresh(step, walk.all)
            if found:
                return min(found, key=lambda number: walk.here.options[number].place != walk.here.place)
        return None

    def _by_place(self, walk: Walk, due: Sequence[Step]) -> int | None:
        """All steps where one stands, then at the next place; tests without a place when no place is left."""
        for place in (*walk.places_left, None):
            there = [number for number in walk.open if walk.here.options[number].place == place]
            for step in due:
                found = walk.fresh(step, there)
                if found:
                    return found[0]
        return None


@dataclass(frozen=True)
class Walk:
    """The options of a situation as a list sees them."""

    here: Situation

    @cached_property
    def all(self) -> tuple[int, ...]:
        """Every option."""
        return tuple(range(len(self.here.options)))

    @cached_property
    def open(self) -> tuple[int, ...]:
        """Options for which one need not go back to a place that one has left."""
        return tuple(number for number in self.all if self.here.options[number].place not in self._behind)

    @cached_property
    def at_hand(self) -> tuple[int, ...]:
        """Options where one stands."""
        return tuple(number for number in self.all if self.here.options[number].place == self.here.place)

    @cached_property
    def _behind(self) -> frozenset[str]:
        """Places where a test was made and where one no longer stands."""
        been = {test.option.place for test in self.here.made} - {None, self.here.place}
        return frozenset(place for place in been if place is not None)

    @cached_property
    def places_left(self) -> tuple[str, ...]:
        """The present place, then those not seen yet in the order of their spots in the system's file."""
        spots = [option.place for option in self.here.options if option.kind == "point"]
        others = [option.place for option in self.here.options]
        order = dict.fromkeys(place for place in (self.here.place, *spots, *others) if place is not None)
        return tuple(place for place in order if place not in self._behind)

    def fresh(self, step: Step, allowed: Sequence[int]) -> list[int]:
        """Options of a step that were not made before: each method and target once, where it takes the least set-up.

        By target in the order of the options, at each target by the step's methods.
        """
        options = self.here.options
        made = {(test.option.method, test.option.target) for test in self.here.made}
        least: dict[tuple[str, str], int] = {}
        for number in allowed:
            option = options[number]
            key = option.method, option.target
            if key not in made and step.takes(option):
                best = least.setdefault(key, number)
                least[key] = number if option.set_up < options[best].set_up else best
        targets = {target: place for place, target in enumerate(dict.fromkeys(target for _, target in least))}
        order = {method: place for place, method in enumerate(step.methods)}
        return [least[key] for key in sorted(least, key=lambda key: (targets[key[1]], order[key[0]]))]


def read_checklists(path: Path | None = None) -> dict[str, Checklist]:
    """The lists of a file by id, in its order; without one the shipped lists.

    Raises:
        InputError: naming the file, the key and what is allowed.
    """
    path = shipped("priors", "study_checklists.toml") if path is None else path
    told = read_toml(path, ChecklistFile)
    steps = {step.id: step for step in told.step}
    found: dict[str, Checklist] = {}
    for one in told.checklist:
        for step in one.steps:
            known(step, steps, what="step", where=f"{path}: checklist {one.id}: steps")
        found[one.id] = Checklist(
            one.id, one.tells, tuple(steps[step] for step in one.steps), told.following, one.by_place
        )
    return found
