"""What the free text of a work order says: phrases found in it, and the leaks and repairs that follow."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from leakinfer.fleet.history.writing import NO, NOT_WRITTEN_DOWN, YES
from leakinfer.fleet.orders.mapping import Dictionary, Kind, Meaning, Pattern, Phrase

WORD = re.compile(r"[^\W\d_]{2,}")  # what is left over is shown by its words
TAKEN = "\x00"
DONE: tuple[Meaning, ...] = ("found", "none_found", "repaired", "exchanged", "tight", "suspected", "named")


@dataclass(frozen=True)
class Target:
    """A place as far as it is known: sites that were done together and their class, or a class; neither: unknown."""

    sites: tuple[str, ...] = ()
    component: str = ""

    @property
    def site(self) -> str:
        """The site, if it is one."""
        return self.sites[0] if len(self.sites) == 1 else ""

    @property
    def words(self) -> str:
        """The place in words."""
        return self.site or (f"unit of {len(self.sites)} sites" if self.sites else self.component or "place unknown")


UNKNOWN = Target()


@dataclass(frozen=True)
class Hit:
    """Words of a text that a phrase took; ``number`` of the phrase in the mapping, from 1."""

    text: str
    number: int
    phrase: Phrase
    amount: str = ""

    def words(self, kind: Kind) -> str:
        """What it means, in words."""
        place = target_of(self.phrase, kind)
        meant = [place.words if place else "no such place here"] if self.phrase.names else []
        meant += [self.phrase.say.replace("_", " ")] if self.phrase.say else []
        return f"'{self.text}' = {', '.join(meant)} (phrase {self.number})"


@dataclass(frozen=True)
class Piece:
    """A piece of a text that speaks of one place or of none, with what was done there."""

    hits: tuple[Hit, ...]
    left_over: tuple[str, ...]
    done: frozenset[Meaning]
    place: Target | None


@dataclass
class Said:
    """What a row or a visit says. ``searched``: yes, no or empty; ``repaired``: whether exchanged, by place."""

    leaks: list[Target] = field(default_factory=list)
    tight: list[Target] = field(default_factory=list)
    repaired: dict[Target, bool] = field(default_factory=dict)
    searched: set[str] = field(default_factory=set)
    topped_up: bool = False
    amount: str = ""

    @property
    def searched_word(self) -> str:
        """Yes or no; empty where nobody said, or both."""
        return next(iter(self.searched)) if len(self.searched) == 1 else NOT_WRITTEN_DOWN

    def add(self, other: Said) -> None:
        """What another row of the same visit says: a place is named once."""
        self.leaks += [leak for leak in other.leaks if leak not in self.leaks]
        self.tight += [place for place in other.tight if place not in self.tight]
        for place, exchanged in other.repaired.items():
            self.repaired[place] = exchanged or self.repaired.get(place, False)
        self.searched |= other.searched
        self.topped_up |= other.topped_up


def target_of(phrase: Phrase, kind: Kind) -> Target | None:
    """The place that a phrase names in a system of this type; None where the system has none of them."""
    site = next((name for name in phrase.site if name in kind.sites), None)
    if site is not None:
        return _at((site,), kind)
    unit = next((name for name in phrase.unit if name in kind.units), None)
    if unit is not None:
        return _at(kind.units[unit], kind)
    if not phrase.component:
        return None
    sites = kind.of_class.get(phrase.component, ())
    return Target(sites if len(sites) == 1 else (), phrase.component)


def _at(sites: tuple[str, ...], kind: Kind) -> Target:
    """Sites done together, with their class if they share one."""
    classes = {kind.sites[name].component for name in sites}
    return Target(sites, classes.pop() if len(classes) == 1 else "")


def _place_of(hits: Sequence[Hit], kind: Kind) -> Target | None:
    """The one place that a piece names: that of the phrase that stands first in the mapping.

    The other phrases only say where that is, as in 'return bend of the outdoor coil': a class in a repair unit that has
    one site of it is that site.
    """
    named = sorted((hit for hit in hits if hit.phrase.names), key=lambda hit: hit.number)
    places = [place for hit in named if (place := target_of(hit.phrase, kind)) is not None]
    if not places or places[0].sites:
        return places[0] if places else None
    for unit in (place.sites for place in places[1:]):
        inside = [name for name in unit if kind.sites[name].component == places[0].component]
        if len(inside) == 1:
            return _at((inside[0],), kind)
    return places[0]


def pieces_of(text: str, dictionary: Dictionary, kind: Kind, place_column: bool = False) -> list[Piece]:
    """A text as pieces, sentence by sentence.

    In a sentence a piece that names a place and says nothing of it takes over what the piece before said, else what
    the next one says, as in 'replaced core and cap' and 'core and cap replaced'. ``place_column``: what is named is a
    leak unless something else is said.
    """
    pieces = []
    for line in text.splitlines():
        free, marked, found = _read(line, dictionary, kind)
        for begin, end in _cut(marked, dictionary.sentences, 0, len(marked)):
            spans = list(_cut(marked, dictionary.places, begin, end))
            parts = [tuple(hit for at, hit in found if low <= at < high) for low, high in spans]
            for (low, high), hits, told in zip(spans, parts, _taken_over(parts), strict=True):
                done = frozenset[Meaning](["found"]) if place_column and not told else told
                place = _place_of(hits, kind)
                pieces.append(Piece(hits, tuple(WORD.findall(free[low:high])), done, place))
    return list(_with_places(pieces))


def _with_places(pieces: Iterable[Piece]) -> Iterator[Piece]:
    """A repair without a place is of the place named before, as in 'leak at the flare, tightened', unless it has words
    that nobody understood, as in 'leak at the flare, replaced capacitor'."""
    last: Target | None = None
    for piece in pieces:
        if piece.place is None and not piece.left_over and piece.done & {"repaired", "exchanged"}:
            piece = replace(piece, place=last)
        last = piece.place or last
        yield piece


def _cut(text: str, marks: Pattern | None, begin: int, end: int) -> Iterator[tuple[int, int]]:
    """Begin and end of the pieces between marks; a mark in words that a phrase took parts nothing."""
    for match in marks.finditer(text, begin, end) if marks else ():
        yield begin, match.start()
        begin = match.end()
    yield begin, end


def _read(text: str, dictionary: Dictionary, kind: Kind) -> tuple[str, str, list[tuple[int, Hit]]]:
    """A line with the words blanked that phrases took; the same with words of no use left, which may be marks that part
    it, as 'and'; and these phrases in the line's order."""
    free, marked, found = text, text, []
    for number, (phrase, patterns) in enumerate(zip(dictionary.mapping.phrase, dictionary.patterns, strict=True), 1):
        if phrase.names and not phrase.say and target_of(phrase, kind) is None:
            continue
        for match in (match for pattern in patterns for match in pattern.finditer(free)):
            if match[0] and TAKEN not in match[0]:
                found.append((match.start(), Hit(match[0].strip(), number, phrase, _amount(match))))
                free = _blanked(free, match)
                marked = marked if phrase.say == "nothing" else _blanked(marked, match)
    return free, marked, sorted(found, key=lambda pair: pair[0])


def _blanked(text: str, match: re.Match[str]) -> str:
    return text[: match.start()] + TAKEN * len(match[0]) + text[match.end() :]


def _amount(match: re.Match[str]) -> str:
    return (match.groupdict().get("amount") or "").strip()


def _taken_over(parts: Sequence[Sequence[Hit]]) -> list[frozenset[Meaning]]:
    """What each piece of a sentence says of its place, silent ones by their neighbours."""
    own = [frozenset(hit.phrase.say for hit in hits if hit.phrase.say) & frozenset(DONE) for hits in parts]
    told: list[frozenset[Meaning]] = []
    for number, (hits, said) in enumerate(zip(parts, own, strict=True)):
        after = next((one for one in own[number + 1 :] if one), frozenset[Meaning]())
        before = told[-1] if told else frozenset[Meaning]()
        named = any(hit.phrase.names for hit in hits)
        told.append(said if said or not named else before or after)
    return told


def said_of(pieces: Sequence[Piece], dictionary: Dictionary) -> Said:
    """What the pieces of one row say together.

    A class without a site is the one site of that class that the row names elsewhere, if there is one. Where a leak was
    found and no place is named with it, it is at what was exchanged there, else its place is unknown.
    """
    said, nowhere = Said(), False
    sites = {piece.place for piece in pieces if piece.place is not None and piece.place.site}
    leak_if = frozenset(dictionary.mapping.words.leak_if)
    for piece in pieces:
        _take_whole(said, piece)
        if piece.place is not None:
            _take_place(said, piece.done, _same(piece.place, sites), leak_if)
        nowhere |= "found" in piece.done and "suspected" not in piece.done and piece.place is None
    if nowhere and not said.leaks:
        exchanged = [place for place, new in said.repaired.items() if new]
        said.leaks += exchanged or [UNKNOWN]
    said.leaks = list(dict.fromkeys(leak for leak in said.leaks if leak not in said.tight))
    return said


def _same(place: Target, sites: Iterable[Target]) -> Target:
    alike = [one for one in sites if one.component == place.component]
    return alike[0] if not place.sites and len(alike) == 1 else place


def _take_whole(said: Said, piece: Piece) -> None:
    """What a piece says of the whole system."""
    says = {hit.phrase.say for hit in piece.hits}
    if says & {"searched", "none_found"} and piece.place is None:
        said.searched.add(YES)
    if "not_searched" in says:
        said.searched.add(NO)
    if "topped_up" in says:
        said.topped_up = True
    said.amount = said.amount or next((hit.amount for hit in piece.hits if hit.amount), "")


def _take_place(said: Said, done: frozenset[Meaning], place: Target, leak_if: frozenset[Meaning]) -> None:
    """What a piece says of a place that it names."""
    if "tight" in done:
        said.tight.append(place)
        return
    if done & {"none_found", "suspected"}:
        return
    if done & leak_if:
        said.leaks.append(place)
    if done & {"repaired", "exchanged"}:
        said.repaired[place] = "exchanged" in done or said.repaired.get(place, False)


def searched_by(text: str, dictionary: Dictionary) -> set[str] | None:
    """What a column of yes and no says of a search; None if it holds another word."""
    words, folded = dictionary.mapping.words, text.casefold()
    if not text:
        return set()
    if folded in _folded(words.yes):
        return {YES}
    return {NO} if folded in _folded(words.no) else None


def _folded(words: Iterable[str]) -> set[str]:
    return {word.casefold() for word in words}
