"""Situations made by hand, for policies that ask no belief."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, NoReturn

from leakinfer.planner.decision import Worth
from leakinfer.planner.model import Objective
from leakinfer.study.model import Array, Made, Option


def option(target: str, method: str = "probe_point", **more: Any) -> Option:
    """A probe at one spot in the yard that takes a minute, unless said otherwise."""
    kind = {"probe_sweep": "sweep", "oil_look": "spot", "hold_hour": "hold"}.get(method, "point")
    told: dict[str, Any] = {
        "key": f"{method} {target}",
        "kind": kind,
        "place": "yard",
        "units": (target,),
        "classes": frozenset({"brazed_joint"}),
        "minutes": 1.0,
        "pinpoint": method == "bubbles",
        "sites": (target,),
    }
    return Option(method=method, target=target, **{**told, **more})


@dataclass(frozen=True)
class Fixed:
    """Options, what was made, where one stands; it has no belief, and says so when it is asked for one."""

    options: tuple[Option, ...]
    made: tuple[Made, ...] = ()
    place: str | None = "yard"
    seed: int = 0

    def then(self, number: int, *, responded: bool = False) -> Fixed:
        """After that option; a silent test is not offered again."""
        done = self.options[number]
        made = (*self.made, Made(done, responded, "told"))
        options = self.options if responded else tuple(one for one in self.options if one != done)
        return replace(self, options=options, made=made, place=done.place or self.place)

    def _no_belief(self) -> NoReturn:
        raise AssertionError("a fixed list asked the belief")

    @property
    def risk(self) -> Mapping[str, float]:
        self._no_belief()

    @property
    def bits(self) -> Array:
        self._no_belief()

    @property
    def response(self) -> Array:
        self._no_belief()

    @property
    def shown(self) -> Array:
        self._no_belief()

    @property
    def worth(self) -> Worth:
        self._no_belief()

    def advice(self, objective: Objective, weight: float = 1.0) -> int | None:
        self._no_belief()
