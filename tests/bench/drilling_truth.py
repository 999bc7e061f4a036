"""What the drilling campaign asks of the shapes: marks with errors, hands that drill, brute-force gaps and access."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from blocks import triples, true_structures
from ctmeasure_samples.truth import EarTruth

from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.structures import Ball, Patch, Structure, Tube
from ctmeasure.imaging.tubes.structure import trace_structure
from ctmeasure.planning.drilling.envelope import over_travel_mm
from ctmeasure.planning.drilling.places import Places
from ctmeasure.planning.drilling.scene import Scene
from ctmeasure.planning.drilling.structures import Obstacle, obstacles
from ctmeasure.planning.settings import Settings
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume

CLICKS = 6
INSIDE_MM = 2.5
"""Clicks on a tube keep this far from the edge of the block."""
RADIUS_SHARE = 0.5
ABOVE_MM = 1.5
"""A hand that starts this far off the true wall finds no bone there: such a hand is left out."""


def marked(
    truth: EarTruth, volume: Volume, fitness: ScanFitness, *, settings: Settings, click_noise_mm: float, rng: Any
) -> tuple[Structure, ...]:
    """Structures as a person marks them: tubes clicked and traced, patches and balls off by the stated uncertainty."""
    found: list[Structure] = []
    for name, item in truth.structures.items():
        if item.status != "placed" or not len(item.points):
            continue
        if name in ("facial_nerve", "chorda_tympani"):
            inside = item.points[volume.geometry.contains_lps(item.points, margin_mm=-INSIDE_MM)]
            if len(inside) < 2:
                continue
            picks = inside[np.round(np.linspace(0, len(inside) - 1, CLICKS)).astype(int)]
            clicks = triples(picks + click_noise_mm * rng.standard_normal(picks.shape))
            tube = Tube(name, "placed", clicks, None, "campaign", (None,) * len(clicks))
            found.append(trace_structure(volume, fitness, tube, truth.side).structure)  # type: ignore[arg-type]
            continue
        u = settings.tube_surface_u_mm if item.shape == "tube" else settings.patch_surface_u_mm
        moved = item.points + u * math.sqrt(1.0 - RADIUS_SHARE**2) * rng.standard_normal(3)
        wider = u * RADIUS_SHARE * rng.standard_normal()
        if item.shape == "tube":
            radii = tuple(float(max(r + wider, 0.05)) for r in item.radii)
            found.append(Tube(name, "placed", triples(moved), None, "campaign", radii))
        elif item.shape == "patch":
            found.append(Patch(name, "placed", triples(moved), None, "campaign"))
        else:
            radius = float(max(np.ravel(item.radii)[0] + wider, 0.05))
            found.append(Ball(name, "placed", triples(moved), None, "campaign", radius))
    return tuple(found)


def true_obstacles(truth: EarTruth, scene: Scene) -> dict[str, Obstacle]:
    """The same structures as they are."""
    exact = true_structures(truth, "truth")
    return {o.id: o for o in obstacles(exact, landmarks=LandmarkSet(), settings=scene.settings)}


def simulated_hands(
    truth: EarTruth, scene: Scene, places: Places, row: int, theirs: Obstacle, hands: int, rng: Any
) -> np.ndarray:
    """What simulated hands at one place leave to a true structure; NaN where a hand finds no bone or no exit.

    Shape (hands, 3): drilled to the true exit and over, mm; no farther than the sheet says, mm; travel beyond that, mm.
    """
    settings, bores = scene.settings, places.bores
    z = rng.standard_normal((hands, 5))
    sd = bores.sd[row]
    start = (
        bores.entry[row]
        + settings.hole_placement_u_mm * (z[:, :1] * bores.along[row] + z[:, 1:2] * bores.around[row])
        + sd[2] * z[:, 2:3] * bores.downhill[row]
    )
    lean = math.radians(settings.drill_angle_u_deg)
    direction = bores.direction[row] + lean * (z[:, 3:4] * bores.tilt_a[row] + z[:, 4:5] * bores.tilt_b[row])
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    start, there = on_true_wall(truth, start, bores.normal[row])
    over = float(over_travel_mm(places.angle_to_normal_deg[row], settings))
    exits = np.array([reading.to_exit_mm for reading in truth.wall_thickness_along(start, direction)])
    travel = np.where(np.isfinite(exits) & (exits < settings.arm_length_mm), exits, np.nan) + over
    known = there & np.isfinite(travel)
    found = np.full((hands, 3), np.nan)
    if known.any():
        sheet = np.minimum(travel, float(places.drill_depth_mm[row]))
        for column, depth in enumerate((travel, sheet)):
            ends = start[known] + depth[known, None] * direction[known]
            found[known, column] = theirs.gap_mm(start[known], ends, bur_radius_mm=settings.bur_radius_mm)
        found[known, 2] = (travel - float(places.drill_depth_mm[row]))[known]
    return found


def on_true_wall(truth: EarTruth, points: np.ndarray, normal: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Points moved along a normal onto the true bone, and whether there is bone within reach."""
    at = truth.placement.from_lps(points)
    along = truth.placement.directions_from_lps(normal[None])[0]
    moved, there = points.copy(), np.zeros(len(points), bool)
    for n, p in enumerate(at):
        best, before = np.inf, None
        for element, begin, _ in truth.ear.runs(p - ABOVE_MM * along, along, 2.0 * ABOVE_MM):
            bone = element is not None and element.is_bone
            if bone and before is False and abs(begin - ABOVE_MM) < abs(best):
                best = begin - ABOVE_MM
            before = bone
        if np.isfinite(best):
            moved[n], there[n] = points[n] + best * normal, True
    return moved, there


def brute_gap(p: np.ndarray, q: np.ndarray, item: Any, bur_mm: float) -> float:
    """Clearance of one bore by a search in steps over bore and shape, refined three times around the nearest."""
    if item.shape == "patch":
        return _brute_patch(p, q, item.points) - bur_mm
    points, radii = np.atleast_2d(item.points), np.broadcast_to(np.ravel(item.radii), len(np.atleast_2d(item.points)))
    last = max(len(points) - 1, 0)
    low, high, from_s, to_s, best = 0.0, float(last), 0.0, 1.0, np.inf
    for _ in range(4):
        u, s = np.linspace(low, high, 401), np.linspace(from_s, to_s, 101)
        k = np.clip(u.astype(int), 0, max(last - 1, 0))
        f = (u - k)[:, None]
        nxt = np.minimum(k + 1, last)
        centre, radius = points[k] + f * (points[nxt] - points[k]), radii[k] + f[:, 0] * (radii[nxt] - radii[k])
        bore = p + s[:, None] * (q - p)
        gap = np.linalg.norm(centre[:, None] - bore[None], axis=2) - radius[:, None]
        i, j = np.unravel_index(np.argmin(gap), gap.shape)
        best = min(best, float(gap[i, j]))
        du, ds = (high - low) / 200.0, (to_s - from_s) / 50.0
        low, high = max(u[i] - du, 0.0), min(u[i] + du, float(last))
        from_s, to_s = max(s[j] - ds, 0.0), min(s[j] + ds, 1.0)
    return best - bur_mm


def _brute_patch(p: np.ndarray, q: np.ndarray, points: np.ndarray) -> float:
    """Least distance of a segment from the triangles through points, by steps over bore and triangle, refined."""
    from ctmeasure.geometry.patches import triangulate_patch

    triangles = triangulate_patch(points).triangles_lps
    centre = triangles.mean(axis=1)
    reach = np.linalg.norm(triangles - centre[:, None], axis=2).max(axis=1)
    bore = p + np.linspace(0.0, 1.0, 101)[:, None] * (q - p)
    away = np.linalg.norm(centre[:, None] - bore[None], axis=2).min(axis=1)
    near = np.flatnonzero(away - reach <= (away + reach).min() + 0.1)
    best = np.inf
    for triangle in triangles[near]:
        low, high = np.zeros(3), np.ones(3)
        for _ in range(5):
            a, b, s = (
                g.ravel() for g in np.meshgrid(*(np.linspace(low[k], high[k], 17) for k in range(3)), indexing="ij")
            )
            # Beyond the slanted side of the unit square the point is drawn back onto it.
            total = np.maximum(a + b, 1.0)
            u, v = (a / total)[:, None], (b / total)[:, None]
            surface = triangle[0] + u * (triangle[1] - triangle[0]) + v * (triangle[2] - triangle[0])
            gap = np.linalg.norm(surface - p - s[:, None] * (q - p), axis=1)
            n = int(np.argmin(gap))
            best = min(best, float(gap[n]))
            middle, step = np.array([a[n] / total[n], b[n] / total[n], s[n]]), (high - low) / 8.0
            low, high = np.clip(middle - step, 0.0, 1.0), np.clip(middle + step, 0.0, 1.0)
    return best
