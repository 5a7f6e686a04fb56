"""The address and the code as a square that a camera reads; drawn here, nothing is asked."""

from __future__ import annotations

import io

# black on white whatever the look of the page: some cameras do not read it inverted
DARK, LIGHT = "#000", "#fff"
QUIET_ZONE = 4  # modules, as ISO/IEC 18004 asks for


def drawing(address: str) -> str:
    """As SVG, without style and without a fixed size."""
    import segno

    made = segno.make(address, error="m", micro=False)
    return str(made.svg_inline(border=QUIET_ZONE, dark=DARK, light=LIGHT, omitsize=True))


def in_terminal(address: str) -> str:
    """Two rows of modules to a line of half blocks."""
    import segno

    out = io.StringIO()
    segno.make(address, error="l", micro=False).terminal(out, border=2, compact=True)
    return out.getvalue().rstrip("\n")
