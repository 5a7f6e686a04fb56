"""Photos of parts that never were: a ray-cast renderer whose truth is known exactly.

Written for the tests only and shares no code with what it tests, except the pattern of the board
(which marker stands in which square) and the plain data of an outline.
"""

from renderer.cast import Taken, render
from renderer.glass import Page, scan, seeded_page
from renderer.part import Part, flange, plate, throttle
from renderer.scene import Scene, seeded

__all__ = [
    "Page", "Part", "Scene", "Taken", "flange", "plate", "render", "scan", "seeded",
    "seeded_page", "throttle",
]  # fmt: skip
