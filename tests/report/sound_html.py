"""Reads a page as the standard says a browser must, and tells what is in it.

What enters: a page. What leaves: its parts; an error where it is not sound. The reading is
html5lib's, a general-purpose library that follows the WHATWG's HTML standard and, asked to be
strict, stops at each fault that a browser would quietly mend.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from xml.etree.ElementTree import Element

import html5lib

_FETCHED = ("src", "href", "{http://www.w3.org/1999/xlink}href", "srcset", "action", "data")


@dataclass
class Sound:
    """What a sound page holds.

    Attributes
    ----------
    fetched
        What a browser would go and get.
    ids, tags
        In their order.
    headings, texts
        What is read; headings and captions once more by themselves.
    data
        The text within scripts.
    """

    fetched: list[str] = field(default_factory=list)
    ids: list[str] = field(default_factory=list)
    tags: list[str] = field(default_factory=list)
    headings: list[str] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    data: str = ""

    def walk(self, element: Element) -> None:
        """Gather an element and all within it."""
        tag = element.tag.rpartition("}")[2]
        self.tags.append(tag)
        self.fetched += [element.attrib[name] for name in _FETCHED if name in element.attrib]
        if "id" in element.attrib:
            self.ids.append(element.attrib["id"])
        said = element.text or ""
        if tag == "script":
            self.data += said
        elif tag != "style":
            self.texts.append(said)
            if tag in ("h1", "h2", "h3", "caption"):
                self.headings.append(said)
        for child in element:
            if isinstance(child.tag, str):
                self.walk(child)
            if tag != "style":
                self.texts.append(child.tail or "")


def parsed(html: str) -> Sound:
    """The parts of a page; fails where it is not sound."""
    sound = Sound()
    sound.walk(html5lib.HTMLParser(strict=True).parse(html))
    return sound
