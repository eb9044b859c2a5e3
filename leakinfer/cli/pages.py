"""Whole screens for people: where next, what moved, all places, and why."""

from __future__ import annotations

import shlex
from collections.abc import Sequence

from leakinfer.cli.screen import bar, bullets, heading, minutes, pairs, percent, rate, shortened, table, width, wrapped
from leakinfer.cli.words import (
    NOT_CHECKED,
    chances,
    method_words,
    place_words,
    site_verdicts,
    test_words,
)
from leakinfer.job.belief import Belief
from leakinfer.job.finding import outcome_names
from leakinfer.job.job import Job
from leakinfer.job.why import Explanation
from leakinfer.planner.model import NotAllowed, Plan, Ranked, Stop

LIKELY_PLACES = 8
MOVERS = 5
FEW = 2  # tests that are named one by one
LEAST_MOVE = 0.005  # below half a percent nothing shows
LEAST_SHOWN = 0.01


def next_page(belief: Belief, plan: Plan, top: int, path: str, notices: Sequence[str] = ()) -> str:
    """Cautions, the tests in order of worth, how the first is done, the likely places, and whether to stop."""
    parts = [bullets(notices, "note")] if notices else []
    tests = once_each(plan.next)[:top]
    if tests:
        parts += [heading("Before you start"), bullets(tests[0].cautions, "!")]
        parts += [heading("Where next"), tests_table(belief.job, tests, plan.objective)]
        parts.append(_first(belief.job, tests[0], path))
    else:
        parts += [heading("Where next"), "  No test is possible now."]
    parts += [heading("Left out"), left_out(belief.job, plan)] if plan.not_allowed else []
    parts += [heading("Likely places"), likely_table(belief, LIKELY_PLACES)]
    parts += [heading("Stop or go on"), stop_lines(belief, plan.stop)]
    return "\n".join(parts)


def once_each(tests: Sequence[Ranked]) -> list[Ranked]:
    """The tests without those that differ from a better one only in the state of the system."""
    best: dict[tuple[str, str], Ranked] = {}
    for test in tests:
        best.setdefault((test.candidate.method, test.candidate.target), test)
    return list(best.values())


def worth(test: Ranked, objective: str) -> float:
    """What the tests were ranked by."""
    return test.bits if objective == "bits" else test.bits_per_minute


def tests_table(job: Job, tests: Sequence[Ranked], objective: str) -> str:
    """Tests in order, three short lines each; the bar is what a test tells against the best of them."""
    best = max((worth(test, objective) for test in tests), default=0.0)
    told = "what it tells" if objective == "bits" else "what it tells for its minutes"
    lines = [f"{f'(bar: {told})':>{width()}}"]
    for number, test in enumerate(tests, start=1):
        lines += _test_lines(job, test, number, worth(test, objective) / best if best > 0 else 0.0)
        lines += [f"     {test.bits:.3f} bits"] if objective == "bits" else []
    return "\n".join(lines)


def _test_lines(job: Job, test: Ranked, number: int, share: float) -> list[str]:
    """Number, target, time and bar; then method and place; then the chance of each outcome."""
    end = f"{minutes(test.minutes.total):>8}  {bar(share, 8)}"
    room = width() - len(end)
    name = shortened(job.target_name(test.candidate.target), room - 6)
    place = f", {place_words(job, test.candidate.place)}" if test.candidate.place else ""
    how = f"{method_words(job, test.candidate.method)}{state_words(job, test)}{place}"
    silent = job.catalogue.methods[test.candidate.method].silent
    odds = chances(test.outcomes, silent, ", ")
    return [f"{f'  {number}  {name}':{room}}{end}", wrapped(how, "     "), wrapped(odds, "     ")]


def state_words(job: Job, test: Ranked) -> str:
    """What must be done to the system first, if anything."""
    if test.candidate.condition.state == job.facts.state:
        return ""
    runs = test.candidate.condition.state == "running"
    return ", let it run first" if runs else ", switch off and let it stand first"


def _first(job: Job, test: Ranked, path: str) -> str:
    """The reason for the first test, how it is done well, what spoils it, and how to tell the outcome."""
    method = job.catalogue.methods[test.candidate.method]
    outcomes = "|".join(outcome_names(method))
    rows = [("why", test.reason), ("how", test.how)]
    rows += [("spoils it", test.spoils)] if test.spoils else []
    rows.append(("then tell", f"leakinfer record {shlex.quote(path)} {method.id} {test.candidate.target} {outcomes}"))
    first = wrapped(f"First: {test_words(job, method.id, test.candidate.target)}{state_words(job, test)}")
    return f"\n{first}\n{pairs(rows)}"


def left_out(job: Job, plan: Plan) -> str:
    """Tests left out for a reason of this job, grouped by reason; those that the kind of part rules out are counted."""
    reasons: dict[str, list[str]] = {}
    ruled_out = 0
    for refused in plan.not_allowed:
        if _by_nature(job, refused):
            ruled_out += 1
        else:
            reasons.setdefault(refused.reason.rstrip("."), []).append(test_words(job, refused.method, refused.target))
    texts = [
        f"{reason}: {'; '.join(tests) if len(tests) <= FEW else f'{len(tests)} tests'}"
        for reason, tests in reasons.items()
    ]
    texts += [f"{ruled_out} tests that the kind of part rules out: --json lists them"] if ruled_out else []
    return bullets(texts, "-")


def _by_nature(job: Job, refused: NotAllowed) -> bool:
    """Whether the catalogue says that the method cannot be used on that kind of part, whatever the job."""
    method = job.catalogue.methods[refused.method]
    if method.kind != "point":
        return False
    technique = job.technique(method, job.site(refused.target))
    return technique is not None and not technique.possible


def likely_table(belief: Belief, count: int) -> str:
    """The likeliest repair units with bars, and the chance that nothing leaks and the charge was never right."""
    rows = [(unit_name(belief, unit), chance) for unit, chance in ranked_units(belief)[:count]]
    rows = [row for row in rows if row[1] >= LEAST_SHOWN]
    if belief.not_a_leak >= LEAST_SHOWN:
        rows.append(("no leak, the charge was never right", belief.not_a_leak))
    return bars(rows) if rows else "  None above 1%."


def bars(rows: Sequence[tuple[str, float]]) -> str:
    """Names with their chance and a bar."""
    drawn = [(name, percent(chance), bar(chance)) for name, chance in rows]
    return table(["", "", ""], drawn, right=(1,), fixed=(1, 2)).lstrip("\n")


def ranked_units(belief: Belief) -> list[tuple[str, float]]:
    """Repair units with their chance, likeliest first."""
    return sorted(belief.unit_probability.items(), key=lambda pair: -pair[1])


def unit_name(belief: Belief, unit: str) -> str:
    """What people call a repair unit, with ``confirmed`` where it is."""
    name = next(found.name for found in belief.job.system.units if found.id == unit)
    confirmed = {belief.job.site(site).unit for site in belief.confirmed()}
    return f"{name} (confirmed)" if unit in confirmed else name


def stop_lines(belief: Belief, stop: Stop) -> str:
    """The word on stopping, with what is confirmed and what remains."""
    rows = [("stop" if stop.stop else "go on", stop.reason)]
    if stop.confirmed:
        rows.append(("confirmed", ", ".join(belief.job.target_name(site) for site in stop.confirmed)))
    if stop.likely:
        rows.append(("likely here", ", ".join(unit_name(belief, unit) for unit in stop.likely)))
    if stop.prove is not None:
        test = stop.prove
        words = test_words(belief.job, test.candidate.method, test.candidate.target)
        rows.append(("prove it by", f"{words}, {minutes(test.minutes.total)}"))
    rest = f"about {rate(stop.expected_g_per_year)} expected"
    rows.append(("remaining", f"{percent(stop.another)} for another leak that matters, {rest}"))
    if stop.observed_g_per_year is not None:
        rows.append(("loss seen", f"about {rate(stop.observed_g_per_year)}"))
    if stop.cheapest is not None:
        test = stop.cheapest
        words = test_words(belief.job, test.candidate.method, test.candidate.target)
        rows.append(("to know more", f"{words}, {minutes(test.minutes.total)}"))
    size = belief.posterior.effective_sample_size
    if size is not None:
        rows.append(("note", f"worked out from samples worth {size:.0f} draws, so the figures are rough"))
    return pairs(rows)


def change_page(before: Belief, after: Belief, surprise: tuple[float, str] | None) -> str:
    """What a finding moved most, and a word if it was not expected."""
    parts = []
    if surprise is not None:
        chance, words = surprise
        parts.append(wrapped(f"Surprise: this was given {percent(chance)}. {words}".rstrip(), "    ", "  ! "))
    moved = movers(before, after)
    parts.append(moves_table(after, moved) if moved else "  Hardly anything moved.")
    new = [site for site in after.confirmed() if site not in before.confirmed()]
    parts += [wrapped(f"Confirmed: {after.job.target_name(site)}") for site in new]
    return "\n".join(parts)


def movers(before: Belief, after: Belief, count: int = MOVERS) -> list[tuple[str, float, float]]:
    """Repair units whose chance moved most: unit, before, after."""
    old = before.unit_probability
    moves = [(unit, old.get(unit, 0.0), chance) for unit, chance in after.unit_probability.items()]
    moves = [move for move in moves if abs(move[2] - move[1]) >= LEAST_MOVE]
    return sorted(moves, key=lambda move: -abs(move[2] - move[1]))[:count]


def moves_table(belief: Belief, moves: Sequence[tuple[str, float, float]]) -> str:
    """Moves with an arrow in words and a bar of where they are now."""
    rows = [
        (unit_name(belief, unit), percent(old), "up to" if new > old else "down to", percent(new), bar(new))
        for unit, old, new in moves
    ]
    return table(["what moved", "was", "", "is", ""], rows, right=(1, 3), fixed=(1, 2, 3, 4))


def sites_page(belief: Belief, everything: bool) -> str:
    """Sites under their repair units, with bars and what can be said of each."""
    names = {unit.id: unit.name for unit in belief.job.system.units}
    verdicts = site_verdicts(belief)
    telling = {site for site, verdict in verdicts.items() if verdict != NOT_CHECKED}
    telling |= {site for site, chance in belief.matters_probability.items() if chance >= LEAST_SHOWN}
    lines: list[str] = []
    for unit, chance in ranked_units(belief):
        shown = [site for site in belief.units[unit] if everything or site in telling]
        alone = belief.units[unit] == (unit,)
        if shown and not alone:
            lines += [chance_line(f"{names[unit]}, one repair unit:", chance)]
        for site in shown:
            lines += _site_lines(belief, site, verdicts[site], "" if alone else "  ")
    lines += ["  None above 1%."] if not lines else []
    hidden = 0 if everything else len(verdicts.keys() - telling)
    lines += [f"  {hidden} more are below 1% and not checked: --all lists them"] if hidden else []
    return "\n".join([heading("Places by repair unit"), *lines])


def chance_line(name: str, chance: float) -> str:
    """A name, its chance and a bar, in one line."""
    end = f"{percent(chance):>5}  {bar(chance)}"
    room = width() - len(end)
    return f"{f'  {shortened(name, room - 4) if len(name) > room - 4 else name}':{room}}{end}"


def _site_lines(belief: Belief, site: str, verdict: str, lead: str) -> list[str]:
    """A site with its chance, then its id and what can be said of it."""
    found = belief.job.site(site)
    many = f" (x {found.count})" if found.count > 1 else ""
    first = chance_line(f"{lead}{found.name}{many}", belief.matters_probability[site])
    return [first, wrapped(f"{site}: {verdict}", f"    {lead}")]


def why_page(explanation: Explanation) -> str:
    """A site's story: after each piece of evidence its chance, a bar, and how the odds moved."""
    rows = []
    for step in explanation.steps:
        what = step.what if step.surprising is None else f"{step.what} (a surprise)"
        rows.append((what, percent(step.probability), bar(step.probability), odds_words(step.odds_ratio)))
    head = heading(f"{explanation.name} ({explanation.site})")
    body = table(["", "chance", "", "odds"], rows, right=(1,), fixed=(1, 2, 3))
    return "\n".join([head, body, "", *(wrapped(note) for note in explanation.notes)])


def odds_words(ratio: float) -> str:
    """``x 3.2`` or ``/ 3.2``; nothing where they did not move."""
    if 0.95 < ratio < 1.05:
        return "same"
    return f"x {ratio:.3g}" if ratio > 1 else f"/ {1 / ratio:.3g}"
