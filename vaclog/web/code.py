"""An address as a square code that a phone's camera reads.

Enters: an address. Leaves: lines for a terminal, or a picture for the page.
"""

from __future__ import annotations

import io


def terminal(address: str) -> str:
    """The code in half blocks, for a terminal."""
    import segno

    out = io.StringIO()
    segno.make(address, error="m", micro=False).terminal(out=out, compact=True, border=2)
    return out.getvalue()


def svg(address: str) -> str:
    """The code as a data address of a picture, dark on light in either scheme."""
    import segno

    uri: str = segno.make(address, error="m", micro=False).svg_data_uri(
        scale=6, border=4, dark="#000", light="#fff"
    )
    return uri
