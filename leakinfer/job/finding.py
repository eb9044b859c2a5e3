"""What a person tells the job: the outcome of a test, or why one is left out."""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta, Struct


class Condition(Struct, frozen=True, forbid_unknown_fields=True):
    """The state in which a test is made: the system's, and the air at its outdoor places. C."""

    state: Literal["running", "standing"]
    air: Literal["still", "breeze", "wind"]
    outdoor_c: float
    indoor_c: float

    @property
    def words(self) -> str:
        """For people: ``standing, still air``."""
        air = {"still": "still air", "breeze": "a breeze", "wind": "wind"}[self.air]
        return f"{self.state}, {air}"


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
