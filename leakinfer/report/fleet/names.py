"""What the parts of a learned file are called."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from leakinfer.catalogue.model import Catalogue
from leakinfer.circuit.reader import shipped_systems
from leakinfer.report.wording import capital


@dataclass(frozen=True)
class Names:
    """What ids are called. An id that nobody knows is shown as it is."""

    components: Mapping[str, str]
    exposures: Mapping[str, str]
    methods: Mapping[str, str]
    systems: Mapping[str, str]
    shared: Mapping[str, str]

    def component(self, name: str) -> str:
        """A component class."""
        return capital(self.components.get(name, name))

    def exposure(self, name: str) -> str:
        """A circumstance."""
        return capital(self.exposures.get(name, name))

    def method(self, name: str) -> str:
        """A way of testing."""
        return capital(self.methods.get(name, name))

    def system(self, name: str) -> str:
        """A type of system."""
        return capital(self.systems[name]) if name in self.systems else name

    def installer(self, name: str) -> str:
        """Who built a system."""
        return name or "Builder not known"

    def unknown(self, name: str) -> str:
        """A shared unknown."""
        return capital(self.shared.get(name, name))

    def group(self, name: str) -> str:
        """What a predictive check is on: an id of any kind, or words."""
        every = {**self.components, **self.exposures, **self.methods, **self.systems}
        return capital(every.get(name, name.replace("_", " ")))


def names_of(catalogue: Catalogue) -> Names:
    """The names of a catalogue and of the systems that come with the program."""
    kinds = (catalogue.components, catalogue.exposures, catalogue.methods)
    components, exposures, methods = ({part.id: part.name for part in kind.values()} for kind in kinds)
    shared = {part.id: part.name for part in catalogue.shared.values()}
    return Names(components, exposures, methods, shipped_systems(), shared)
