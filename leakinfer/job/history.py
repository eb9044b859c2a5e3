"""A system's charge history, as dates and weights, becomes facts: its age, and the loss since the charge was right."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date
from itertools import pairwise
from typing import Any, TypeAlias

from leakinfer.errors import InputError

TopUp: TypeAlias = tuple[date, float]  # day, kg
YEAR_DAYS = 365.25  # Julian year, IAU


def from_history(
    commissioned: date,
    today: date,
    top_ups: Sequence[TopUp] = (),
    missing_now_kg: float | None = None,
    charge_kg: float | None = None,
) -> dict[str, Any]:
    """The facts ``age_years`` and, where it can be told, ``loss`` (kg over years), as plain data.

    Each top-up makes the charge right. Without one, what is missing now went since the first charge, which may have
    been wrong itself. With top-ups all later ones and what is missing now went since the first top-up: one window, in
    which the loss is taken as even. It ends today where it is known what is missing now, else at the last top-up. The
    time before the first top-up is used only where nothing later is known: a wrong first charge can explain that
    interval, and no other. A window that lost more than the charge begins at a later top-up.

    Args:
        commissioned: day of the first charge.
        today: day of the search.
        top_ups: day and kg of each, in order of days.
        missing_now_kg: found missing today; None: not known.
        charge_kg: the right charge, if a window should not lose more than it.

    Raises:
        InputError: a day before commissioning, in the future or not after the one before; a weight that cannot be.
    """
    _check_days(commissioned, today, top_ups)
    _check_weights(top_ups, missing_now_kg)
    if missing_now_kg is not None and top_ups and top_ups[-1][0] == today:
        what = "what is missing on the day of a top-up"
        raise InputError(what, where="missing now", allowed="the top-up or what is missing, not both on one day")
    facts: dict[str, Any] = {"age_years": _years(commissioned, today)}
    loss = _loss(commissioned, today, list(top_ups), missing_now_kg, charge_kg or math.inf)
    return facts if loss is None else facts | {"loss": loss}


def _loss(
    commissioned: date, today: date, top_ups: list[TopUp], missing_now_kg: float | None, most_kg: float
) -> dict[str, Any] | None:
    """Kg and years of the window, None where nothing is known of a loss."""
    if not top_ups:
        return None if missing_now_kg is None else _over(commissioned, today, [missing_now_kg])
    if missing_now_kg is None and len(top_ups) == 1:
        return _over(commissioned, top_ups[0][0], [top_ups[0][1]]) | {"since_first_charge": True}
    begun = top_ups[0][0]
    lost = top_ups[1:] if missing_now_kg is None else [*top_ups[1:], (today, missing_now_kg)]
    while len(lost) > 1 and math.fsum(kg for _, kg in lost) > most_kg:
        begun = lost.pop(0)[0]
    return _over(begun, lost[-1][0], [kg for _, kg in lost])


def _over(begun: date, ended: date, lost: Sequence[float]) -> dict[str, Any]:
    return {"kg": math.fsum(lost), "years": _years(begun, ended)}


def _years(begun: date, ended: date) -> float:
    return (ended - begun).days / YEAR_DAYS


def _check_days(commissioned: date, today: date, top_ups: Sequence[TopUp]) -> None:
    if commissioned >= today:
        what = f"{commissioned} is {'today' if commissioned == today else 'in the future'}"
        raise InputError(what, where="commissioned", allowed=f"before {today}")
    for number, (day, _) in enumerate(top_ups, start=1):
        where = f"top-up {number}"
        if day <= commissioned:
            raise InputError(f"{day} is not after commissioning", where=where, allowed=f"after {commissioned}")
        if day > today:
            raise InputError(f"{day} is in the future", where=where, allowed=f"{today} or earlier")
    for number, ((before, _), (day, _)) in enumerate(pairwise(top_ups), start=2):
        if day <= before:
            what = f"{day} is not after the one before"
            raise InputError(what, where=f"top-up {number}", allowed=f"after {before}, one a day, in order")


def _check_weights(top_ups: Sequence[TopUp], missing_now_kg: float | None) -> None:
    for number, (_, kg) in enumerate(top_ups, start=1):
        if not 0 < kg < math.inf:
            raise InputError(f"{kg:g} kg", where=f"top-up {number}", allowed="above 0 kg")
    if missing_now_kg is not None and not 0 <= missing_now_kg < math.inf:
        raise InputError(f"{missing_now_kg:g} kg", where="missing now", allowed="0 kg or more")
