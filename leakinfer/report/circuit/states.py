"""What is known of places, gathered into the marks of a drawing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

from leakinfer.circuit.model import Site
from leakinfer.job.belief import Belief
from leakinfer.report.circuit.flow import pipe_of
from leakinfer.words.job import SITE_WORDS, SiteVerdict, SiteWord, judged_sites
from leakinfer.words.units import Units

State: TypeAlias = SiteWord | Literal["repaired"]
SURE: tuple[State, ...] = ("confirmed", "repaired", "likely")  # always marks of their own
REST: tuple[State, ...] = ("silent", "unclear", "unchecked")
STATE_WORDS: Mapping[State, str] = dict[State, str]([*SITE_WORDS.items(), ("repaired", "repaired")])
LEAST_MARKED = 0.03  # chance from which a place is a mark of its own
MOST_MARKED = 9  # such marks, beside those that are sure


@dataclass(frozen=True)
class Mark:
    """A place, or the places of one repair unit that stand together, with its rank and what is known of it.

    ``chance``: of a leak that matters; ``verdict``: the words on it, ``brief``: the same without the test;
    ``sections``: those that it lies on.
    """

    rank: int
    name: str
    state: State
    verdict: str
    brief: str
    chance: float
    sites: tuple[str, ...]
    sections: frozenset[str]


@dataclass(frozen=True)
class Known:
    """All that a drawing shows of a job: marks in order of rank, and the state of every place that has none."""

    marks: tuple[Mark, ...]
    rest: Mapping[str, State]

    def count(self, sites: Iterable[str]) -> dict[State, int]:
        """How many of these places are in each state, without those that have a mark."""
        states = Counter(self.rest[site] for site in sites if site in self.rest)
        return {state: states[state] for state in REST if states[state]}


def state_of(verdict: SiteVerdict) -> State:
    """How a place is drawn: one that was repaired as that, unless it likely leaks again."""
    return "repaired" if verdict.repaired and verdict.word != "likely" else verdict.word


def known_of(
    belief: Belief, area_of: Callable[[Site], str], units: Units, likely: Mapping[str, float] | None = None
) -> Known:
    """The marks of a belief.

    Args:
        belief: of the job.
        area_of: the area of the drawing that a site stands in; a mark never reaches over two.
        units: of the reader.
        likely: chance by repair unit, if it is worked out already.
    """
    chances = belief.unit_probability if likely is None else likely
    verdicts = judged_sites(belief)
    states = {site: state_of(verdict) for site, verdict in verdicts.items()}
    found: list[Mark] = []
    for unit, sites in belief.units.items():
        if chances[unit] >= LEAST_MARKED or any(states[site] in SURE for site in sites):
            found += _of_unit(belief, unit, area_of, verdicts, units)
    found = [mark for mark in found if mark.state in SURE or mark.chance >= LEAST_MARKED]
    marks = tuple(replace(mark, rank=rank) for rank, mark in enumerate(_worth_showing(found), start=1))
    shown = {site for mark in marks for site in mark.sites}
    return Known(marks, {site: states[site] for site in states if site not in shown})


def _worth_showing(marks: Sequence[Mark]) -> list[Mark]:
    """Confirmed ones first, then the likeliest; of those that are only possible not more than a few."""
    ranked = sorted(marks, key=lambda mark: (mark.state != "confirmed", -mark.chance))
    possible = [mark for mark in ranked if mark.state not in SURE][:MOST_MARKED]
    return [mark for mark in ranked if mark.state in SURE or mark in possible]


def _of_unit(
    belief: Belief, unit: str, area_of: Callable[[Site], str], verdicts: Mapping[str, SiteVerdict], units: Units
) -> Iterable[Mark]:
    """A mark for each place that is sure, and one for all others of the unit that stand together."""
    job = belief.job
    pipes = {section.id: pipe_of(section) for section in job.system.sections}
    groups: dict[tuple[str, ...], list[Site]] = {}
    for name in belief.units[unit]:
        site, state = job.site(name), state_of(verdicts[name])
        alone = (name,) if state in SURE else ()
        groups.setdefault((area_of(site), pipes[site.section], *alone), []).append(site)
    for sites in groups.values():
        yield _mark(belief, unit, sites, verdicts, units)


def _mark(belief: Belief, unit: str, sites: Sequence[Site], verdicts: Mapping[str, SiteVerdict], units: Units) -> Mark:
    ids = tuple(site.id for site in sites)
    first, several = sites[0], len(sites) > 1
    many = f" (x{first.count})" if first.count > 1 else ""
    unit_name = next(part.name for part in belief.job.system.units if part.id == unit)
    states = {state_of(verdicts[name]) for name in ids}
    state = next(iter(states)) if len(states) == 1 else "unclear"
    chance = (
        belief.any_of({item: belief.masks[item] for name in ids for item in belief.items[name]})
        if several
        else belief.matters_probability[ids[0]]
    )
    return Mark(
        rank=0,
        name=f"{unit_name}, {len(ids)} places" if several else first.name + many,
        state=state,
        verdict=STATE_WORDS[state] if several else verdicts[ids[0]].words(units),
        brief=STATE_WORDS[state] if several else verdicts[ids[0]].brief,
        chance=chance,
        sites=ids,
        sections=frozenset(site.section for site in sites),
    )
