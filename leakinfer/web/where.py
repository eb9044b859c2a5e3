"""Where next: the test that is worth most now, one tap for what it found, or why it cannot be done."""

from __future__ import annotations

import time
from urllib.parse import urlencode

from starlette.responses import RedirectResponse, Response

from leakinfer.errors import InputError
from leakinfer.job.belief import Belief
from leakinfer.web.asked import Asked, Form
from leakinfer.web.cards import REASONS, Card, plain_card, ranked_card
from leakinfer.web.desk import Seen
from leakinfer.web.naming import chosen
from leakinfer.web.pages import inside, job_path, page
from leakinfer.web.telling import finding_told
from leakinfer.words.belief import ranked_units, unit_name
from leakinfer.words.job import place_words
from leakinfer.words.numbers import percent
from leakinfer.words.plan import ask_words, once_each

OTHERS = 4  # tests that are named below the first
LIKELY = 3  # places
LEAST_SHOWN = 0.01  # of the chance that there is no leak


def next_page(asked: Asked) -> Response:
    """The screen that a technician looks at."""
    seen: Seen = asked.desk.see(asked.path["job"])
    plan, job = seen.plan, seen.job
    tests = once_each(plan.next)
    cards = [ranked_card(job, seen.id, test, asked.units) for test in tests[: OTHERS + 1]]
    meanwhile = None if plan.meanwhile is None else ranked_card(job, seen.id, plan.meanwhile, asked.units)
    belief = seen.belief
    likely = [(unit_name(belief, unit), chance) for unit, chance in ranked_units(belief)[:LIKELY]]
    if belief.not_a_leak >= LEAST_SHOWN:
        likely.append(("no leak, the charge was never right", belief.not_a_leak))
    return page(
        asked,
        "next.html",
        seen=seen,
        tab="next",
        card=cards[0] if cards else None,
        others=cards[1:],
        meanwhile=meanwhile,
        likely=likely,
        plan=plan,
        ask=ask_words(job, plan.ask) if plan.ask else "",
        reasons=REASONS,
        noted=seen.noted if asked.query.one("noted") else None,
        fouled=_fouled(seen),
    )


def _fouled(seen: Seen) -> list[tuple[str, str]]:
    """Places whose air is likely to be full of gas, id and name."""
    belief = seen.belief
    least = belief.job.catalogue.numbers["fouled_air_told"]
    places = [place for place, spell in belief.air.doubtful_now() if belief.posterior.switch(spell)[1] >= least]
    return [(place, place_words(belief.job, place)) for place in places]


def meaning(asked: Asked) -> Response:
    """What each answer of a test would mean; worked out when it is asked for."""
    seen: Seen = asked.desk.see(asked.path["job"])
    method, target = chosen(seen.job, asked.path["method"], asked.path["target"])
    card = plain_card(seen.job, seen.id, method, target, asked.units)
    key = ("meaning", tuple(asked.query.pairs), asked.units, method.id, target)
    meanings = seen.once(key, lambda: [(choice, _meant(seen, card, choice.name, asked)) for choice in card.choices])
    return page(asked, "meaning.html", seen=seen, meanings=meanings, target=seen.job.target_name(target))


def _meant(seen: Seen, card: Card, outcome: str, asked: Asked) -> str:
    """One answer's meaning: what it makes of the target, and what would be likeliest then."""
    form = Form([*asked.query.pairs, ("outcome", outcome)])
    try:
        finding = finding_told(seen.job, card.method, card.target, form, asked.units)
        after = Belief(seen.job.with_finding(finding))
    except InputError:
        return "cannot happen as things stand"
    unit, chance = ranked_units(after)[0]
    first = f"likeliest then: {unit_name(after, unit)}, {percent(chance)}"
    if card.method.kind == "point":
        here = after.matters_probability[card.target]
        sure = "confirmed" if card.target in after.confirmed() else f"{percent(here)} here"
        return f"{sure}; {first}"
    scope = {site.unit for site in seen.job.scope(card.method, card.target)}
    if card.method.kind in ("sweep", "gather", "spot", "hold"):
        return f"{percent(after.any_that_matters(set(after.units) - scope))} in there; {first}"
    return first


def wait(asked: Asked) -> Response:
    """A wait begins now; the moment stands in the address of the page, for phones without a script."""
    seen: Seen = asked.desk.see(asked.path["job"])
    back, home = asked.query.one("back"), job_path(seen.id)
    told = urlencode({"waiting": asked.query.one("name"), "since": int(time.time())})
    path = back if back.startswith(f"{home}/test/") and inside(back) else home
    return RedirectResponse(f"{path}?{told}", status_code=303)


ROUTES = (
    ("/job/{job}/wait", wait, None),
    ("/job/{job}", next_page, None),
    ("/job/{job}/meaning/{method}/{target}", meaning, None),
)
