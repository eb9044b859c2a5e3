"""Exact inference over items with hidden states under local, any-of and summed observations; numpy only."""

from collections.abc import Sequence

from leakinfer.inference.chain import Mask
from leakinfer.inference.draws import Draws, draw
from leakinfer.inference.information import Group, Information, check_groups
from leakinfer.inference.information import information as _exact_information
from leakinfer.inference.layout import OverBudget
from leakinfer.inference.model import (
    AmountTest,
    ImpossibleEvidence,
    Item,
    LevelTest,
    Model,
    ModelError,
    Observation,
    Switch,
    SwitchTest,
    Table,
    Test,
    local_test,
    split_amounts,
)
from leakinfer.inference.posterior import Posterior
from leakinfer.inference.sampled import SampledPosterior

__all__ = [
    "AmountTest",
    "Draws",
    "Group",
    "ImpossibleEvidence",
    "Information",
    "Item",
    "LevelTest",
    "Mask",
    "Model",
    "ModelError",
    "Observation",
    "OverBudget",
    "Posterior",
    "SampledPosterior",
    "Switch",
    "SwitchTest",
    "Table",
    "Test",
    "draw",
    "information",
    "local_test",
    "solve",
    "split_amounts",
]


def solve(
    model: Model, together: Sequence[Sequence[str]] = (), *, draws: int = 4000, seed: int = 0
) -> Posterior | SampledPosterior:
    """The posterior of a model: exact, or by weighted draws where too much would be open at once (``exact`` says).

    ``together``: groups of items to keep side by side in the scan. ``draws`` and ``seed`` serve the fallback only.

    Raises:
        ImpossibleEvidence: the observations have probability zero.
    """
    try:
        return Posterior(model, together)
    except OverBudget:
        return SampledPosterior(model, together, draws, seed)


def information(
    posterior: Posterior | SampledPosterior, test: Test, groups: Sequence[Group], max_leaking: int = 2
) -> Information:
    """Expected information of ``test``, in bits, about which ``groups`` are on.

    A group, {item name: mask of states (states,)}, is on when any copy of any of its items is in a masked state.
    Sets of more than ``max_leaking`` groups count as one value; ``gap`` bounds what that hides.

    Raises:
        ModelError: the test or a group does not fit the model.
    """
    posterior.model.check(test)
    check_groups(posterior.model, groups, max_leaking)
    if isinstance(posterior, SampledPosterior):
        return posterior.information(test, groups, max_leaking)
    return _exact_information(posterior, test, groups, max_leaking)
