"""Reads a page as a browser would, and what every page must keep to."""

from __future__ import annotations

import base64
import re
import xml.etree.ElementTree as ET
from html.parser import HTMLParser

VOID = {"meta", "img", "br", "hr", "link", "input"}  # elements without an end tag (HTML Living Standard, 13.1.2)
SVG = "{http://www.w3.org/2000/svg}"


class Reader(HTMLParser):
    """The page's words, ids, links and pictures; refuses tags that do not close in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words: list[str] = []
        self.ids: list[str] = []
        self.leads: list[str] = []
        self.pictures: list[dict[str, str]] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        assert len(given) == len(attrs), f"an attribute twice in {tag}"
        self.tags.add(tag)
        self.ids += [given["id"]] if "id" in given else []
        self.leads += [value for name, value in given.items() if name in ("href", "src", "action", "srcset", "data")]
        if tag == "img":
            self.pictures.append(given)
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def read_page(text: str) -> Reader:
    """A page whose tags all close."""
    reader = Reader()
    reader.feed(text)
    reader.close()
    assert reader.open == []
    return reader


def check_whole(text: str) -> None:
    """Everything is inside, nothing leads out, and each anchor that is led to is there."""
    page = read_page(text)
    assert {"html", "head", "body", "title", "main", "h1"} <= page.tags
    assert not page.tags & {"script", "link", "iframe", "object", "base", "form"}
    assert len(page.ids) == len(set(page.ids))
    inside = [lead[1:] for lead in page.leads if lead.startswith("#")]
    assert set(inside) <= set(page.ids)
    assert len(inside) + len(page.pictures) == len(page.leads)
    assert not re.findall(r"https?:|url\(|@import|//[a-z]", re.sub(r"base64,[A-Za-z0-9+/=]+", "", text))


def check_pictures(page: Reader) -> None:
    """Each is a drawing that leads nowhere, and has words."""
    for picture in page.pictures:
        head, _, body = picture["src"].partition(",")
        assert head == "data:image/svg+xml;base64"
        drawn = base64.b64decode(body, validate=True)
        assert drawn.startswith(b"<svg")
        assert b"<metadata" not in drawn
        root = ET.fromstring(drawn)
        assert root.tag == f"{SVG}svg"
        assert len(root.findall(f".//{SVG}path")) > 20
        assert not root.findall(f".//{SVG}image")
        leads = [value for part in root.iter() for name, value in part.attrib.items() if name.endswith("href")]
        assert all(lead.startswith("#") for lead in leads)
        assert len(picture["alt"]) > 30
