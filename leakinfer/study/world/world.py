"""A true system: what the technician knows of it at the door, what is true, and how it answers each test."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

from msgspec.structs import replace

from leakinfer.catalogue.model import Catalogue
from leakinfer.circuit.model import System
from leakinfer.circuit.reader import load_system
from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.job.facts import Facts, start_facts
from leakinfer.job.finding import Finding, outcome_names
from leakinfer.job.job import Job
from leakinfer.job.loss import Deficit
from leakinfer.planner.model import Candidate
from leakinfer.study.world.answers import Answers
from leakinfer.study.world.lots import Lots
from leakinfer.study.world.nature import Nature, draw_nature
from leakinfer.study.world.population import Population, draw_facts, load_study, population_of
from leakinfer.study.world.readings import Instruments
from leakinfer.study.world.truths import Truth, true_catalogue

ROUNDS = 60  # of systems drawn with the same facts before others are taken
DOORS = 30  # facts drawn before a study is refused


@dataclass(frozen=True)
class Start:
    """A job as the technician finds it: facts, and nothing tested."""

    number: int
    job: Job


@dataclass(frozen=True, eq=False)
class World:
    """One true system behind a start. Nothing but ``answer`` tells a job anything of it.

    Sites that the job does not know of are among ``leaking`` and ``matters``, where the truth has such.
    """

    start: Start
    answers: Answers

    @cached_property
    def leaking(self) -> frozenset[str]:
        """Sites that leak, at any size."""
        return frozenset(self.answers.nature.leaks)

    @cached_property
    def matters(self) -> frozenset[str]:
        """Sites with a leak that matters, by the rule that the belief has for it."""
        prior = self.answers.prior
        leaks = self.answers.nature.leaks.items()
        return frozenset(site for site, states in leaks if prior.masks[site][states].any())

    @cached_property
    def leaking_units(self) -> frozenset[str]:
        """Repair units with a leak, at any size."""
        return self._units(self.leaking)

    @cached_property
    def matters_units(self) -> frozenset[str]:
        """Repair units with a leak that matters."""
        return self._units(self.matters)

    def _units(self, sites: frozenset[str]) -> frozenset[str]:
        return frozenset(site.unit for site in self.answers.job.sites if site.id in sites)

    @cached_property
    def _instruments(self) -> Instruments:
        return Instruments(self.answers, load_study().reading)

    def answer(self, job: Job, candidate: Candidate, minutes: float) -> Finding:
        """What a test shows. Pure: it hangs on the system, the test and how often it was made before, and on nothing
        else that was done.

        Args:
            job: as it stands before the test.
            candidate: one of those that the planner proposes for it.
            minutes: what the test takes, for the finding.

        Raises:
            InputError: a job with repairs or later visits; a study plays one visit, in which nothing is repaired.
        """
        if job.repairs or job.returns:
            raise InputError("a repaired system", where="study", allowed="one visit, in which nothing is repaired")
        method = job.catalogue.methods[candidate.method]
        name = (*_same(job, candidate), _made(job, candidate))
        if method.kind in ("total", "hold", "gather"):
            read = self._instruments.weight if method.kind == "total" else self._instruments.tightness
            return replace(read(job, candidate, self.answers.lots.generator(*name)), minutes=minutes)
        lot = self.answers.lots.share(*name)
        exposure = method.kind == "exposure"
        place = self.answers.look(candidate, lot) if exposure else self.answers.level(job, candidate, lot)
        outcome = outcome_names(method)[place]
        return Finding(method.id, candidate.target, outcome, candidate.condition, minutes=minutes)


def _same(job: Job, test: Candidate | Finding) -> tuple[object, ...]:
    """What makes two tests one and the same, made again: all but small changes of temperature."""
    method, told = job.catalogue.methods[test.method], test.condition
    if method.any_state:
        return test.method, test.target
    circuit = (told.state, told.heating, told.test_kpa, *told.sections)
    return test.method, test.target, *circuit, told.air, told.shroud


def _made(job: Job, candidate: Candidate) -> int:
    """How often the test was made before."""
    same = _same(job, candidate)
    return sum(_same(job, finding) == same for finding in job.findings if finding.target == candidate.target)


def draw_world(system_id: str, truth: Truth, seed: int, number: int, catalogue: Catalogue) -> World:
    """Job ``number`` of a study: a system that somebody calls about, drawn from the truth. Deterministic.

    The chance in it hangs on system, seed and number, not on the truth: the same job in two truths has the same facts.

    Raises:
        InputError: an unknown system, a truth that names what the catalogue does not have, or one in which hardly
            anybody calls.
    """
    system, population = _system(system_id), population_of(system_id)
    true = true_catalogue(truth, catalogue)
    lots = Lots(f"{system.id} {seed} {number}")
    for door in range(DOORS):
        told = draw_facts(population, system, lots.generator("facts", door))
        facts = start_facts(system, told, f"population of {system_id}")
        prior = Belief(Job(system, true, replace(facts, loss=None)))
        deficit = Deficit(Job(system, true, facts), prior.rates, tuple(prior.origins.values()))
        nature = draw_nature(prior, deficit, population.call.least_share, lots.generator("system", door), ROUNDS)
        if nature is not None:
            known = _at_the_door(prior, deficit.years, population, truth, nature, lots)
            return World(Start(number, Job(system, catalogue, known)), Answers(prior, truth, nature, lots))
    what = f"hardly anybody calls about {system_id}"
    raise InputError(what, where=f"truth '{truth.id}'", allowed="more leaks, or a lower least_share of a call")


@lru_cache(maxsize=8)
def _system(system_id: str) -> System:
    return load_system(system_id)


def _at_the_door(
    prior: Belief, years: float, population: Population, truth: Truth, nature: Nature, lots: Lots
) -> Facts:
    """The facts with the loss as it was read and with what is seen of the circumstances; unlisted parts left out."""
    job, seen = prior.job, population.seen
    plain = [name for name, exposure in prior.unsure.items() if exposure in seen.exposures]
    noticed = {name: nature.there[name] for name in plain if lots.share("seen", name) < seen.share}
    unlisted = tuple(site.id for site in job.sites if site.component in truth.unlisted)
    loss = {"kg": nature.read_kg, "years": years}
    told = {"loss": loss, "circumstances": noticed, "not_fitted": unlisted, "untried_operator": truth.skill_told}
    return job.with_facts(told).facts
