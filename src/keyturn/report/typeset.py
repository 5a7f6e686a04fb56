"""A template of this floor set as a PDF, its words made of characters that can be set."""

from __future__ import annotations

from typing import Any

from keyturn.report.svg import clean
from keyturn.typeset import typeset


def sheet(template: str, data: Any) -> bytes:
    """The PDF of ``templates/TEMPLATE.typ``."""
    return typeset(f"report/templates/{template}.typ", _tidy(data))


def _tidy(value: Any) -> Any:
    """Only characters that can be set; keys stay."""
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, dict):
        return {key: _tidy(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_tidy(item) for item in value]
    return value
