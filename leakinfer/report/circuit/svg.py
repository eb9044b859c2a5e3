"""A drawing as inline SVG: presentation attributes only, so that no style or script has to be allowed for it.

Ink is the page's own text colour; a page whose paper is not white names it in the style property ``--paper``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from html import escape

from leakinfer.job.belief import Belief
from leakinfer.report.circuit.layout import BROAD, NARROW, loop_drawing
from leakinfer.report.circuit.legend import legend_drawing
from leakinfer.report.circuit.shapes import Box, Drawing, Line, Paint, Ring, Shape, Spot, Words
from leakinfer.words.units import BOTH, Units

PAINTS: Mapping[Paint, str] = {"ink": "currentColor", "paper": "var(--paper, #fff)", "none": "none"}
FONT = "DejaVu Sans, Verdana, Liberation Sans, Arial, sans-serif"


def circuit_svg(
    belief: Belief,
    *,
    likely: Mapping[str, float] | None = None,
    link: Callable[[str], str] | None = None,
    broad: bool = False,
    units: Units = BOTH,
) -> str:
    """The circuit of a job with all that is known of its places, and below it what the signs mean, as two ``<svg>``.

    Args:
        belief: of the job.
        likely: chance by repair unit, if it is worked out already.
        link: from the id of a site or a zone (in a system of very many zones, of a place) to the address that its mark
            leads to; without it marks lead nowhere, but can be reached by keyboard.
        broad: drawn for paper and large screens; else for a screen of 360 px.
        units: of the reader.
    """
    drawn = loop_drawing(belief, likely, BROAD if broad else NARROW, units)
    return svg_of(drawn, link) + svg_of(legend_drawing(belief))


def svg_of(drawing: Drawing, link: Callable[[str], str] | None = None) -> str:
    """One drawing as an ``<svg>`` that is as wide as its room."""
    parts = [_shape(shape) for shape in drawing.shapes]
    parts += [_spot(spot, link) for spot in drawing.spots]
    body = "\n".join(parts)
    title, says = escape(drawing.title), escape(drawing.says)
    size = f"0 0 {_n(drawing.width)} {_n(drawing.height)}"
    return (
        f'<svg class="circuit" viewBox="{size}" '
        f'width="100%" role="group" aria-label="{title}" font-family="{FONT}" fill="none" stroke="none">\n'
        f"<title>{title}</title>\n<desc>{says}</desc>\n{body}\n</svg>\n"
    )


def _spot(spot: Spot, link: Callable[[str], str] | None) -> str:
    """A link, or a group that takes the keyboard's focus; the field for the finger lies under its shapes."""
    says = escape(spot.says)
    size = f'x="{_n(spot.x)}" y="{_n(spot.y)}" width="{_n(spot.width)}" height="{_n(spot.height)}"'
    field = f'<rect {size} fill="none" pointer-events="all"/>'
    inside = "\n".join([f"<title>{says}</title>", field, *(_shape(shape) for shape in spot.shapes)])
    if link is not None and spot.target is not None:
        return f'<a href="{escape(link(spot.target))}" aria-label="{says}">\n{inside}\n</a>'
    return f'<g tabindex="0" role="img" aria-label="{says}">\n{inside}\n</g>'


def _shape(shape: Shape) -> str:
    if isinstance(shape, Words):
        return _words(shape)
    if isinstance(shape, Line):
        points = " ".join(f"{_n(x)},{_n(y)}" for x, y in shape.points)
        return f'<polyline points="{points}" stroke="{PAINTS[shape.paint]}" stroke-width="{_n(shape.width)}"/>'
    if isinstance(shape, Ring):
        at = f'cx="{_n(shape.x)}" cy="{_n(shape.y)}" r="{_n(shape.radius)}"'
        return f"<circle {at} {_edge(shape)}/>"
    at = f'x="{_n(shape.x)}" y="{_n(shape.y)}" width="{_n(shape.width)}" height="{_n(shape.height)}"'
    return f'<rect {at} rx="{_n(shape.radius)}" {_edge(shape)}/>'


def _edge(shape: Box | Ring) -> str:
    dashes = ' stroke-dasharray="4 3"' if shape.dashed else ""
    return f'fill="{PAINTS[shape.fill]}" stroke="{PAINTS["ink"]}" stroke-width="{_n(shape.edge)}"{dashes}'


def _words(words: Words) -> str:
    weight = ' font-weight="bold"' if words.bold else ""
    anchor = "" if words.anchor == "start" else f' text-anchor="{words.anchor}"'
    at = f'x="{_n(words.x)}" y="{_n(words.y)}" font-size="{_n(words.size)}"'
    return f'<text {at}{anchor}{weight} fill="{PAINTS[words.paint]}">{escape(words.text)}</text>'


def _n(number: float) -> str:
    """A length with two decimals at most."""
    return f"{number:.2f}".rstrip("0").rstrip(".")
