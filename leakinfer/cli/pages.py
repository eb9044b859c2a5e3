"""Screens for people: the likely places, what moved, all places, why, and the word on stopping."""

from __future__ import annotations

from collections.abc import Sequence

from leakinfer.cli.screen import bar, heading, pairs, shortened, table, width, wrapped
from leakinfer.job.belief import Belief
from leakinfer.job.job import Job
from leakinfer.job.why import Explanation
from leakinfer.planner.model import Stop
from leakinfer.words.belief import movers, ranked_units, unit_name
from leakinfer.words.job import NOT_CHECKED, said_again, site_verdicts, test_words
from leakinfer.words.numbers import minutes, percent
from leakinfer.words.units import Units
from leakinfer.words.why import step_words

LEAST_SHOWN = 0.01


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


def stop_lines(belief: Belief, stop: Stop, units: Units) -> str:
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
    rest = f"about {units.rate_words(stop.expected_g_per_year)} expected"
    another = "another leak" if stop.confirmed or stop.likely else "a leak"
    rows.append(("remaining", f"{percent(stop.another)} for {another} that matters, {rest}"))
    if stop.observed_g_per_year is not None:
        found = f", {units.rate_words(stop.explained_g_per_year)} of it explained" if stop.confirmed else ""
        rows.append(("loss seen", f"about {units.rate_words(stop.observed_g_per_year)}{found}"))
    if stop.worth > 0:
        rows.append(("going on", f"saves about {minutes(stop.worth)} of the {minutes(stop.at_stake)} at stake"))
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
    again = said_again(after.job) if len(after.job.findings) > len(before.job.findings) else ""
    parts += [wrapped(again)] if again else []
    moved = movers(before, after)
    parts.append(moves_table(after, moved) if moved else "  Hardly anything moved.")
    new = [site for site in after.confirmed() if site not in before.confirmed()]
    parts += [wrapped(f"Confirmed: {after.job.target_name(site)}") for site in new]
    return "\n".join(parts)


def moves_table(belief: Belief, moves: Sequence[tuple[str, float, float]]) -> str:
    """Moves with an arrow in words and a bar of where they are now."""
    rows = [
        (unit_name(belief, unit), percent(old), "up to" if new > old else "down to", percent(new), bar(new))
        for unit, old, new in moves
    ]
    return table(["what moved", "was", "", "is", ""], rows, right=(1, 3), fixed=(1, 2, 3, 4))


def sites_page(belief: Belief, everything: bool, units: Units) -> str:
    """Sites under their repair units, with bars and what can be said of each."""
    names = {unit.id: unit.name for unit in belief.job.system.units}
    verdicts = site_verdicts(belief, units)
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


def why_page(job: Job, explanation: Explanation, units: Units) -> str:
    """A site's story: after each piece of evidence its chance, a bar, and how the odds moved."""
    rows = []
    for step in explanation.steps:
        what = step_words(job, step, units)
        what = what if step.surprising is None else f"{what} (a surprise)"
        rows.append((what, percent(step.probability), bar(step.probability), odds_words(step.odds_ratio)))
    head = heading(f"{explanation.name} ({explanation.site})")
    body = table(["", "chance", "", "odds"], rows, right=(1,), fixed=(1, 2, 3))
    return "\n".join([head, body, "", *(wrapped(note) for note in explanation.notes)])


def odds_words(ratio: float) -> str:
    """``x 3.2`` or ``/ 3.2``; nothing where they did not move."""
    if 0.95 < ratio < 1.05:
        return "same"
    return f"x {ratio:.3g}" if ratio > 1 else f"/ {1 / ratio:.3g}"
