"""The bony rim: its best ellipse, its tilt to the canal, how far its centre lies from the footplate."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from ctmeasure.errors import GeometryError
from ctmeasure.planning.measurands import batch
from ctmeasure.planning.measurands.batch import Floats
from ctmeasure.planning.measurands.registry import CANAL, Context, Found, Recipe
from ctmeasure.planning.measurands.scene import Scene

RANK_CUT = 1e-8
"""Directions with less than this part of the largest sensitivity (the turn of a circle) take no share of the noise."""


@dataclass(frozen=True, eq=False)
class RimEllipse:
    """Best ellipse of the mean rim, and how it moves when ring points move (first order).

    ``response`` (5, n) takes the points' displacements along ``outwards_lps`` (n, 3) to changes of centre (2), half
    axes (2) and turn (1); ``axes_lps`` (2, 3) are the ellipse's axes, ``normal_lps`` its plane's normal.
    """

    centre_lps: Floats
    diameters_mm: tuple[float, float]
    axes_lps: Floats
    normal_lps: Floats
    outwards_lps: Floats
    response: Floats

    def changes(self, scene: Scene) -> Floats:
        """Changes of (centre 1, centre 2, half axis 1, half axis 2, turn) in every draw, shape (draws, 5)."""
        return scene.keep("changes of the rim ellipse", lambda: self._changes(scene))

    def _changes(self, scene: Scene) -> Floats:
        rim, mean = scene.rim(), scene.draws.means_lps("annulus")[0, scene.rim_indices()]
        changes = np.zeros((len(rim), len(self.response)))
        for point, (outwards, response) in enumerate(zip(self.outwards_lps, self.response.T, strict=True)):
            changes += np.outer((rim[:, point] - mean[point]) @ outwards, response)
        return changes

    def diameter(self, which: int, scene: Scene) -> Floats:
        """Largest (0) or smallest (1) diameter in every draw, mm."""
        return self.diameters_mm[which] + 2.0 * self.changes(scene)[:, 2 + which]

    def centre(self, scene: Scene) -> Floats:
        """Centre of the ellipse in every draw, shape (draws, 3): moved in its plane, then onto the drawn plane."""
        return scene.keep("centre of the rim ellipse", lambda: self._centre(scene))

    def _centre(self, scene: Scene) -> Floats:
        moved = self.centre_lps + self.changes(scene)[:, :2] @ self.axes_lps
        plane = scene.annulus_plane()
        off = plane.signed_distance_mm(moved) / batch.dot(plane.normal_lps, self.normal_lps)
        return moved - off[:, None] * self.normal_lps


def rim_ellipse(rim_lps: Floats) -> RimEllipse:
    """Best ellipse through ring points (n, 3).

    Raises
    ------
    GeometryError
        When fewer than five points, or too short an arc, carry no ellipse.

    Notes
    -----
    At the least-squares solution the parameters follow the points by the pseudo-inverse of the ellipse's own
    derivatives along its outward normals; that is the Gauss-Newton step of the geometric fit.
    """
    from ctmeasure.geometry.ellipses import fit_ellipse_3d

    fit = fit_ellipse_3d(rim_lps)
    assert fit.plane is not None
    half = np.array([fit.diameter_max_mm, fit.diameter_min_mm]) / 2.0
    local = (rim_lps - fit.centre) @ fit.axes.T
    eccentric = np.arctan2(local[:, 1] / half[1], local[:, 0] / half[0])
    cos, sin = np.cos(eccentric), np.sin(eccentric)
    outwards = batch.unit(np.column_stack([cos / half[0], sin / half[1]]))
    turning = np.column_stack([-half[1] * sin, half[0] * cos])
    jacobian = np.column_stack(
        [outwards, outwards[:, 0] * cos, outwards[:, 1] * sin, np.einsum("ni,ni->n", outwards, turning)]
    )
    return RimEllipse(
        fit.centre,
        (fit.diameter_max_mm, fit.diameter_min_mm),
        fit.axes,
        fit.plane.normal_lps,
        outwards @ fit.axes,
        np.linalg.pinv(jacobian, rcond=RANK_CUT),
    )


def recipes(context: Context) -> list[Found]:
    """Recipes of the annulus's diameters, its angle to the canal and its distance to the footplate."""
    return [*_ellipse(context), _angle(context)]


def _ellipse(context: Context) -> list[Found]:
    ids = ("annulus_diameter_max", "annulus_diameter_min", "annulus_to_footplate")
    missing = context.missing("annulus", *CANAL)
    if missing:
        return [context.not_measured(i, needs=missing) for i in ids]
    try:
        ellipse = rim_ellipse(context.mean.rim()[0])
    except GeometryError as error:
        return [context.not_measured(i, why=f"not measured: {error.found} of 'annulus'") for i in ids]
    flags = context.ring_flags()
    found: list[Found] = [
        Recipe(name, "", "signed", ("annulus",), partial(ellipse.diameter, which), flags=flags)
        for which, name in enumerate(ids[:2])
    ]
    if context.has("footplate_centre"):
        sources = ("annulus", "footplate_centre")
        found.append(
            Recipe(
                ids[2],
                "",
                "distance",
                sources,
                lambda scene: scene.point("footplate_centre") - ellipse.centre(scene),
                flags=flags,
            )
        )
    else:
        found.append(context.not_measured(ids[2], needs=("footplate_centre",)))
    return found


def _angle(context: Context) -> Found:
    missing = context.missing("annulus", *CANAL)
    if missing:
        return context.not_measured("annulus_to_canal_angle", needs=missing)

    def turn(scene: Scene) -> Floats:
        return batch.turn_vectors_deg(scene.canal().axis_lps, scene.annulus_plane().normal_lps)

    return Recipe(
        "annulus_to_canal_angle", "", "angle", ("annulus", *CANAL), turn, unit="deg", flags=context.ring_flags()
    )
