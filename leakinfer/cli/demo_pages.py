"""Screens of the demo: the start, each step, and the end."""

from __future__ import annotations

from collections.abc import Sequence

from leakinfer.cli.pages import change_page, likely_table, stop_lines
from leakinfer.cli.scenario import PROPOSED, Played, Scenario
from leakinfer.cli.screen import bar, bullets, heading, pairs, table, wrapped
from leakinfer.cli.where import tests_table
from leakinfer.job.belief import Belief
from leakinfer.planner.model import Plan
from leakinfer.words.job import fact_rows, finding_words, surprising, test_words
from leakinfer.words.numbers import percent
from leakinfer.words.plan import once_each
from leakinfer.words.units import Units

START_PLACES = 6


def start(scenario: Scenario, belief: Belief, units: Units) -> str:
    """The story, the facts, and the likely places before anything is tested."""
    sites = belief.job.sites
    places = len({site.place for site in sites})
    size = f"{len(sites)} sites in {len(belief.units)} repair units, reached from {places} places"
    parts = [heading(scenario.title), wrapped(scenario.story), ""]
    parts += [pairs([*fact_rows(belief.job, units), ("can leak", size)])]
    parts += [heading("Likely places at the start"), likely_table(belief, START_PLACES)]
    return "\n".join(parts)


def step(number: int, played: Played, earlier: Sequence[Played], units: Units) -> str:
    """Cautions, what is proposed and why, what was done and found, and what it moved."""
    tests = once_each(played.plan.next)[:PROPOSED]
    job = played.before.job
    parts = [heading(f"Step {number}: {played.step.title}")]
    if played.step.facts:
        parts.append(wrapped(f"Now: {units.condition_words(job.condition())}."))
    if tests:
        parts += [_cautions(played, earlier), "  Proposed"]
        parts += [tests_table(job, tests, played.plan, units), _reason(tests[0].reason)]
    parts += [_done(played), wrapped(played.step.story), _found(played, units)]
    parts.append(change_page(played.before, played.after, surprising(job, played.finding)))
    if set(played.after.confirmed()) - set(played.before.confirmed()):
        parts.append(explained(played.after, units))
    return "\n".join(parts)


def _cautions(played: Played, earlier: Sequence[Played]) -> str:
    """Cautions of the test proposed first and of the one that was made; those shown before are only counted."""
    shown = {text for one in earlier for text in _texts(one)}
    texts = _texts(played)
    new = [text for text in texts if text not in shown]
    known = len(texts) - len(new)
    again = f": the {known} cautions above hold here too" + (", and" if new else ".") if known else ""
    return "\n".join([wrapped(f"Before you start{again}"), *([bullets(new, "!")] if new else [])])


def _texts(played: Played) -> list[str]:
    """The cautions that a step asks for, each once."""
    done = (played.finding.method, played.finding.target)
    made = [test for test in played.plan.next if (test.candidate.method, test.candidate.target) == done]
    return list(dict.fromkeys(text for test in (*played.plan.next[:1], *made[:1]) for text in test.cautions))


def _reason(reason: str) -> str:
    return wrapped(f"First because: {reason}.")


def _done(played: Played) -> str:
    """Whether the person did what was proposed first, or something else."""
    tests = once_each(played.plan.next)
    pairs_made = [(test.candidate.method, test.candidate.target) for test in tests]
    done = (played.finding.method, played.finding.target)
    rank = pairs_made.index(done) + 1 if done in pairs_made else None
    words = test_words(played.before.job, *done)
    if rank == 1:
        return "\n" + wrapped(f"Done, as proposed: {words}")
    number = f" (number {rank} of {len(tests)} in the list)" if rank else ""
    return "\n" + wrapped(f"Done instead: {words}{number}")


def _found(played: Played, units: Units) -> str:
    return wrapped(f"Found: {finding_words(played.before.job, played.finding, units)}") + "\n"


def explained(belief: Belief, units: Units) -> str:
    """What the confirmed leaks explain of the loss that was seen."""
    loss = belief.job.facts.loss
    if loss is None:
        return ""
    seen = loss.kg * 1000 / loss.years
    found = sum(belief.expected_g_per_year[site] for site in belief.confirmed())
    share = percent(min(1.0, found / seen))
    return wrapped(f"Explained so far: about {units.rate_words(found)} of the {units.rate_words(seen)} lost, {share}.")


def end(belief: Belief, plan: Plan, units: Units) -> str:
    """What each confirmed leak explains of the loss, the risk that remains, and the word on stopping."""
    parts = [heading("The end"), shares(belief, units), "", stop_lines(belief, plan.stop, units)]
    parts += ["", wrapped("Then: repair both, check your own ports, prove it tight, and set a date to look again.")]
    return "\n".join(parts)


def shares(belief: Belief, units: Units) -> str:
    """The confirmed leaks and all the rest, with their part of the loss."""
    loss = belief.job.facts.loss
    seen = sum(belief.expected_g_per_year.values()) if loss is None else loss.kg * 1000 / loss.years
    confirmed = belief.confirmed()
    rows = [(f"{belief.job.target_name(site)} (confirmed)", belief.expected_g_per_year[site]) for site in confirmed]
    rest = sum(g for site, g in belief.expected_g_per_year.items() if site not in confirmed)
    rows.append(("all other places together", rest))
    lines = [(name, units.rate_words(grams), bar(min(1.0, grams / seen))) for name, grams in rows]
    return table([f"of {units.rate_words(seen)} lost", "about", ""], lines, right=(1,), fixed=(1, 2))
