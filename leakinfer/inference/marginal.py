"""What the two sides of an item in the scan say about one copy of it, its shared switches summed out.

Where the shared switches change only how likely an item is to act, the two sides are summed over them at once.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from leakinfer.inference.algebra import cavity
from leakinfer.inference.making import one_profile
from leakinfer.inference.model import Array

if TYPE_CHECKING:
    from leakinfer.inference.chain import Chain

TOGETHER = 64  # items taken at once: few calls, little memory


def over_switches(chain: Chain, place: int, before: Array, after: Array) -> Array:
    """(P, K): private switches and the state of one copy, given the two sides; the shared switches summed out."""
    link = chain.links[place]
    weights = link.weights * link.private_prior[:, None]
    found = _said_of(chain, place, weights, before, after)
    if found is None:
        own = before is chain.before(place) and after is chain.after(place)
        seen = chain.own_likelihood(place) if own else chain.copy_likelihood(place, before, after)
        found = np.asarray((weights * seen).sum(0))
    return found


def state(chain: Chain, place: int, before: Array, after: Array) -> Array:
    """(K,): the state of one copy, given the two sides; all switches summed out."""
    link = chain.links[place]
    if chain.single(place) and not chain.effect(place).owned:
        found = _said_of(chain, place, chain.states(place, link.weights)[:, None], before, after)
        if found is not None:
            return np.asarray(found[0])
    return np.asarray(over_switches(chain, place, before, after).sum(0))


def own_states(chain: Chain) -> dict[int, Array]:
    """By place, :func:`state` between the scan's own messages; items under like messages are taken together."""
    alike: dict[Hashable, list[int]] = {}
    for place in range(len(chain)):
        before = chain.before(place)
        if len(before) == 1 and chain.single(place) and not chain.effect(place).owned:
            effect = chain.effect(place)
            key = (before.shape, chain.links[place].item.states, effect.loud.tobytes())
            alike.setdefault(key, []).append(place)
    found: dict[int, Array] = {}
    for places in alike.values():
        for start in range(0, len(places), TOGETHER):
            found |= _said_of_alike(chain, places[start : start + TOGETHER])
    left = (place for place in range(len(chain)) if place not in found)
    return found | {place: state(chain, place, chain.before(place), chain.after(place)) for place in left}


def _said_of_alike(chain: Chain, places: Sequence[int]) -> dict[int, Array]:
    """By place, (K,); those left out whose shared switches change more than how likely they are to act."""
    weights = np.stack([chain.states(place, chain.links[place].weights) for place in places])
    before, after = (np.concatenate([side(place) for place in places]) for side in (chain.before, chain.after))
    totals = np.array([chain.home[place].total for place in places])
    effects = [chain.effect(place) for place in places]
    loud, quiet = effects[0].loud, effects[0].quiet
    acts = np.stack([effect.flat[loud] for effect in effects])
    result = _summed(weights[:, :, None], (before, after), acts, (loud, quiet))
    if result is None and len(places) > 1:
        return {place: each for one in places for place, each in _said_of_alike(chain, [one]).items()}
    return {} if result is None else dict(zip(places, result[:, 0] / totals[:, None], strict=True))


def _said_of(chain: Chain, place: int, weights: Array, before: Array, after: Array) -> Array | None:
    """(P, K) from weights (S, P, K); None where the shared switches change more than how likely it is to act."""
    if len(weights) == 1 or len(before) > 1 or not chain.single(place) or chain.effect(place).owned:
        return None
    effect = chain.effect(place)
    result = _summed(weights[None], (before, after), effect.flat[None, effect.loud], (effect.loud, effect.quiet))
    return None if result is None else np.asarray(result[0] / chain.home[place].total)


def _summed(
    weights: Array, sides: tuple[Array, Array], acts: Array, places: tuple[NDArray[np.intp], NDArray[np.intp]]
) -> Array | None:
    """(n, P, K) of n items from weights (n, S, P, K) and their sides (n, S, U, B, G..), not yet over the evidence.

    ``acts``: (n, loud states, B cells), what they do; ``places``: of the loud states and of the quiet ones.
    """
    count, switches, own, _ = weights.shape
    (before, after), (loud, quiet) = sides, places
    acting = weights[..., loud]
    shares = one_profile(acting.reshape(count, switches, -1), switches)
    if shares is None:
        return None
    grid = before.shape[3:]
    pushed = before * shares[0].reshape(count, switches, *(1,) * (before.ndim - 2))
    said = cavity(pushed.reshape(1, count, -1, *grid), after.reshape(1, count, -1, *grid)).reshape(count, -1, 1)
    result = np.empty((count, own, weights.shape[3]))
    result[..., loud] = shares[1].reshape(count, own, -1) * (acts @ said)[:, None, :, 0]
    still = (before * after).sum(tuple(range(2, before.ndim)))
    result[..., quiet] = np.einsum("ns,nspk->npk", still, weights[..., quiet])
    return result
