"""Colours of page and picture, light and dark.

Enters: nothing. Leaves: palettes by role. No meaning is carried by colour alone: every role also
has its own shape, line or word.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final


@dataclass(frozen=True, slots=True, kw_only=True)
class Palette:
    """Colours by role, as #rrggbb."""

    paper: str  # behind everything
    ink: str  # text and outlines
    quiet: str  # secondary text, axes
    hill: str  # body of the hill where the sweep trod
    far: str  # the hill where it is extrapolated
    edge: str  # the ground line
    band: str  # uncertainty
    foot: str  # footprints
    ball: str
    fence: str


LIGHT: Final = Palette(
    paper="#fbf8f1",
    ink="#26221c",
    quiet="#6f675a",
    hill="#cfd8b8",
    far="#e9e7d8",
    edge="#4d5b32",
    band="#a9b88a",
    foot="#5b3f22",
    ball="#1d5c86",
    fence="#8a3b12",
)
DARK: Final = Palette(
    paper="#191b18",
    ink="#ece7da",
    quiet="#a8a294",
    hill="#37432a",
    far="#262b22",
    edge="#b5c68c",
    band="#5a6a40",
    foot="#e2c79c",
    ball="#7fc0ea",
    fence="#f0a57c",
)
# Stand-ins for a drawing that takes its colours from the page: unlikely as true colours, and
# replaced in the finished SVG by the page's variables.
BY_PAGE: Final = Palette(
    **{each.name: f"#01{number:02x}7f" for number, each in enumerate(fields(Palette), start=1)}
)


def variables(palette: Palette) -> str:
    """A palette as CSS custom properties."""
    return " ".join(f"--{each.name}: {getattr(palette, each.name)};" for each in fields(palette))


def by_page(svg: str) -> str:
    """A drawing made with :data:`BY_PAGE`, its colours now those of the page around it."""
    for each in fields(Palette):
        svg = svg.replace(getattr(BY_PAGE, each.name), f"var(--{each.name})")
    return svg


# What every page to keep begins with. Fonts that come with the system, DejaVu where there is
# no other: such a page fetches nothing.
PAGE_STYLE: Final = f"""
:root {{ {variables(LIGHT)} color-scheme: light dark; }}
@media (prefers-color-scheme: dark) {{ :root {{ {variables(DARK)} }} }}
@media print {{ :root {{ {variables(LIGHT)} color-scheme: light; }} }}
* {{ box-sizing: border-box; }}
body {{ margin: 0 auto; padding: 1.5rem 1.1rem 3rem; max-width: 62rem; background: var(--paper);
  color: var(--ink); font: 1.0625rem/1.5 Georgia, 'DejaVu Serif', serif; }}
p, ul {{ margin: 0 0 .8rem; }}
.subject {{ color: var(--quiet); margin-bottom: .2rem; }}
h1 {{ font-size: 1.75rem; line-height: 1.2; margin: 0 0 .8rem; text-wrap: balance; }}
.lead {{ font-size: 1.125rem; max-width: 44rem; }}
.lead p {{ margin-bottom: .35rem; }}
figure {{ margin: 1.4rem 0; }}
figure svg {{ display: block; width: 100%; height: auto; }}
.fan {{ max-width: 44rem; }}
figcaption {{ color: var(--quiet); font-size: .9rem; margin-top: .4rem; max-width: 44rem; }}
.tall {{ display: none; }}
.rooms {{ columns: 2 22rem; column-gap: 2.6rem; }}
section {{ break-inside: avoid; padding-top: .2rem; }}
ul {{ padding-left: 1.1rem; }}
li {{ margin-bottom: .35rem; overflow-wrap: anywhere; }}
li::marker {{ color: var(--fence); }}
"""
