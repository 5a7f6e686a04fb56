"""A template set as a PDF with typst and its own fonts."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any


def typeset(template: str, data: Any) -> bytes:
    """The PDF of a template within this package; the same data give the same bytes.

    Words travel as data, so nothing in them is run.
    """
    import typst

    made = typst.compile(
        (files("keyturn") / template).read_bytes(),
        format="pdf",
        sys_inputs={"data": json.dumps(data, allow_nan=False)},
        ignore_system_fonts=True,
        timestamp=0,
    )
    if not isinstance(made, bytes):
        raise TypeError("typst gave no single PDF")
    return made
