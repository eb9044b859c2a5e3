"""What a person tells the job: the outcome of a test, or why one is left out."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, Struct

from leakinfer.circuit.conditions import Condition


class Finding(Struct, frozen=True, forbid_unknown_fields=True):
    """A test with its outcome. ``reading_kg``: the charge that was weighed, for a method that weighs.

    ``false_causes``: things other than a leak that were there and that the method also answers to. ``earlier``: it was
    done before this job was opened ("already checked").
    """

    method: str
    target: str
    outcome: str
    condition: Condition
    false_causes: tuple[str, ...] = ()
    reading_kg: Annotated[float, Meta(ge=0)] | None = None
    earlier: bool = False
    note: str = ""


class Skip(Struct, frozen=True, forbid_unknown_fields=True):
    """A test that cannot or will not be done here, with the person's reason. ``method`` None: none at this target."""

    target: str
    reason: Annotated[str, Meta(min_length=1)]
    method: str | None = None
