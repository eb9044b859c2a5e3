"""The drawing as SVG: sound, without style or script, reached by keyboard, every name escaped."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest

from leakinfer.circuit.reader import load_system
from leakinfer.job.belief import Belief
from leakinfer.report.circuit import circuit_svg
from leakinfer.report.circuit.layout import loop_drawing

from .beliefs import belief_of, busy, job_on, renamed

HOSTILE = "<script>alert(1)</script> \"quoted\" & 'single'"
ATTRIBUTES = {  # all that a page with default-src 'self' draws (Content Security Policy Level 3: no inline style)
    *("class", "viewBox", "width", "height", "role", "aria-label", "font-family", "fill", "stroke", "stroke-width"),
    *("stroke-dasharray", "x", "y", "rx", "cx", "cy", "r", "points", "font-size", "font-weight", "text-anchor"),
    *("tabindex", "href", "pointer-events"),
}
TAGS = {"svg", "title", "desc", "g", "a", "rect", "circle", "polyline", "text"}


def parsed(svg: str) -> ET.Element:
    return ET.fromstring(f"<both>{svg}</both>")


@pytest.mark.parametrize("broad", [False, True])
def test_it_is_sound_and_has_neither_style_nor_script(broad: bool) -> None:
    root = parsed(circuit_svg(busy(), broad=broad))
    assert [part.tag for part in root] == ["svg", "svg"]
    inside = list(root.iter())[1:]
    assert {part.tag for part in inside} == TAGS - {"a"}
    assert {name for part in inside for name in part.attrib} <= ATTRIBUTES
    paints = {part.attrib[name] for part in inside for name in ("fill", "stroke") if name in part.attrib}
    assert paints == {"currentColor", "var(--paper, #fff)", "none"}


def test_every_mark_leads_somewhere_and_says_what_it_is() -> None:
    belief = busy()
    asked: list[str] = []

    def link(name: str) -> str:
        asked.append(name)
        return f"/job/{name}?a=1&b=2"

    root = parsed(circuit_svg(belief, link=link))
    places = {site.id for site in belief.job.sites} | {zone.id for zone in belief.job.system.zones}
    assert set(asked) <= places
    assert {"metering_inlet_flare", "indoor_coil_cabinet"} <= set(asked)
    leads = list(root.iter("a"))
    assert [part.attrib["href"] for part in leads] == [f"/job/{name}?a=1&b=2" for name in asked]
    for part in [*leads, *root.iter("g")]:
        title = part[0]
        assert (title.tag, title.text) == ("title", part.attrib["aria-label"])
        assert part.tag == "a" or part.attrib["tabindex"] == "0"
    assert len(leads) + len(list(root.iter("g"))) == len(loop_drawing(belief).spots)


def test_names_are_escaped() -> None:
    belief = Belief(job_on(renamed(load_system("ductless_split"), HOSTILE)))
    svg = circuit_svg(belief, link=lambda name: f'"><script>{name}')
    assert "<script" not in svg
    assert not re.search(r"[^;]'single'", svg)
    root = parsed(svg)
    assert root[0].attrib["aria-label"] == HOSTILE
    assert all(HOSTILE.split()[0] in "".join(part.attrib["aria-label"]) for part in root.iter("g"))


def test_words_for_those_who_do_not_see_it() -> None:
    root = parsed(circuit_svg(busy()))
    loop = root[0]
    assert [part.tag for part in loop[:2]] == ["title", "desc"]
    told = loop[1].text or ""
    assert "inlet nut of the expansion valve, confirmed" in told
    assert "core of the suction port, repaired, not checked" in told
    for place in busy().job.system.places:
        assert place.name in told


def test_chances_at_hand_are_taken() -> None:
    belief = belief_of("ductless_split")
    assert circuit_svg(belief, likely=belief.unit_probability) == circuit_svg(belief)
    assert circuit_svg(belief, likely=dict.fromkeys(belief.units, 0.0)) != circuit_svg(belief)
