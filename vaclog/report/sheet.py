"""A sheet of paper with lines and words on it, written as SVG or PDF, true to size.

Enters: lines and words in millimetres from the upper left corner. Leaves: the text of an SVG, or
the bytes of a PDF of one page.

Both are written by hand: a few dozen lines of a fixed form, and the size is all that matters.
SVG as in the recommendation (user units of one millimetre by width, height and viewBox); PDF as in
ISO 32000-1:2008 with the built-in Helvetica, coordinates in points of 1/72 inch from below.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias
from xml.sax.saxutils import escape

MM_PER_POINT: Final = 25.4 / 72.0
INK: Final = "#000000"
# Advance widths of Helvetica, in thousandths of its size, for what is ever centred here.
_WIDTHS: Final = {"A": 667, "C": 722, "D": 722, "E": 667, "N": 722, "R": 722, "T": 611, "V": 667}
_FIGURE: Final = 556

Anchor: TypeAlias = Literal["start", "middle"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A straight line with square ends."""

    x0: float
    y0: float
    x1: float
    y1: float
    width: float = 0.2
    dashed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """Words on a baseline; ``mirrored`` about their own middle, for reading in a mirror."""

    x: float
    y: float
    size: float
    text: str
    anchor: Anchor = "start"
    bold: bool = False
    mirrored: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One page, in millimetres."""

    width: float
    height: float
    title: str
    lines: tuple[Line, ...]
    words: tuple[Words, ...]


def svg(sheet: Sheet) -> str:
    """The sheet as SVG."""
    out = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{sheet.width:g}mm" '
        f'height="{sheet.height:g}mm" viewBox="0 0 {sheet.width:g} {sheet.height:g}">',
        f"<title>{escape(sheet.title)}</title>",
        f'<rect width="{sheet.width:g}" height="{sheet.height:g}" fill="#ffffff"/>',
        f'<g stroke="{INK}" fill="none">',
    ]
    for line in sheet.lines:
        dash = ' stroke-dasharray="1.5 1.5"' if line.dashed else ""
        out.append(
            f'<line x1="{line.x0:.4f}" y1="{line.y0:.4f}" x2="{line.x1:.4f}" y2="{line.y1:.4f}" '
            f'stroke-width="{line.width:g}"{dash}/>'
        )
    out += ["</g>", f'<g fill="{INK}" font-family="Helvetica, Arial, sans-serif">']
    for words in sheet.words:
        where = f'x="{words.x:.4f}" y="{words.y:.4f}"'
        if words.mirrored:
            where = f'transform="matrix(-1 0 0 1 {words.x:.4f} {words.y:.4f})"'
        weight = ' font-weight="bold"' if words.bold else ""
        out.append(
            f'<text {where} font-size="{words.size:g}" text-anchor="{words.anchor}"{weight}>'
            f"{escape(words.text)}</text>"
        )
    out += ["</g>", "</svg>", ""]
    return "\n".join(out)


def pdf(sheet: Sheet) -> bytes:
    """The sheet as PDF."""
    drawn = "\n".join([*(_pdf_line(sheet, line) for line in sheet.lines)])
    said = "\n".join(_pdf_words(sheet, words) for words in sheet.words)
    content = f"0 J 0 G 0 g\n{drawn}\n{said}\n".encode("cp1252")
    size = f"[0 0 {_points(sheet.width)} {_points(sheet.height)}]"
    font = "<< /Type /Font /Subtype /Type1 /BaseFont /{} /Encoding /WinAnsiEncoding >>"
    title = sheet.title.encode("cp1252").replace(b"(", rb"\(").replace(b")", rb"\)")
    objects = [
        # No scaling by the print dialogue: the sheet is true to size.
        b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
        b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
        (
            f"<< /Type /Page /Parent 2 0 R /MediaBox {size} /Contents 4 0 R "
            "/Resources << /Font << /F1 5 0 R /F2 6 0 R >> >> >>"
        ).encode(),
        f"<< /Length {len(content)} >>\nstream\n".encode() + content + b"endstream",
        font.format("Helvetica").encode(),
        font.format("Helvetica-Bold").encode(),
        b"<< /Title (" + title + b") >>",
    ]
    return _pdf_file(objects)


def _pdf_file(objects: list[bytes]) -> bytes:
    """Numbered objects, their places, and the trailer; the last object is the information."""
    out = bytearray(b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n")
    places = []
    for number, each in enumerate(objects, 1):
        places.append(len(out))
        out += f"{number} 0 obj\n".encode() + each + b"\nendobj\n"
    start = len(out)
    out += f"xref\n0 {len(objects) + 1}\n0000000000 65535 f \n".encode()
    for place in places:
        out += f"{place:010d} 00000 n \n".encode()
    out += (
        f"trailer\n<< /Size {len(objects) + 1} /Root 1 0 R /Info {len(objects)} 0 R >>\n"
        f"startxref\n{start}\n%%EOF\n"
    ).encode()
    return bytes(out)


def _pdf_line(sheet: Sheet, line: Line) -> str:
    dash = "[4 4] 0 d" if line.dashed else "[] 0 d"
    return (
        f"{_points(line.width)} w {dash} {_points(line.x0)} {_points(sheet.height - line.y0)} m "
        f"{_points(line.x1)} {_points(sheet.height - line.y1)} l S"
    )


def _pdf_words(sheet: Sheet, words: Words) -> str:
    width = words.size * sum(_WIDTHS.get(each, _FIGURE) for each in words.text) / 1000.0
    left = words.x - (width / 2.0 if words.anchor == "middle" else 0.0)
    across, sense = (2.0 * words.x - left, -1) if words.mirrored else (left, 1)
    text = words.text.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")
    return (
        f"BT /F{2 if words.bold else 1} {_points(words.size)} Tf {sense} 0 0 1 "
        f"{_points(across)} {_points(sheet.height - words.y)} Tm ({text}) Tj ET"
    )


def _points(mm: float) -> str:
    return f"{mm / MM_PER_POINT:.4f}"
