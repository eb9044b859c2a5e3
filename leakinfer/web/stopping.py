"""Am I done? What is confirmed, what remains, what to do before leaving."""

from __future__ import annotations

from datetime import date

from starlette.responses import Response

from leakinfer.job.advice import advice_for
from leakinfer.planner.candidates import cautions
from leakinfer.session.ending import ending, entries_of
from leakinfer.web.asked import Asked
from leakinfer.web.cards import ranked_card
from leakinfer.web.desk import Seen
from leakinfer.web.pages import page
from leakinfer.words.job import part_words
from leakinfer.words.plan import DEARER, ask_words


def stop(asked: Asked) -> Response:
    """End here or go on, with what is confirmed, explained and left, and what to do about it."""
    seen: Seen = asked.desk.see(asked.path["job"])
    belief, job, plan = seen.belief, seen.job, seen.wider
    end = ending(belief, plan.stop, date.today())
    prove, cheapest = plan.stop.prove, plan.stop.cheapest
    return page(
        asked,
        "stop.html",
        seen=seen,
        tab="done",
        stop=plan.stop,
        end=end,
        confirmed=[(site, job.target_name(site), belief.expected_g_per_year[site]) for site in plan.stop.confirmed],
        likely=[(unit, part_words(job, unit), belief.unit_probability[unit]) for unit in plan.stop.likely],
        replace=[(unit, part_words(job, unit)) for unit in end.replace],
        prove_first=[(unit, part_words(job, unit)) for unit in end.prove],
        unproved=[(unit, part_words(job, unit), belief.unit_probability[unit]) for unit in end.unproved],
        dearer=DEARER,
        entries={site: entries_of(job, site) for site in end.repair},
        prove=None if prove is None else ranked_card(job, seen.id, prove, asked.units),
        cheapest=None if cheapest is None else ranked_card(job, seen.id, cheapest, asked.units),
        ask=ask_words(job, plan.ask) if plan.ask else "",
        advice=[(one, cautions(job, one.cautions)) for one in advice_for(job, belief)],
        unchecked=sum(verdict.word == "unchecked" and not verdict.repaired for verdict in seen.verdicts.values()),
    )


ROUTES = (("/job/{job}/stop", stop, None),)
