"""From photos of a part beside the board to its outline in millimetres, with what is not sure.

The face is laid flat (``rectify``), told from the table (``segment``), its edges are placed
(``edges``) and turned into circles, common shapes, lines and arcs. Real parts have edge radii,
dirt and torn corners that no rendering has: until somebody has measured one, nothing better than
0.15 mm in the middle and 0.3 mm at worst is claimed for them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from keyturn.errors import Place, ValueRefused
from keyturn.making import board, camera, fit_path, ports, rectify, segment
from keyturn.making.bounds import GLASS, LINE_95, PHOTO, READ, SHARP, Budget, reread
from keyturn.making.edges import Edge
from keyturn.making.edit import snapped
from keyturn.making.gather import Found, Opening, joined, openings
from keyturn.making.photo import Photo
from keyturn.making.rectify import Flat
from keyturn.making.rows import Floats
from keyturn.making.shape import ClosedPath, Corner, Hole, Outline

Progress = Callable[[int, int, str], None]
GLARE_WARN, GLARE_REFUSE = 0.01, 0.12  # share of the face in which the sensor was full
SEEN_WARN, SEEN_REFUSE = 0.9, 0.6  # share of a contour on which an edge was seen
CHAMFERED = 0.3  # share of the edges of openings that have a bright line before them
MOST_READING = 1.2  # [mm] a reading this far from the trace was of another hole


@dataclass(frozen=True)
class Drawn:
    """One fitted feature for the overlay."""

    name: str
    kind: str  # "outer", "hole", "circle", "slot", "rectangle", "lines and arcs", "points"
    points: Floats  # [mm] edge points in the outline's coordinates
    pixels: Floats  # [px] the same in the first photo
    residual: Floats  # [mm] signed distance of each point to the fitted feature
    used: NDArray[np.bool_]  # False where a point was taken for wrong or was not seen
    rms: float  # [mm] of the points used
    seen: float  # share of the contour on which an edge was seen


@dataclass(frozen=True)
class Placement:
    """How the outline lies on the board: outline = turned (board - origin)."""

    origin: tuple[float, float]  # [mm]
    turn: float  # [rad]

    def outline(self, points: Floats) -> Floats:
        c, s = math.cos(self.turn), math.sin(self.turn)
        return np.asarray((points - np.asarray(self.origin)) @ np.array([[c, s], [-s, c]]))

    def board(self, points: Floats) -> Floats:
        c, s = math.cos(self.turn), math.sin(self.turn)
        return np.asarray(points @ np.array([[c, -s], [s, c]]) + np.asarray(self.origin))


@dataclass(frozen=True)
class Traced:
    """The outline, and all that the page shows of how it came about."""

    outline: Outline
    flat: Flat  # of the first photo
    placement: Placement
    drawn: tuple[Drawn, ...]
    warnings: tuple[str, ...]
    model: str  # "face" or "silhouette": which edge was taken
    budget: Budget
    allowance: float = 0.0  # [mm] added to every diameter after the reading of one hole

    def pixels(self, points: Floats) -> Floats:
        """Where points of the outline [mm] are in the first photo [px]."""
        return self.flat.plane.to_photo(self.placement.board(points))


def _silent(done: int, of: int, words: str) -> None:
    del done, of, words


def trace(
    photos: Sequence[Photo],
    thickness: float | None,
    check_lengths: tuple[float, float] | None,
    progress: Progress | None = None,
    *,
    snap: bool = False,
    hole_reading: tuple[str, float] | None = None,
    name: str = "gasket",
) -> Traced:
    """Trace a part from one to five photos.

    Parameters
    ----------
    photos : Sequence[Photo]
        Of the same face, board untouched between them; overlay pixels refer to the first.
    thickness : float | None
        Height of the face above the strips [mm]; None: the strips lie level with the face.
    check_lengths : tuple[float, float] | None
        The two printed check lines as measured [mm]; None leaves the scale unverified.
    snap : bool
        Move diameters to standard sizes where they can be told apart.
    hole_reading : tuple[str, float] | None
        Name of one hole ("" for the one nearest in size) and its diameter by callipers [mm].

    Raises
    ------
    ValueRefused
        The photos cannot be measured; with the reason and how to take better ones.
    """
    tell = progress or _silent
    count = 3 * len(photos) + 2
    rectify.checked_height(thickness)  # refused before the slow part
    seen = []
    for n, photo in enumerate(photos):
        tell(n, count, f"looking for the board in photo {n + 1}")
        seen.append(board.find(photo))
    tell(len(photos), count, "solving lens and pose")
    cameras = camera.solve(seen, check_lengths)
    flats = []
    for n, photo in enumerate(photos):
        tell(len(photos) + 1 + n, count, f"laying photo {n + 1} flat")
        flats.append(rectify.to_plane(photo, cameras, n, height=thickness, blur=seen[n].blur))
    return from_flats(
        flats, scale_verified=check_lengths is not None, progress=tell, snap=snap,
        hole_reading=hole_reading, name=name, done=2 * len(photos) + 1, of=count,
    )  # fmt: skip


def from_flats(
    flats: Sequence[Flat],
    *,
    scale_verified: bool,
    progress: Progress | None = None,
    snap: bool = False,
    hole_reading: tuple[str, float] | None = None,
    name: str = "gasket",
    source: str = "photo",
    done: int = 0,
    of: int = 0,
) -> Traced:
    """Trace flat pictures of one part that share their coordinates; also the way for scans."""
    tell = progress or _silent
    of = of or len(flats) + 1
    found, warnings = [], list(dict.fromkeys(note for flat in flats for note in flat.notes))
    for n, flat in enumerate(flats):
        tell(done + n, of, f"finding edges in picture {n + 1}")
        rough = segment.rough(flat)
        warnings += _judge(rough)
        found.append(openings(flat, rough))
    tell(done + len(flats), of, "fitting circles, lines and arcs")
    model, outer, inner, notes = joined(flats, found)
    warnings += notes
    warnings += _edge_warnings(outer, inner, found[0].chamfered)
    made = _Maker(flats, outer, inner, model, found[0], source).make(name, scale_verified)
    if not made.outline.holes:
        warnings.append("no round holes were found: check thickness and light, or add them by hand")
    if hole_reading is not None:
        made = read_hole(made, *hole_reading)
    elif made.outline.holes:
        warnings.append(
            "diameters are not verified: a chamfer adds its width, a shadow takes about 0.1 mm;"
            " measure one hole with callipers and enter it"
        )
    outline = made.outline
    if snap:
        holes, said = snapped(outline.holes)
        outline = replace(outline, holes=holes)
        warnings += said
    warnings += made.warnings
    tell(of, of, "traced")
    return replace(made, outline=outline, warnings=tuple(dict.fromkeys(warnings)))


def _judge(rough: segment.Rough) -> list[str]:
    """What the light says against the picture."""
    advice = "move the lamp or the camera until the shine leaves the face; even light is best"
    if rough.burnt > GLARE_REFUSE:
        raise ValueRefused(
            f"glare: {100 * rough.burnt:.0f} % of the face is burnt out", advice=advice
        )
    if rough.burnt > GLARE_WARN:
        return [
            f"glare on {100 * rough.burnt:.0f} % of the face: look at the edges there; {advice}"
        ]
    return []


def _edge_warnings(outer: Edge, inner: Sequence[Opening], chamfered: float) -> list[str]:
    if outer.seen < SEEN_REFUSE:
        raise ValueRefused(
            f"the outer edge is seen on {100 * outer.seen:.0f} % of its length only",
            advice=segment.OTHER_SHEET,
        )
    told = []
    if outer.seen < SEEN_WARN:
        told.append(f"the outer edge is seen on {100 * outer.seen:.0f} % of its length only")
    if chamfered > CHAMFERED:
        told.append(
            "the edges look chamfered or rounded: the traced edge may be either rim of the"
            " chamfer; measure one hole with callipers and enter it"
        )
    return told


class _Maker:
    """Edges to an outline about its own middle, with uncertainties."""

    def __init__(
        self,
        flats: Sequence[Flat],
        outer: Edge,
        inner: Sequence[Opening],
        model: str,
        first: Found,
        source: str,
    ) -> None:
        self.flat, self.outer, self.inner = flats[0], outer, inner
        self.model, self.source = model, source
        self.placement = _placement(outer.points)
        circles = [one.circle for one in inner if one.circle is not None]
        centres = np.array([(c.x, c.y) for c in circles]).reshape(-1, 2)
        self.budget = Budget(
            [flat.plane for flat in flats], centres, np.array([c.sigma for c in circles]),
            pixel=min(
                flat.source_mm_per_pixel * max(1.0, flat.source_blur / SHARP) for flat in flats
            ),
            source=GLASS if source == "scan" else PHOTO,
            wall=self.flat.plane.wall(centres) if model == "face" else 0.0,
            dark=not first.bright,
            chamfered=first.chamfered > CHAMFERED,
        )  # fmt: skip

    def make(self, name: str, verified: bool) -> Traced:
        round_ones = [one for one in self.inner if one.circle is not None]
        others = [one for one in self.inner if one.circle is None]
        holes, drawn = self._holes(round_ones)
        path, about = self._path(self.outer, "outer", template=False)
        drawn.insert(0, about)
        made, warnings = [], []
        for n, one in enumerate(_around([o.edge.points for o in others], self.placement), 1):
            port, about = self._path(others[one].edge, f"port {n}", template=True)
            made.append(port)
            drawn.append(about)
        for about in drawn:
            if about.kind == "points":
                warnings.append(
                    f"{about.name} could not be made of lines and arcs and was kept as points:"
                    " look at it closely"
                )
            if about.seen < SEEN_WARN and about.name != "outer":
                warnings.append(f"{about.name}: edge seen on {100 * about.seen:.0f} % only")
        outline = Outline(path, tuple(holes), tuple(made), name, scale_verified=verified)
        return Traced(
            outline, self.flat, self.placement, tuple(drawn), tuple(warnings), self.model,
            self.budget,
        )  # fmt: skip

    def _holes(self, found: Sequence[Opening]) -> tuple[list[Hole], list[Drawn]]:
        if not found:
            return [], []
        circles = [one.circle for one in found if one.circle is not None]
        centres = self.budget.centres
        moved = self.placement.outline(centres)
        radius = self.budget.centre()
        across = self.budget.diameter(np.array([c.diameter_sigma for c in circles]))
        holes, drawn = [], []
        order = _around([one.edge.points for one in found], self.placement)
        for number, n in enumerate(order, 1):
            edge, c, name = found[n].edge, circles[n], f"hole {number}"
            holes.append(
                Hole(
                    float(moved[n, 0]), float(moved[n, 1]), c.diameter, "bolt", name,
                    float(radius[n]), float(across[n]), self.source,
                )
            )  # fmt: skip
            residual = np.hypot(*(edge.points - centres[n]).T) - c.diameter / 2.0
            used = edge.good & (np.abs(residual) < max(4.0 * c.rms, 0.05))
            drawn.append(self._drawn(name, "hole", edge, residual, used, c.rms))
        return holes, drawn

    def _path(self, edge: Edge, name: str, *, template: bool) -> tuple[ClosedPath, Drawn]:
        found = ports.template(edge.points, edge.good, name) if template else None
        if found is not None:
            path, kind, residual, used, rms = (
                found.path, found.kind, found.residual, found.used, found.rms
            )  # fmt: skip
        else:
            fitted = fit_path.fit(edge.points, edge.good, name)
            path, residual, used = fitted.path, fitted.residual, fitted.used
            kind = "lines and arcs" if fitted.exact else "points"
            rms = fit_path.STRAYS
            if fitted.exact and used.any():
                rms = float(np.sqrt(np.mean(residual[used] ** 2)))
        # a shape of few unknowns averages the noise of its whole edge
        share = 1.0 if found is None else found.share
        uncertain = self.budget.path(edge.points, edge.normal, share * rms, port=template)
        moved = tuple(
            Corner(float(x), float(y), c.bulge)
            for (x, y), c in zip(
                self.placement.outline(np.array([(c.x, c.y) for c in path.corners])),
                path.corners,
                strict=True,
            )
        )
        path = ClosedPath(moved, name, uncertain, self.source)
        return path, self._drawn(name, kind, edge, residual, used, rms)

    def _drawn(
        self,
        name: str,
        kind: str,
        edge: Edge,
        residual: Floats,
        used: NDArray[np.bool_],
        rms: float,
    ) -> Drawn:
        pixels = self.flat.plane.to_photo(edge.points)
        points = self.placement.outline(edge.points)
        return Drawn(name, kind, points, pixels, residual, used, rms, edge.seen)


def _placement(outer: Floats) -> Placement:
    """Middle of the smallest box about the part, its longer side along x, turned the least."""
    import cv2

    (x, y), (w, h), degrees = cv2.minAreaRect(np.asarray(outer, np.float32))
    turn = math.radians(degrees) + (0.0 if w >= h else math.pi / 2.0)
    return Placement((float(x), float(y)), -math.remainder(turn, math.pi))


def _around(rings: Sequence[Floats], placement: Placement) -> list[int]:
    """Order of features: about the middle, counter-clockwise from the lower left."""
    angles = []
    for ring in rings:
        x, y = placement.outline(ring.mean(axis=0)[None])[0]
        angles.append((math.atan2(y, x) + math.pi + 1e-3) % (2.0 * math.pi))
    return sorted(range(len(rings)), key=angles.__getitem__)


def read_hole(made: Traced, name: str, diameter: float) -> Traced:
    """Move every edge by what one hole read with callipers differs from its trace."""
    from keyturn.making.offset import offset

    holes = made.outline.holes
    if not (math.isfinite(diameter) and 0.5 < diameter < 200.0):
        raise ValueRefused("that cannot be the diameter of a hole", Place(key="hole_reading"),
                           typed=f"{diameter} mm", accepted="0.5 to 200 mm")  # fmt: skip
    named = [hole for hole in holes if hole.name == name] if name else list(holes)
    if not named:
        raise ValueRefused("there is no such hole", Place(key="hole_reading"), typed=name,
                           accepted=", ".join(hole.name for hole in holes))  # fmt: skip
    hole = min(named, key=lambda one: abs(one.diameter - diameter))
    # holes of one size together tell it better than the one
    alike = [one.diameter for one in holes if abs(one.diameter - hole.diameter) < 0.15]
    more = diameter - (hole.diameter if name else float(np.median(alike)))
    if abs(more) > MOST_READING:
        raise ValueRefused(
            f"{hole.name} was traced with {hole.diameter:.2f} mm, the callipers say"
            f" {diameter:.2f} mm", Place(key="hole_reading"), typed=f"{diameter} mm",
            accepted=f"within {MOST_READING} mm of the trace",
            advice="name the hole that was measured, and measure it once more",
        )  # fmt: skip
    # the reading stands for what moved all edges; how that hole was fitted comes with it
    fitted = reread(hole.diameter_uncertainty or 0.0, 2.0 * made.budget.edge, READ) / LINE_95

    def opened(one: Hole) -> Hole:
        bound = reread(one.diameter_uncertainty or 0.0, 2.0 * made.budget.edge, fitted)
        if name and one is hole:
            bound = LINE_95 * READ
        return replace(one, diameter=one.diameter + more, diameter_uncertainty=bound)

    # which rim of a chamfer was traced may differ from place to place
    known = 0.0 if made.budget.chamfered else made.budget.beside

    def path(old: ClosedPath, by: float) -> ClosedPath:
        bound = reread(old.uncertainty or 0.0, known, fitted / 2.0)
        return replace(offset(old, by).path, uncertainty=bound)

    outline = replace(
        made.outline,
        holes=tuple(opened(one) for one in holes),
        outer=path(made.outline.outer, -more / 2.0),
        ports=tuple(path(port, more / 2.0) for port in made.outline.ports),
    )
    told = (
        f"all edges moved by {more / 2.0:+.3f} mm into the part, as {hole.name} was read with"
        f" callipers: {diameter:.2f} mm instead of {diameter - more:.2f} mm"
    )
    if more > 0.25:
        told += "; that much speaks for chamfered edges, and the rim of the face was not traced"
    return replace(made, outline=outline, warnings=(*made.warnings, told), allowance=more)
