"""How far off a traced feature may be, from what it is made of.

Lens, pose, scale and thickness move the features against each other (``rectify.covariance``, held
to the pattern of the holes, as whoever lays the gasket on its bolts does). To that come the noise
of the fitted edge, what walls and shadows do to one side of a hole and not to the other, and what
sharpening and light do to all edges alike. The last is replaced by the reading of one hole.

The constants of the edges were set on rendered photos that are judged nowhere else. They hold
for renderings: what is claimed of a real part is said beside every outline and is wider.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from keyturn.making import rectify
from keyturn.making.rectify import Plane, radius_95
from keyturn.making.rows import Floats

LINE_95 = 1.96  # standard deviations that hold 95 % along one axis
# The wall of an opening darkens from the rim down; where it is narrow, that slope is taken for part
# of the edge. Sigma of an edge [px] times the width of the wall in the picture [px].
WALL, PORT_WALL = 1.0, 1.6
UNEVEN = 0.9  # of what moves all edges alike: on one side of a hole and not on the other
CHAMFER = 0.15  # [mm] where a chamfer shows and either of its rims may have been traced
READ = 0.02  # [mm] of a hole read with callipers
SHARP = 1.6  # [px] sigma of the edges these numbers were set on, at the most
SPREAD = 60  # points of a path that are asked


@dataclass(frozen=True)
class Source:
    """Standard deviations of edges in pixels of the source, unless said."""

    alike: float  # of what moves all edges of a picture alike
    scatter: float  # of one diameter against the others: streaks of the face, blocks of the JPEG
    outside: float  # of a place on the outer edge, which has less of its wall in view
    port: float  # of a place on the edge of a port, which no circle averages
    shadow: float  # [mm] of any edge by the shadow beside a dark part on paper


PHOTO = Source(0.06, 0.08, 0.10, 0.16, 0.02)
GLASS = Source(0.034, 0.02, 0.08, 0.04, 0.008)


@dataclass(frozen=True)
class Budget:
    """What the features of one trace share."""

    planes: Sequence[Plane]
    centres: Floats  # [mm] of all holes; the pattern everything is held to
    fitted: Floats  # [mm] sigma of each of these circles by the noise of its edge
    pixel: float  # [mm] of the finest source, larger where it is blurred
    source: Source = PHOTO
    wall: float = 0.0  # [mm] width of the wall in view below the rim of a hole; 0: not known
    dark: bool = False  # a dark part on a bright ground, where shadows are
    chamfered: bool = False

    @property
    def _narrow(self) -> float:
        """One over the width of the wall in view [1/px]."""
        return self.pixel / self.wall if self.wall > 0.0 else 0.0

    @property
    def rim(self) -> float:
        """Standard deviation [mm] of a hole's edge by sharpening and by the wall below it."""
        return self.pixel * max(self.source.alike, WALL * self._narrow)

    @property
    def beside(self) -> float:
        """Standard deviation [mm] of any edge by what lies beside it: shadow, chamfer."""
        shadow = self.source.shadow if self.dark else 0.0
        return float(np.hypot(shadow, CHAMFER if self.chamfered else 0.0))

    @property
    def edge(self) -> float:
        """Standard deviation [mm] of what moves the edges of all holes alike."""
        return float(np.hypot(self.rim, self.beside))

    def _own(self) -> Floats:
        return np.asarray(np.hypot(self.fitted, UNEVEN * self.rim))

    def centre(self) -> Floats:
        """Radius [mm] that holds each centre with 95 %."""
        return radius_95(rectify.covariance(self.planes, self.centres, own=self._own()))

    def diameter(self, fitted: Floats) -> Floats:
        """Half width [mm] that holds each diameter with 95 %; ``fitted``: by noise alone."""
        own = fitted**2 + (self.source.scatter * self.pixel) ** 2
        return np.asarray(LINE_95 * np.sqrt(own + (2.0 * self.edge) ** 2))

    def path(self, points: Floats, normal: Floats, fitted: float, *, port: bool) -> float:
        """Distance [mm] within which 95 % of the points of a path lie of the true one."""
        step = max(1, len(points) // SPREAD)
        points, normal = points[::step], normal[::step]
        count = len(self.centres)
        whole = rectify.covariance(
            self.planes,
            np.concatenate([self.centres, points]),
            slice(0, count) if count > 1 else slice(None),
            np.concatenate([self._own(), np.zeros(len(points))]),
        )
        across = np.einsum("ni,nij,nj->n", normal, whole[count:], normal)
        edge = np.hypot(self.source.port, PORT_WALL * self._narrow) if port else self.source.outside
        alone = (edge * self.pixel) ** 2 + self.beside**2 + fitted**2
        return _within(np.sqrt(np.maximum(across, 0.0) + alone))


def reread(bound: float, edge: float, read: float) -> float:
    """A bound [mm] once all edges were moved by a reading: its sigma in place of the edge's."""
    rest = max((bound / LINE_95) ** 2 - edge**2, 0.0)
    return LINE_95 * float(np.sqrt(rest + read**2))


def _within(sigma: Floats) -> float:
    """The width that holds 95 % of normal errors whose sigmas differ, by halving."""
    from scipy.special import erf

    low, high = LINE_95 * float(sigma.min()), LINE_95 * float(sigma.max())
    for _ in range(30):
        middle = (low + high) / 2.0
        if float(np.mean(erf(middle / (sigma * np.sqrt(2.0))))) < 0.95:
            low = middle
        else:
            high = middle
    return high
