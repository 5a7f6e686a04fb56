"""What was asked for by name and is not there."""

from __future__ import annotations


class NoSuchCar(LookupError):
    """No build folder of that name."""


class NoSuchJob(LookupError):
    """No job of that number for that build."""
