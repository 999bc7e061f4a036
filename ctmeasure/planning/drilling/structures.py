"""Marked structures as things a bur path has a distance to."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.structures import Ball, Patch, Structure, Tube
from ctmeasure.anatomy.vocabulary import structure_term
from ctmeasure.geometry.capsules import point_segment
from ctmeasure.geometry.patches import PatchMesh, patch_distance, triangulate_patch
from ctmeasure.planning.drilling.elements import Elements, triangle_elements, tube_elements
from ctmeasure.planning.settings import Settings

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

AT_END_MM = 1e-6
"""A tube whose end ball is as near as the whole tube is nearest at that end."""
CANAL_LUMEN_RADIUS_MM = 0.5
"""Lumen radius of a semicircular canal marked as a ring of points without radius (about 1 mm across; from memory)."""
RADIUS_FLAG = "radius not measured"
EDGE_FLAG = "beyond the marked patch"
END_FLAG = "nearest at the end of what is marked"
ASSUMED_RADIUS_FLAG = "lumen radius assumed"
UNCONFIRMED_FLAG = "not confirmed"
BULGE_FLAG = "bulge of a bare nerve allowed for where the scan shows it open"
BULGE_ALONG_FLAG = "bulge of a bare nerve allowed for all along, since no open stretch was found"


@dataclass(frozen=True, slots=True, eq=False)
class Obstacle:
    """One marked structure, ready for distances.

    Exactly one of ``tube_lps`` (with ``radii_mm``; one vertex makes a ball) and ``mesh`` is set. ``measured`` is False
    for a tube without radii: its distance is then to the centre line only and decides nothing but a contact.
    """

    id: str
    label: str
    margin_key: str
    risk_key: str
    surface_u_mm: float
    measured: bool
    confirmed: bool
    tube_lps: Floats | None
    radii_mm: Floats | None
    mesh: PatchMesh | None
    elements: Elements
    flags: tuple[str, ...] = ()

    @property
    def is_patch(self) -> bool:
        """Whether this is a patch, of which nothing is known beyond its edge."""
        return self.mesh is not None

    def gap_mm(self, p_lps: Floats, q_lps: Floats, *, bur_radius_mm: float) -> Floats:
        """Signed gap between bur capsules and this structure, shape (n,).

        Parameters
        ----------
        p_lps, q_lps
            Ends of the bur centre's paths, shape (n, 3), LPS mm.
        bur_radius_mm
            Radius of the bur.

        Returns
        -------
        numpy.ndarray
            mm, negative when they overlap; for a pierced patch, minus the bur radius.

        Raises
        ------
        GeometryError
            When shapes disagree or a number is not finite.
        """
        from ctmeasure.kernels.distances import capsule_to_tube_clearance

        if self.mesh is not None:
            return patch_distance(p_lps, q_lps, mesh=self.mesh)[0] - bur_radius_mm
        assert self.tube_lps is not None
        assert self.radii_mm is not None
        return capsule_to_tube_clearance(
            p_lps, q_lps, bur_radius_mm=bur_radius_mm, tube_lps=self.tube_lps, tube_radius_mm=self.radii_mm
        )[0]

    def gap_and_edge(self, p_lps: Floats, q_lps: Floats, *, bur_radius_mm: float) -> tuple[Floats, Bools]:
        """`gap_mm`, and whether the nearest point lies on the patch's edge, or at an end of the tube; shape (n,)."""
        if self.mesh is not None:
            distance, edge = patch_distance(p_lps, q_lps, mesh=self.mesh)
            return distance - bur_radius_mm, edge
        assert self.tube_lps is not None
        assert self.radii_mm is not None
        gap = self.gap_mm(p_lps, q_lps, bur_radius_mm=bur_radius_mm)
        edge = np.zeros(len(gap), np.bool_)
        if len(self.tube_lps) > 1 and not np.allclose(self.tube_lps[0], self.tube_lps[-1]):
            for end in (0, -1):
                away, _ = point_segment(self.tube_lps[end], p_lps, q_lps=q_lps)
                edge |= away - self.radii_mm[end] - bur_radius_mm <= gap + AT_END_MM
        return gap, edge

    def at_edge(self, p_lps: Floats, q_lps: Floats) -> Bools:
        """Whether the nearest point lies on the patch's edge, or at an end of the tube; shape (n,)."""
        return self.gap_and_edge(p_lps, q_lps, bur_radius_mm=0.0)[1]

    def gap_within_mm(self, p_lps: Floats, q_lps: Floats, *, bur_radius_mm: float, limit_mm: float) -> Floats:
        """`gap_mm` where the boxes around path and structure come within a limit of each other; infinite elsewhere."""
        if self.mesh is not None:
            corners = self.mesh.vertices_lps
            low, high = corners.min(axis=0), corners.max(axis=0)
        else:
            assert self.tube_lps is not None
            assert self.radii_mm is not None
            low = (self.tube_lps - self.radii_mm[:, None]).min(axis=0)
            high = (self.tube_lps + self.radii_mm[:, None]).max(axis=0)
        reach = limit_mm + bur_radius_mm
        near = (np.minimum(p_lps, q_lps) <= high + reach) & (np.maximum(p_lps, q_lps) >= low - reach)
        rows = np.flatnonzero(near.all(axis=1))
        gap = np.full(len(p_lps), np.inf)
        if len(rows):
            gap[rows] = self.gap_mm(p_lps[rows], q_lps[rows], bur_radius_mm=bur_radius_mm)
        return gap


def obstacles(
    structures: Iterable[Structure], *, landmarks: LandmarkSet, settings: Settings, facts: CaseFacts | None = None
) -> tuple[Obstacle, ...]:
    """Every marked structure, and the lateral semicircular canal from its landmark ring when it is not among them.

    Parameters
    ----------
    structures
        As marked; those absent or not seen are left out.
    landmarks
        Landmarks of the ear.
    settings
        Uncertainties of surfaces that have none of their own.
    facts
        A facial nerve entered as dehiscent or seen bare is given a bulge: where the trace found its canal open, or all
        along where it found that nowhere or nobody traced it, since nobody entered where it is bare.

    Returns
    -------
    tuple of Obstacle

    Raises
    ------
    GeometryError
        When a patch's points lie on one line.
    """
    bare = facts is not None and (facts.finding("facial_dehiscence") == "present" or facts.nerve_seen_bare == "yes")
    found = []
    for item in structures:
        if item.is_marked:
            made = _obstacle(item, settings)
            if bare and item.id == "facial_nerve" and isinstance(item, Tube):
                made = _bulging(made, item.bulges_mm, settings.dehiscence_bulge_mm)
            found.append(made)
    ring = "lateral_semicircular_canal"
    if landmarks.placed(ring) and all(item.id != ring for item in found):
        found.append(_ring_obstacle(landmarks[ring].points_lps, settings))
    return tuple(found)


def _obstacle(item: Structure, settings: Settings) -> Obstacle:
    confirmed = bool(item.confirmed_by)
    if isinstance(item, Patch):
        u = settings.patch_surface_u_mm if item.surface_u_mm is None else item.surface_u_mm
        mesh = triangulate_patch(item.points_lps)
        term = structure_term(item.id)
        return Obstacle(
            item.id, term.label, term.margin_key, term.risk_key, u, True, confirmed, None, None, mesh,
            triangle_elements(mesh.triangles_lps),
        )  # fmt: skip
    if isinstance(item, Ball):
        u = settings.patch_surface_u_mm if item.surface_u_mm is None else item.surface_u_mm
        return _tube_obstacle(item.id, item.points_lps, np.array([float(item.radius_mm or 0.0)]), u, confirmed)
    assert isinstance(item, Tube)
    default = settings.tube_surface_u_mm if confirmed else settings.unconfirmed_tube_u_mm
    u = default if item.surface_u_mm is None else item.surface_u_mm
    if not item.has_radii:
        radii = np.zeros(len(item.points))
        return _tube_obstacle(item.id, item.points_lps, radii, u, confirmed, RADIUS_FLAG, measured=False)
    flags = () if confirmed else (UNCONFIRMED_FLAG,)
    return _tube_obstacle(item.id, item.points_lps, item.radii, u, confirmed, *flags)


def _bulging(nerve: Obstacle, given_mm: tuple[float, ...], bulge_mm: float) -> Obstacle:
    """A nerve may stand out of an open canal by this much; one without radius stays as it is.

    ``given_mm`` is what its radii hold of that already, vertex by vertex.
    """
    if nerve.tube_lps is None or nerve.radii_mm is None or not nerve.measured or bulge_mm <= 0.0:
        return nerve
    given = np.array(given_mm) if any(given_mm) else np.zeros(len(nerve.radii_mm))
    bare = given > 0.0 if any(given_mm) else np.ones(len(given), np.bool_)
    radii = nerve.radii_mm + np.where(bare, np.maximum(bulge_mm - given, 0.0), 0.0)
    elements = tube_elements(nerve.tube_lps, radii)
    flag = BULGE_FLAG if any(given_mm) else BULGE_ALONG_FLAG
    return replace(nerve, radii_mm=radii, elements=elements, flags=(*nerve.flags, flag))


def _tube_obstacle(
    structure_id: str,
    tube_lps: Floats,
    radii_mm: Floats,
    surface_u_mm: float,
    confirmed: bool,
    *flags: str,
    measured: bool = True,
) -> Obstacle:
    term = structure_term(structure_id)
    return Obstacle(
        structure_id, term.label, term.margin_key, term.risk_key, surface_u_mm, measured, confirmed, tube_lps, radii_mm,
        None, tube_elements(tube_lps, radii_mm), flags,
    )  # fmt: skip


def _ring_obstacle(points: Floats, settings: Settings) -> Obstacle:
    """A closed tube through the ring's points; a periodic cubic, since chords would cut the corners of a small ring."""
    from scipy.interpolate import CubicSpline

    closed = np.vstack([points, points[:1]])
    length = np.append(0.0, np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1)))
    curve = CubicSpline(length, closed, bc_type="periodic")(np.linspace(0.0, length[-1], 49))
    radii = np.full(len(curve), CANAL_LUMEN_RADIUS_MM)
    name = "lateral_semicircular_canal"
    return _tube_obstacle(name, curve, radii, settings.unconfirmed_tube_u_mm, False, ASSUMED_RADIUS_FLAG)
