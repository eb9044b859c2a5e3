"""What is done after a response, the same for every checklist: narrow it down, see it answer again, pinpoint it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Annotated

from msgspec import Meta

from leakinfer.catalogue.model import Value
from leakinfer.circuit.model import WHOLE
from leakinfer.reading import Positive, Text
from leakinfer.study.model import Made, Option, Situation


class Following(Value, frozen=True):
    """How responses are followed, as the file says it.

    ``narrow``: methods for one spot, in order, by which the response of an area is narrowed down where they need no
    set-up. ``again``: methods that are used once more where they answered at one spot, if that takes no longer than
    ``again_minutes``. ``soap``: kinds of tests after which every site of the area is pinpointed where none answered.
    ``crowded``: a method that is not pinpoint and answered at so many spots of one place says nothing there.
    """

    narrow: tuple[Text, ...]
    again: tuple[Text, ...]
    again_minutes: Positive
    soap: tuple[Text, ...]
    crowded: Annotated[int, Meta(ge=1)]

    def next(self, here: Situation, allowed: Sequence[int]) -> int | None:
        """The next of the ``allowed`` options after the responses so far, the latest first; None where all are done."""
        for lead in reversed(here.made):
            if lead.responded and lead.option.target != WHOLE and lead.option.kind != "exposure":
                after = self._after_spot if lead.option.kind == "point" else self._after_area
                found = next(after(lead, here, allowed), None)
                if found is not None:
                    return found
        return None

    def shown_to_leak(self, made: Sequence[Made]) -> frozenset[str]:
        """Repair units with a spot at which two tests answered, by one method or by two, or one pinpoint test that
        would have taken too long to make again."""
        answered = [test.option for test in made if test.responded and test.option.kind == "point"]
        there = Counter((place, method) for place, method, _ in {(o.place, o.method, o.target) for o in answered})
        counts = [o for o in answered if o.pinpoint or there[o.place, o.method] < self.crowded]
        spots = Counter(option.target for option in counts)
        enough = [
            option
            for option in counts
            if spots[option.target] > 1 or (option.pinpoint and option.minutes > self.again_minutes)
        ]
        return frozenset(unit for option in enough for unit in option.units)

    def _after_spot(self, lead: Made, here: Situation, allowed: Sequence[int]) -> Iterator[int]:
        """The same once more, then a pinpoint test."""
        method, target = lead.option.method, lead.option.target
        if method in self.again and _times(here.made, method, target) == 1:
            same = [n for n in allowed if (here.options[n].method, here.options[n].target) == (method, target)]
            yield from _at_hand(here, [n for n in same if here.options[n].minutes <= self.again_minutes])
        yield from _at_hand(here, _pinpoints(here, allowed, lead.option.sites))

    def _after_area(self, lead: Made, here: Situation, allowed: Sequence[int]) -> Iterator[int]:
        """Spot by spot."""
        options, sites = here.options, lead.option.sites
        for method in self.narrow:
            looks = [n for n in allowed if options[n].method == method and not options[n].set_up]
            fresh = [n for n in looks if not _times(here.made, method, options[n].target)]
            yield from _at_hand(here, [n for n in fresh if _inside(options[n], sites)])
        if lead.option.kind in self.soap and not _answered_inside(here.made, sites):
            yield from _at_hand(here, _pinpoints(here, allowed, sites))


def _pinpoints(here: Situation, allowed: Sequence[int], sites: tuple[str, ...]) -> list[int]:
    """Pinpoint tests of spots among these sites, of those that had none yet."""
    had = {test.option.target for test in here.made if test.option.pinpoint}
    tests = [n for n in allowed if here.options[n].pinpoint and _inside(here.options[n], sites)]
    return [n for n in tests if here.options[n].target not in had]


def _times(made: Sequence[Made], method: str, target: str) -> int:
    """How often a method was used on a target."""
    return sum((test.option.method, test.option.target) == (method, target) for test in made)


def _inside(option: Option, sites: tuple[str, ...]) -> bool:
    """Whether a test looks at one spot among these sites."""
    return option.kind == "point" and set(option.sites) <= set(sites)


def _answered_inside(made: Sequence[Made], sites: tuple[str, ...]) -> bool:
    """Whether a test of one spot among these sites has answered."""
    return any(test.responded and _inside(test.option, sites) for test in made)


def _at_hand(here: Situation, tests: Sequence[int]) -> Iterator[int]:
    """Tests with the least set-up first, then where one stands, then in order."""
    yield from sorted(tests, key=lambda n: (here.options[n].set_up, here.options[n].place != here.place))
