"""Tells a refrigeration technician where to look next for a refrigerant leak.

A job is a belief over the sites that can leak, every finding is a likelihood over those sites, and the next test is the
one that is expected to tell most about what must be repaired for the minutes it costs. Importing this package loads
nothing heavy: a name is loaded from its part when it is first used. ``documents/library.md`` shows each of them.
"""

from typing import TYPE_CHECKING

__version__ = "0.1.0"

# By public name, its home within the package. The types below and __all__ say the same; a test compares them.
HOMES = {
    # a job
    "InputError": "errors.InputError",
    "shipped": "reading.shipped",
    "load_catalogue": "catalogue.reader.load_catalogue",
    "load_system": "circuit.reader.load_system",
    "start_facts": "job.facts.start_facts",
    "Facts": "job.facts.Facts",
    "Loss": "job.facts.Loss",
    "Job": "job.job.Job",
    "Condition": "circuit.conditions.Condition",
    "Finding": "job.finding.Finding",
    "Hold": "job.finding.Hold",
    "Rise": "job.finding.Rise",
    "Gathered": "job.finding.Gathered",
    "Skip": "job.finding.Skip",
    "Aired": "job.later.Aired",
    "Repaired": "job.later.Repaired",
    "Return": "job.later.Return",
    "Belief": "job.belief.Belief",
    "explain": "job.why.explain",
    "make_plan": "planner.plan.make_plan",
    "Plan": "planner.model.Plan",
    "Stop": "planner.model.Stop",
    "ending": "session.ending.ending",
    "repairs_for": "session.ending.entries_of",
    "advice_for": "job.advice.advice_for",
    # a job in a file
    "begin_body": "job.events.begin_body",
    "create_job": "store.journal.create",
    "open_job": "session.jobfile.opened",
    "body_of": "job.events.body_of",
    "tell": "session.jobfile.tell",
    "priors_of": "session.priors.priors_of",
    # a fleet
    "fleet_settings": "fleet.settings.load_settings",
    "reduce_history": "fleet.cells.reduce.reduce_history",
    "Cells": "fleet.cells.model.Cells",
    "save_cells": "fleet.cells.model.save",
    "load_cells": "fleet.cells.model.load",
    "Effort": "fleet.sampling.Effort",
    "fit_cells": "fleet.rates.learn.fit_cells",
    "learned_priors": "fleet.rates.learn.learned",
    "compare_priors": "fleet.rates.compare.compare",
    "write_learned": "catalogue.learned.write_learned",
    "read_learned": "catalogue.learned.read_learned",
    # a study
    "load_study": "study.running.plan.load_plan",
    "run_study": "study.running.runner.run",
    "read_study": "study.running.tables.read",
    "study_results": "study.measures.results.results",
    "policy": "study.policies.naming.policy",
    "Rule": "study.policies.rules.Rule",
    "Situation": "study.model.Situation",
}

if TYPE_CHECKING:
    from leakinfer.catalogue.learned import read_learned, write_learned
    from leakinfer.catalogue.reader import load_catalogue
    from leakinfer.circuit.conditions import Condition
    from leakinfer.circuit.reader import load_system
    from leakinfer.errors import InputError
    from leakinfer.fleet.cells.model import Cells
    from leakinfer.fleet.cells.model import load as load_cells
    from leakinfer.fleet.cells.model import save as save_cells
    from leakinfer.fleet.cells.reduce import reduce_history
    from leakinfer.fleet.rates.compare import compare as compare_priors
    from leakinfer.fleet.rates.learn import fit_cells
    from leakinfer.fleet.rates.learn import learned as learned_priors
    from leakinfer.fleet.sampling import Effort
    from leakinfer.fleet.settings import load_settings as fleet_settings
    from leakinfer.job.advice import advice_for
    from leakinfer.job.belief import Belief
    from leakinfer.job.events import begin_body, body_of
    from leakinfer.job.facts import Facts, Loss, start_facts
    from leakinfer.job.finding import Finding, Gathered, Hold, Rise, Skip
    from leakinfer.job.job import Job
    from leakinfer.job.later import Aired, Repaired, Return
    from leakinfer.job.why import explain
    from leakinfer.planner.model import Plan, Stop
    from leakinfer.planner.plan import make_plan
    from leakinfer.reading import shipped
    from leakinfer.session.ending import ending
    from leakinfer.session.ending import entries_of as repairs_for
    from leakinfer.session.jobfile import opened as open_job
    from leakinfer.session.jobfile import tell
    from leakinfer.session.priors import priors_of
    from leakinfer.store.journal import create as create_job
    from leakinfer.study.measures.results import results as study_results
    from leakinfer.study.model import Situation
    from leakinfer.study.policies.naming import policy
    from leakinfer.study.policies.rules import Rule
    from leakinfer.study.running.plan import load_plan as load_study
    from leakinfer.study.running.runner import run as run_study
    from leakinfer.study.running.tables import read as read_study
else:

    def __getattr__(name: str) -> object:
        """A public name, loaded from its home (PEP 562)."""
        if name not in HOMES:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        from importlib import import_module

        home, _, own = HOMES[name].rpartition(".")
        found = globals()[name] = getattr(import_module(f"{__name__}.{home}"), own)
        return found

    def __dir__() -> list[str]:
        """What is loaded, and all that can be."""
        return sorted({*globals(), *__all__})


__all__ = [
    "Aired",
    "Belief",
    "Cells",
    "Condition",
    "Effort",
    "Facts",
    "Finding",
    "Gathered",
    "Hold",
    "InputError",
    "Job",
    "Loss",
    "Plan",
    "Repaired",
    "Return",
    "Rise",
    "Rule",
    "Situation",
    "Skip",
    "Stop",
    "advice_for",
    "begin_body",
    "body_of",
    "compare_priors",
    "create_job",
    "ending",
    "explain",
    "fit_cells",
    "fleet_settings",
    "learned_priors",
    "load_catalogue",
    "load_cells",
    "load_study",
    "load_system",
    "make_plan",
    "open_job",
    "policy",
    "priors_of",
    "read_learned",
    "read_study",
    "reduce_history",
    "repairs_for",
    "run_study",
    "save_cells",
    "shipped",
    "start_facts",
    "study_results",
    "tell",
    "write_learned",
]
