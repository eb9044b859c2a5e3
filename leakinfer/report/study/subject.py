"""What the sections of the page are made from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from leakinfer.report.study.words import Names
from leakinfer.study.measures import EVERY, Arm, Calibration, Pair, Results, Stopping

REFERENCE = "checklist"  # the way that others are told beside, where it was played


@dataclass(frozen=True)
class Subject:
    """Results with the names of what was compared."""

    found: Results
    names: Names

    @property
    def ours(self) -> str:
        """The way that the page asks about, inside a sentence."""
        return self.names.said(self.found.policy)

    @property
    def reference(self) -> str | None:
        """The way that it is told beside; None where it is alone."""
        others = [name for name in self.found.policies if name != self.found.policy]
        return REFERENCE if REFERENCE in others else next(iter(others), None)

    def systems(self) -> tuple[str, ...]:
        """All systems together, where there are several, and each."""
        return tuple(dict.fromkeys((self.found.whole, *self.found.systems)))

    def arms(self, system: str, truth: str | None = None) -> list[Arm]:
        """Every way on one system, in one truth (else the one that is told in full)."""
        wanted = (system, truth or self.found.truth)
        return [one for one in self.found.arms if (one.system, one.truth) == wanted]

    def arm(self, policy: str, truth: str | None = None) -> Arm:
        """One way on all systems."""
        return next(one for one in self.arms(self.found.whole, truth) if one.policy == policy)

    def pairs(self, system: str) -> list[Pair]:
        """Ours beside every other way on one system, in the truth that is told in full."""
        return [one for one in self.found.pairs if (one.system, one.truth) == (system, self.found.truth)]

    def calibrations(self, truth: str | None = None) -> Iterator[Calibration]:
        """Of our way in one truth: by system and moment."""
        wanted = (truth or self.found.truth, self.found.policy)
        return (one for one in self.found.calibrations if (one.truth, one.policy) == wanted)

    def calibration(self, truth: str | None = None) -> Calibration | None:
        """Of our way on all systems, over all moments; None where no chances were written down."""
        whole = [one for one in self.calibrations(truth) if one.system == self.found.whole]
        return next((one for one in whole if one.moment == EVERY), whole[0] if whole else None)

    def stopping(self, truth: str | None = None) -> list[Stopping]:
        """Of every way on all systems in one truth."""
        wanted = (self.found.whole, truth or self.found.truth)
        return [one for one in self.found.stopping if (one.another.system, one.another.truth) == wanted]
