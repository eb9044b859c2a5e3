"""What a study plays: ``STUDY.toml`` as a checked value."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

from msgspec import Meta
from msgspec.structs import replace

from leakinfer.catalogue.model import Value
from leakinfer.circuit.reader import load_system
from leakinfer.errors import InputError
from leakinfer.reading import Positive, Text, checked, known, read_toml
from leakinfer.study.model import Moment
from leakinfer.study.policies import policy
from leakinfer.study.world.truths import Truth, load_truths

Names = Annotated[tuple[Text, ...], Meta(min_length=1)]
Count = Annotated[int, Meta(ge=1)]

PROVENANCE = "provenance"  # a table that only the copy has which a run leaves, beside others that say what it holds


class Plan(Value, frozen=True):
    """A study: every policy plays the same jobs, in every system and every truth.

    ``jobs``: in each system and truth. ``policies``: shipped ones, or one's own as ``module:name`` or
    ``FILE.toml:id``. ``most_tests``, ``most_minutes``: where a job is cut off. ``chances``: when the told probabilities
    are written down; ``during`` is by lot. ``truth_file``: truths of one's own, beside the plan. ``block_jobs``: jobs
    that are played and kept together; it changes no result, only how much is lost when the study is stopped.
    """

    name: Text
    seed: Annotated[int, Meta(ge=0)]
    jobs: Count
    systems: Names
    truths: Names
    policies: Names
    most_tests: Count
    most_minutes: Positive
    chances: tuple[Moment, ...] = ("start", "during", "end")
    truth_file: Text | None = None
    block_jobs: Count = 1

    @property
    def blocks(self) -> int:
        """Into how many parts it is cut; more workers than that do not help."""
        return len(self.systems) * len(self.truths) * math.ceil(self.jobs / self.block_jobs)


def load_plan(path: Path) -> Plan:
    """The plan of a file; its truth file is looked for beside it. The copy that a run leaves is a plan, too.

    Raises:
        InputError: naming the file, the key and what is allowed.

    Example:
        >>> from leakinfer import load_study, shipped
        >>> plan = load_study(shipped("data_demo", "study", "small.toml"))
        >>> plan.jobs, plan.systems, plan.policies
        (3, ('ductless_split',), ('expected_cost', 'most_likely', 'checklist'))
    """
    data = read_toml(path, dict[str, Any])
    plan = plan_from(data, str(path))
    if plan.truth_file is not None:
        plan = replace(plan, truth_file=str(path.parent / plan.truth_file))
    check_plan(plan, str(path))
    return plan


def plan_from(data: dict[str, Any], where: str) -> Plan:
    """The plan in the data of a file, of a person's or of the copy that a run leaves."""
    if PROVENANCE in data:
        data = {key: data[key] for key in Plan.__struct_fields__ if key in data}
    return checked(data, Plan, where=where)


def check_plan(plan: Plan, where: str) -> None:
    """Refuse what is named twice, and systems, truths and policies that are not there.

    Raises:
        InputError: naming ``where``, the key and what is allowed.
    """
    for key in ("systems", "truths", "policies", "chances"):
        _once(getattr(plan, key), f"{where}: {key}")
    with _named_in(where):
        for system in plan.systems:
            load_system(system)
        _once([policy(name).name for name in plan.policies], "policies: names")
    truths_of(plan, where)


def truths_of(plan: Plan, where: str) -> tuple[Truth, ...]:
    """The truths of a plan, in its order.

    Raises:
        InputError: one of them is not there, or the truth file is not usable.
    """
    every = load_truths(None if plan.truth_file is None else Path(plan.truth_file))
    return tuple(every[known(name, every, what="truth", where=f"{where}: truths")] for name in plan.truths)


def _once(names: Sequence[str], where: str) -> None:
    for place, name in enumerate(names):
        if name in names[:place]:
            raise InputError(f"'{name}' twice", where=where, allowed="each once")


@contextmanager
def _named_in(where: str) -> Iterator[None]:
    """What is refused inside the block was named in the file ``where``."""
    try:
        yield
    except InputError as error:
        spot = f"{where}: {error.where}" if error.where else where
        raise InputError(error.what, where=spot, allowed=error.allowed) from error
