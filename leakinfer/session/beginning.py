"""What new jobs may begin with, where several are begun from one place: systems and priors, chosen once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from leakinfer.catalogue.model import Catalogue
from leakinfer.circuit.checking import ID, check_against
from leakinfer.circuit.model import System
from leakinfer.circuit.reader import load_system, shipped_systems
from leakinfer.errors import InputError
from leakinfer.job.events import begin_body
from leakinfer.job.job import Job
from leakinfer.reading import known
from leakinfer.session.jobfile import elsewhere, job_told, kept_priors, same_priors
from leakinfer.session.priors import Priors, priors_of
from leakinfer.store import Event


@dataclass(frozen=True)
class Beginning:
    """``own``: systems beside the shipped ones, by id. ``priors``: a folder or a learned file; None for the shipped.

    ``untrusted``: whether a learned file may be taken that its own checks speak against.
    """

    own: Mapping[str, System] = field(default_factory=dict)
    priors: Path | None = None
    untrusted: bool = False

    def systems(self) -> dict[str, str]:
        """Ids and names of all systems, one's own first."""
        return {id_: system.name for id_, system in self.own.items()} | shipped_systems()

    def system(self, name: str) -> System:
        """One's own system by its id, or a shipped one as :func:`load_system` takes it; never a path.

        Raises:
            InputError: there is no such system.
        """
        if name in self.own:
            return self.own[name]
        known(name.partition(":")[0], shipped_systems(), what="system", where="system")
        return load_system(name)

    def priors_for(self, system: System) -> Priors:
        """The priors of a job on that system.

        Raises:
            InputError: they cannot be used any more.
        """
        return priors_of(self.priors, system.id, untrusted=self.untrusted)

    def body(self, system: System, facts: Mapping[str, Any], catalogue: Catalogue) -> dict[str, Any]:
        """The first event of such a job."""
        return begin_body(system, facts, catalogue) | kept_priors(self.priors, self.untrusted)

    @property
    def at_hand(self) -> tuple[Path | None, ...]:
        """Where jobs from elsewhere may find the priors that they began with; None is for the shipped ones."""
        return (self.priors, None) if self.priors else (None,)

    def replayed(self, events: tuple[Event, ...], where: str) -> Job:
        """The job that events from elsewhere tell, if it began with priors that jobs begin with here.

        Raises:
            InputError: it did not, or an event does not fit.
        """
        first = events[0].body
        if elsewhere(first, kept_priors(self.priors, self.untrusted)) and not same_priors(first, self.at_hand):
            what = "this job began with priors that are elsewhere"
            raise InputError(what, where=where, allowed="the priors that come with the program or that are served here")
        return job_told(events, where, at_hand=self.at_hand)[0]


def beginning_with(files: Iterable[Path], priors: Path | None, *, untrusted: bool) -> Beginning:
    """The systems in files and the priors at a path, looked at once so that no job meets what cannot be used.

    Raises:
        InputError: a file or the priors cannot be used, do not fit together, or an id is taken.
    """
    own: dict[str, System] = {}
    for path in files:
        system = load_system(str(path))
        if not ID.fullmatch(system.id):
            raise InputError(
                f"'{system.id}' is not an id", where=f"{path}: id", allowed="a-z, 0-9 and _, a letter first"
            )
        if system.id in own or system.id in shipped_systems():
            raise InputError(f"there is a system '{system.id}' already", where=f"{path}: id", allowed="another id")
        own[system.id] = system
    begun = Beginning(own, priors, untrusted)
    for system in own.values():
        catalogue = begun.priors_for(system).catalogue
        check_against(system, catalogue.components, catalogue.exposures, system.id)
    if priors is not None and not own:
        begun.priors_for(load_system(next(iter(shipped_systems()))))
    return begun
