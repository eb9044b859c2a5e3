"""Nothing lies over anything else, everything is there, and a finger finds its mark: for every shipped system."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations

import pytest
from msgspec import structs

from leakinfer.circuit.checking import complete
from leakinfer.circuit.reader import load_system
from leakinfer.job.belief import Belief
from leakinfer.report.circuit import symbols
from leakinfer.report.circuit.areas import MOST_PLACES
from leakinfer.report.circuit.layout import BROAD, NARROW, Frame, known_marks, loop_drawing
from leakinfer.report.circuit.legend import legend_drawing
from leakinfer.report.circuit.letters import width_of
from leakinfer.report.circuit.shapes import Box, Drawing, Line, Ring, Shape, Words
from leakinfer.report.circuit.states import STATE_WORDS, State, state_of
from leakinfer.words.job import judged_sites, site_verdicts
from leakinfer.words.units import METRIC

from .beliefs import SHIPPED, belief_of, busy, job_on, renamed

Field = tuple[float, float, float, float]  # left, top, right, bottom
TOUCHING = 0.01
MARGIN = 12.0  # px on each side of a page on a phone


def shapes_of(drawing: Drawing) -> Iterator[Shape]:
    yield from drawing.shapes
    for spot in drawing.spots:
        yield from spot.shapes


def field_of(shape: Words | Box | Ring) -> Field:
    """Where a shape lies; letters reach 0.8 of their size up and 0.25 down (DejaVu Sans: 0.76 and 0.24)."""
    if isinstance(shape, Ring):
        return shape.x - shape.radius, shape.y - shape.radius, shape.x + shape.radius, shape.y + shape.radius
    if isinstance(shape, Box):
        return shape.x, shape.y, shape.x + shape.width, shape.y + shape.height
    wide = width_of(shape.text, shape.size)
    left = shape.x - {"start": 0.0, "middle": wide / 2, "end": wide}[shape.anchor]
    return left, shape.y - 0.8 * shape.size, left + wide, shape.y + 0.25 * shape.size


def overlap(one: Field, other: Field) -> bool:
    return (
        one[0] < other[2] - TOUCHING
        and other[0] < one[2] - TOUCHING
        and one[1] < other[3] - TOUCHING
        and other[1] < one[3] - TOUCHING
    )


def inside(one: Field, other: Field) -> bool:
    return other[0] <= one[0] and other[1] <= one[1] and one[2] <= other[2] and one[3] <= other[3]


def check_apart(drawing: Drawing) -> None:
    """Words lie apart from each other, on the sheet, and clear of every sign that they are not written in."""
    words = [shape for shape in shapes_of(drawing) if isinstance(shape, Words)]
    assert len(words) > 5
    sheet = (0.0, 0.0, drawing.width, drawing.height)
    for one in words:
        assert inside(field_of(one), sheet), one.text
    for one, other in combinations(words, 2):
        assert not overlap(field_of(one), field_of(other)), (one.text, other.text)
    signs = [
        shape
        for shape in shapes_of(drawing)
        if isinstance(shape, Ring) or (isinstance(shape, Box) and shape.width < 60)
    ]
    for sign in signs:
        for one in words:
            middle = (one.x, one.y - 4.5, one.x, one.y - 4.5)  # a number stands in the middle of its sign
            written_in = one.anchor == "middle" and inside(middle, field_of(sign))
            assert written_in or not overlap(field_of(one), field_of(sign)), one.text


@pytest.mark.parametrize("frame", [NARROW, BROAD])
@pytest.mark.parametrize("name", SHIPPED)
def test_labels_lie_apart(name: str, frame: Frame) -> None:
    check_apart(loop_drawing(belief_of(name), frame=frame))
    check_apart(legend_drawing(belief_of(name)))


@pytest.mark.parametrize("frame", [NARROW, BROAD])
def test_labels_lie_apart_with_marks_of_every_kind(frame: Frame) -> None:
    check_apart(loop_drawing(busy(), frame=frame))


@pytest.mark.parametrize("words", ["Straße der langen Namen, dritter Hinterhof", "W" * 90, "凝縮器の配管"])
def test_labels_lie_apart_in_a_system_of_ones_own(words: str) -> None:
    belief = Belief(job_on(renamed(load_system("ductless_split"), words)))
    check_apart(loop_drawing(belief))
    check_apart(legend_drawing(belief))


@pytest.mark.parametrize("name", [*SHIPPED, "busy"])
def test_a_finger_finds_every_mark(name: str) -> None:
    """At least 44 px each way on a page of 360 px (WCAG 2.2, 2.5.5), and no field over another."""
    drawing = loop_drawing(busy() if name == "busy" else belief_of(name), frame=NARROW)
    px = (360 - 2 * MARGIN) / drawing.width
    fields = [(spot.x, spot.y, spot.x + spot.width, spot.y + spot.height) for spot in drawing.spots]
    assert all((right - left) * px >= 44 and (bottom - top) * px >= 44 for left, top, right, bottom in fields)
    assert not any(overlap(one, other) for one, other in combinations(fields, 2))
    for spot, field in zip(drawing.spots, fields, strict=True):
        assert all(inside(field_of(shape), field) for shape in spot.shapes if not isinstance(shape, Line)), spot.says


def drawn_places(drawing: Drawing, belief: Belief) -> int:
    """Places that are counted on the pipes, and those that the marks stand for."""
    counted = 0
    for spot in drawing.spots:
        boxes = [shape for shape in spot.shapes if isinstance(shape, Box) and shape.radius == 9.0]
        for box in boxes:
            left, top, right, bottom = field_of(box)
            told = [
                shape.text
                for shape in spot.shapes
                if isinstance(shape, Words) and left <= shape.x <= right and top <= shape.y <= bottom
            ]
            counted += int(told[0].rstrip("?"))
    return counted + sum(len(mark.sites) for mark in known_marks(belief))


@pytest.mark.parametrize("name", [*SHIPPED, "busy"])
def test_every_place_is_counted_once(name: str) -> None:
    belief = busy() if name == "busy" else belief_of(name)
    assert drawn_places(loop_drawing(belief), belief) == len(belief.job.sites)


@pytest.mark.parametrize("name", ["ducted_split", "walk_in_cooler"])
def test_every_zone_is_drawn_inside_its_place(name: str) -> None:
    belief = belief_of(name)
    drawing = loop_drawing(belief)
    system = belief.job.system
    assert {spot.target for spot in drawing.spots if spot.target} >= {zone.id for zone in system.zones}
    rooms = [shape for shape in drawing.shapes if isinstance(shape, Box) and shape.radius == 6.0]
    assert len(rooms) == len(system.places)
    assert [room.dashed for room in rooms].count(True) == sum(place.outdoors for place in system.places)


def test_a_large_store_is_drawn_by_place_and_quiet_places_together() -> None:
    drawing = loop_drawing(belief_of("rack_store:2000"))
    rooms = [shape for shape in drawing.shapes if isinstance(shape, Box) and shape.radius == 6.0]
    assert len(rooms) <= MOST_PLACES
    assert any("more places" in shape.text for shape in drawing.shapes if isinstance(shape, Words))
    assert drawn_places(drawing, belief_of("rack_store:2000")) == 2000
    check_apart(drawing)


def test_states_follow_the_verdicts_in_words() -> None:
    verdicts = judged_sites(busy())
    states = {site: state_of(verdict) for site, verdict in verdicts.items()}
    assert states["suction_port_core"] == "repaired"
    assert states["metering_inlet_flare"] == "confirmed"
    assert states["liquid_port_core"] == "likely"
    assert states["indoor_suction_joint"] == "unclear"
    assert states["suction_line_outdoors"] == "silent"
    assert states["outdoor_fin_tubes"] == "unchecked"
    assert set(states.values()) == set(STATE_WORDS)
    for site, words in site_verdicts(busy(), METRIC).items():
        assert words.startswith(STATE_WORDS[states[site]]), site


def test_marks_are_ranked_and_carry_the_chance_of_the_belief() -> None:
    belief = busy()
    marks = known_marks(belief)
    assert [mark.rank for mark in marks] == list(range(1, len(marks) + 1))
    sure = [mark.state == "confirmed" for mark in marks]
    assert sure == sorted(sure, reverse=True)
    chances = [mark.chance for mark in marks if mark.state != "confirmed"]
    assert chances == sorted(chances, reverse=True)
    alone = [mark for mark in marks if len(mark.sites) == 1]
    assert len(alone) > 3
    for mark in alone:
        assert mark.chance == belief.matters_probability[mark.sites[0]]
        assert mark.state == state_of(judged_sites(belief)[mark.sites[0]])


def test_a_mark_of_several_places_has_the_chance_of_any_of_them() -> None:
    """Bounds that hold for any joint distribution: the largest of them, and their sum (Boole's inequality)."""
    belief = belief_of("ducted_split")
    several = [mark for mark in known_marks(belief) if len(mark.sites) > 1]
    assert several
    for mark in several:
        chances = [belief.matters_probability[site] for site in mark.sites]
        assert max(chances) <= mark.chance <= sum(chances) + 1e-12


def signature(shapes: tuple[Shape, ...]) -> tuple[object, ...]:
    """A sign without where it stands and which number is in it."""
    bare = [replace(shape, x=0.0, y=0.0) for shape in shapes if isinstance(shape, Box | Ring)]
    return (*bare, sum(isinstance(shape, Line) for shape in shapes))


def test_states_differ_by_shape_and_not_by_colour() -> None:
    """Two paints only, ink and paper; so signs that differ do so in black and white."""
    marks: list[State] = ["confirmed", "repaired", "likely", "silent", "unchecked"]
    assert len({signature(symbols.mark(0, 0, state, 0.5, 1)) for state in marks}) == len(marks)
    counts: list[State] = ["silent", "unchecked"]
    assert len({signature(symbols.count(0, 0, state, 1)) for state in counts}) == len(counts)
    unclear = symbols.count(0, 0, "unclear", 1)
    assert [shape.text for shape in unclear if isinstance(shape, Words)] == ["1?"]


def test_a_likelier_place_has_a_larger_ring() -> None:
    sizes = [
        next(shape.radius for shape in symbols.mark(0, 0, "silent", chance, 1) if isinstance(shape, Ring))
        for chance in (0.05, 0.2, 0.49)
    ]
    assert sizes == sorted(sizes)
    assert len(set(sizes)) == 3


def test_the_legend_tells_every_state_and_every_section() -> None:
    drawing = legend_drawing(belief_of("heat_pump"))
    for state, words in STATE_WORDS.items():
        assert words in drawing.says, state
    for section in belief_of("heat_pump").job.system.sections:
        assert section.name in drawing.says


def test_the_same_job_gives_the_same_drawing() -> None:
    assert loop_drawing(busy()) == loop_drawing(Belief(busy().job))


@pytest.mark.parametrize("kept", [1, 2])
def test_a_tiny_system_of_ones_own(kept: int) -> None:
    """All sites on the first one or two sections, the others struck out of the file."""
    system = load_system("ductless_split")
    ids = [section.id for section in system.sections[:kept]]
    moved = tuple(
        structs.replace(site, section=ids[number % kept], unit=site.id) for number, site in enumerate(system.sites)
    )
    small = structs.replace(
        system, sections=system.sections[:kept], sites=moved, units=(), circumstances=(), isolations=()
    )
    belief = Belief(job_on(complete(small)))
    check_apart(loop_drawing(belief))
    assert drawn_places(loop_drawing(belief), belief) == len(system.sites)
