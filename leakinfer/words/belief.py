"""What is believed of repair units, in order and in words, and what moved."""

from __future__ import annotations

from leakinfer.job.belief import Belief

MOVERS = 5
LEAST_MOVE = 0.005  # below half a percent nothing shows


def ranked_units(belief: Belief) -> list[tuple[str, float]]:
    """Repair units with their chance, likeliest first."""
    return sorted(belief.unit_probability.items(), key=lambda pair: -pair[1])


def unit_name(belief: Belief, unit: str) -> str:
    """What people call a repair unit, with ``confirmed`` where it is."""
    name = next(found.name for found in belief.job.system.units if found.id == unit)
    confirmed = {belief.job.site(site).unit for site in belief.confirmed()}
    return f"{name} (confirmed)" if unit in confirmed else name


def movers(before: Belief, after: Belief, count: int = MOVERS) -> list[tuple[str, float, float]]:
    """Repair units whose chance moved most: unit, before, after."""
    old = before.unit_probability
    moves = [(unit, old.get(unit, 0.0), chance) for unit, chance in after.unit_probability.items()]
    moves = [move for move in moves if abs(move[2] - move[1]) >= LEAST_MOVE]
    return sorted(moves, key=lambda move: -abs(move[2] - move[1]))[:count]
