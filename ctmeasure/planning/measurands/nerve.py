"""Facial canal, chorda, sinus tympani and tegmen: how far they are from what a surgeon works on."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ctmeasure.planning.measurands import batch
from ctmeasure.planning.measurands.batch import Floats, NearestOnTube
from ctmeasure.planning.measurands.registry import CANAL, COARSE_FLAG, Context, Found, Recipe
from ctmeasure.planning.measurands.scene import Scene

RIM_ANGLES_DEG = {
    "facial_nerve": (30.0, 60.0, 90.0, 120.0, 150.0, 180.0),
    "chorda_tympani": (30.0, 60.0, 90.0, 120.0, 150.0),
}
"""Wall angles at which the rim's distance to each is given: the half of the rim that faces it."""
END_FLAG = "nearest at the end of what was marked"
PUBLISHED_ANGLE_DEG = 90.0
"""The published posterior-wall distance was read at umbo level, on the posterior wall."""


def recipes(context: Context) -> list[Found]:
    """Recipes of the rim's distances to facial canal and chorda, the facial recess, sinus tympani and tegmen height."""
    return [
        *_rim_to_tube(context, "annulus_to_facial_nerve", "facial_nerve"),
        *_rim_to_tube(context, "annulus_to_chorda", "chorda_tympani"),
        _recess(context),
        *_sinus(context),
        _tegmen(context),
    ]


@dataclass(frozen=True, eq=False)
class RimPoint:
    """The rim at one wall angle: its place on the curve through the mean ring, and the ring points on either side."""

    wall_angle_deg: float
    point_lps: Floats
    before: int
    after: int
    mean_line_lps: Floats

    def at(self, scene: Scene) -> Floats:
        """The rim point in every draw, shape (draws, 3).

        Between draws the point moves as the straight line between its two neighbours does at this wall angle; the
        curve through the mean ring gives where it is.
        """
        return self.point_lps + self.between(scene) - self.mean_line_lps

    def between(self, scene: Scene) -> Floats:
        """Where the straight line between the two neighbours passes this wall angle, shape (draws, 3)."""
        rim = scene.rim()
        a, b = rim[:, self.before], rim[:, self.after]
        angles = scene.keep("rim angles", lambda: scene.canal().wall_angle_deg(rim))
        one = (angles[:, self.before] - self.wall_angle_deg + 180.0) % 360.0 - 180.0
        two = (angles[:, self.after] - self.wall_angle_deg + 180.0) % 360.0 - 180.0
        span = np.where(np.abs(two - one) > 1e-6, two - one, 1.0)
        share = np.clip(-one / span, -0.5, 1.5)[:, None]
        return a + share * (b - a)


def rim_point(context: Context, wall_angle_deg: float) -> RimPoint:
    """The rim of the mean ring at a wall angle."""
    assert context.rim is not None
    assert context.canal is not None
    angles = context.canal.wall_angle_deg(context.mean.rim()[0])
    ahead = (angles - wall_angle_deg) % 360.0
    behind = (wall_angle_deg - angles) % 360.0
    after = int(np.argmin(ahead))
    before = int(np.argmin(np.where(np.arange(len(angles)) == after, np.inf, behind)))
    point = RimPoint(wall_angle_deg, context.rim.point_lps(wall_angle_deg), before, after, np.zeros(3))
    return replace(point, mean_line_lps=point.between(context.mean)[0])


def _rim_to_tube(context: Context, measurand: str, tube_id: str) -> list[Found]:
    missing = context.missing("annulus", *CANAL, tube_id)
    if missing:
        return [context.not_measured(measurand, needs=missing)]
    assert context.rim is not None
    if context.rim.coarse:
        why = f"{COARSE_FLAG}: no distances from the rim; place 8 or more points with all quadrants"
        return [context.not_measured(measurand, why=why)]
    sources = ("annulus", *context.canal_sources(), tube_id)
    found: list[Found] = []
    points = tuple(rim_point(context, angle) for angle in RIM_ANGLES_DEG[tube_id])
    sweep = _Sweep(tube_id, *context.tube(tube_id), points)
    for point in points:
        angle, parts = point.wall_angle_deg, _Parts(sweep, point)
        flags = (*context.clock_flags(), *parts.end_flags(context.mean))
        for word, compute in (("", parts.gap), (" lateral part", parts.lateral), (" posterior part", parts.posterior)):
            found.append(
                Recipe(
                    measurand,
                    f"{angle:g} deg{word}",
                    "signed",
                    sources,
                    compute,
                    flags=flags,
                    published=not word and angle == PUBLISHED_ANGLE_DEG,
                )
            )
    return found


@dataclass(frozen=True, eq=False)
class _Sweep:
    """All rim points against one tube at once: one call of the kernel a block."""

    tube_id: str
    tube_lps: Floats
    radii_mm: Floats
    rim_points: tuple[RimPoint, ...]

    def nearest(self, scene: Scene) -> dict[float, tuple[Floats, NearestOnTube]]:
        """By wall angle: the drawn rim points and where the tube comes nearest to them."""
        points = [point.at(scene) for point in self.rim_points]
        near = batch.nearest_on_tube(np.concatenate(points), self.tube_lps, self.radii_mm)
        found, count = {}, len(points[0])
        for position, point in enumerate(self.rim_points):
            part = slice(position * count, (position + 1) * count)
            one = NearestOnTube(near.gap_mm[part], near.centre_lps[part], near.radius_mm[part])
            found[point.wall_angle_deg] = (points[position], one)
        return found


@dataclass(frozen=True, eq=False)
class _Parts:
    """Least gap from one rim point to a tube's wall, and its signed parts."""

    sweep: _Sweep
    rim_point: RimPoint

    @property
    def tube_id(self) -> str:
        return self.sweep.tube_id

    def _near(self, scene: Scene) -> tuple[Floats, NearestOnTube]:
        found = scene.keep(f"{self.tube_id} from the rim", lambda: self.sweep.nearest(scene))
        return found[self.rim_point.wall_angle_deg]

    def _wall(self, scene: Scene) -> tuple[Floats, Floats]:
        def compute() -> tuple[Floats, Floats]:
            points, near = self._near(scene)
            return points, near.wall_lps(points, scene.surface(self.tube_id))

        return scene.keep(f"{self.tube_id} wall from {self.rim_point.wall_angle_deg}", compute)

    def end_flags(self, mean: Scene) -> tuple[str, ...]:
        """Said when the nearest point is where somebody stopped marking: the structure goes on, perhaps nearer."""
        centre = self._near(mean)[1].centre_lps[0]
        ends = self.sweep.tube_lps[[0, -1]]
        return (END_FLAG,) if np.any(np.linalg.norm(ends - centre, axis=1) < 1e-6) else ()

    def gap(self, scene: Scene) -> Floats:
        """Least distance from the rim point to the wall of the tube."""
        return self._near(scene)[1].gap_mm - scene.surface(self.tube_id)

    def lateral(self, scene: Scene) -> Floats:
        """Nearest wall point over the annulus plane: lateral (+) or medial (-) of it."""
        return scene.annulus_plane().signed_distance_mm(self._wall(scene)[1])

    def posterior(self, scene: Scene) -> Floats:
        """Nearest wall point behind (+) or in front (-) of the rim point."""
        points, wall = self._wall(scene)
        return batch.dot(wall - points, scene.canal().posterior_lps)


def _recess(context: Context) -> Found:
    missing = context.missing("facial_nerve", "chorda_entry")
    if missing:
        return context.not_measured("facial_recess_width", needs=missing)
    with_chorda = context.has("chorda_tympani")
    sources = ("facial_nerve", "chorda_entry", *(("chorda_tympani",) if with_chorda else ()))

    def width(scene: Scene) -> Floats:
        entry = np.ascontiguousarray(scene.point("chorda_entry"))
        gap = batch.nearest_on_tube(entry, *context.tube("facial_nerve")).gap_mm - scene.surface("facial_nerve")
        if with_chorda:
            gap = gap - batch.nearest_on_tube(entry, *context.tube("chorda_tympani")).radius_mm
            gap = gap - scene.surface("chorda_tympani")
        return gap

    flags = () if with_chorda else ("thickness of the chorda not taken off",)
    return Recipe("facial_recess_width", "", "signed", sources, width, flags=flags)


def _sinus(context: Context) -> list[Found]:
    qualifiers = ("to facial canal", "past facial canal")
    missing = context.missing("sinus_tympani", "facial_nerve"), context.missing("sinus_tympani", "facial_nerve", *CANAL)
    found: list[Found] = []

    def near(scene: Scene) -> NearestOnTube:
        return batch.nearest_on_tube(np.ascontiguousarray(scene.point("sinus_tympani")), *context.tube("facial_nerve"))

    def gap(scene: Scene) -> Floats:
        return near(scene).gap_mm - scene.surface("facial_nerve")

    def past(scene: Scene) -> Floats:
        canal = near(scene)
        front = canal.radius_mm + scene.surface("facial_nerve")
        return batch.dot(scene.point("sinus_tympani") - canal.centre_lps, scene.canal().posterior_lps) + front

    for qualifier, needs, compute in zip(qualifiers, missing, (gap, past), strict=True):
        if needs:
            found.append(context.not_measured("sinus_tympani_depth", qualifier, needs=needs))
            continue
        sources = ("sinus_tympani", "facial_nerve", *(context.canal_sources() if qualifier == qualifiers[1] else ()))
        flags = context.clock_flags() if qualifier == qualifiers[1] else ()
        published = qualifier == qualifiers[0]
        found.append(
            Recipe("sinus_tympani_depth", qualifier, "signed", sources, compute, flags=flags, published=published)
        )
    return found


def _tegmen(context: Context) -> Found:
    missing = context.missing("scutum", *CANAL, "tegmen")
    if missing:
        return context.not_measured("tegmen_height", needs=missing)
    assert context.canal is not None
    corners = _triangle_above(context)
    if corners is None:
        why = "not measured: above the scutum lies no marked tegmen; beyond the edge of the patch nothing is known"
        return context.not_measured("tegmen_height", why=why)
    normal = np.cross(corners[1] - corners[0], corners[2] - corners[0])
    normal = normal / np.linalg.norm(normal)
    normal = normal if normal @ context.canal.superior_lps > 0.0 else -normal

    def height(scene: Scene) -> Floats:
        up = scene.canal().superior_lps
        across = (corners[0] - scene.point("scutum")) @ normal - scene.surface("tegmen")
        return across / (up @ normal)

    sources = ("scutum", *context.canal_sources(), "tegmen")
    return Recipe("tegmen_height", "", "signed", sources, height, flags=context.clock_flags())


def _triangle_above(context: Context) -> Floats | None:
    """Corners (3, 3) of the lowest patch triangle straight above the scutum, or None."""
    from ctmeasure.errors import GeometryError
    from ctmeasure.geometry.patches import triangulate_patch

    assert context.canal is not None
    patch = context.given.structure("tegmen")
    assert patch is not None
    try:
        triangles = triangulate_patch(patch.points_lps).triangles_lps
    except GeometryError:
        return None
    scutum, up = context.mean.point("scutum")[0], context.canal.superior_lps
    found: list[tuple[float, Floats]] = []
    for corners in triangles:
        matrix = np.column_stack([corners[1] - corners[0], corners[2] - corners[0], -up])
        if abs(np.linalg.det(matrix)) < 1e-12:
            continue
        a, b, height = np.linalg.solve(matrix, scutum - corners[0])
        if a >= -1e-9 and b >= -1e-9 and a + b <= 1.0 + 1e-9:
            found.append((float(height), corners))
    return min(found, key=lambda item: abs(item[0]))[1] if found else None
