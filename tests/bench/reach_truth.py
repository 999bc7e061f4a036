"""Access against the true shapes: every pose of a dense set in a field of distances to true bone.

The field stands on a grid of 0.2 mm and is read between its nodes, right to about 0.05 mm; poses that fit or fail by
less are the border. Bone beyond the last mapped ring of the canal is not counted, as the plan does not speak of it.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from ctmeasure_samples.truth import EarTruth

from ctmeasure.planning.drilling.directions import Access, best_directions, largest_tilt_deg
from ctmeasure.planning.drilling.scene import Scene
from ctmeasure.planning.settings import Settings

STEP_MM = 0.2
BEYOND_MM = 1.4
STEEPEST_DEG = 88.0
CHECKED_MM = 14.0
FAR_MM = 3.0
TURNS, SHARES, AROUND = 48, 6, 24
POSES_AT_ONCE = 2000
INSTRUMENTS = (
    {},
    {"instrument_bend_deg": 0.0},
    {"instrument_shaft_diameter_mm": 4.0, "instrument_tip_length_mm": 4.0},
    {"instrument_tip_length_mm": 8.0, "instrument_bend_deg": 75.0},
    {"instrument_shaft_diameter_mm": 3.0, "instrument_tip_length_mm": 5.0, "instrument_bend_deg": 30.0},
)
"""What is asked besides the default: a straight bur, shafts as thick as if the canal were narrow, a long bent tip."""


def reach_rows(truth: EarTruth, scene: Scene, cells: np.ndarray, rng) -> np.ndarray:  # type: ignore[no-untyped-def]
    """Called (1 yes, 0 no, NaN not assessed), most room any pose has, room of the chosen pose, instrument; (n, 4)."""
    points, normals = scene.wall.points_lps.reshape(-1, 3)[cells], scene.wall.normals_lps.reshape(-1, 3)[cells]
    room = _TrueRoom(truth, scene)
    which = rng.integers(0, len(INSTRUMENTS), len(cells))
    found = np.full((len(cells), 4), np.nan)
    for number, changes in enumerate(INSTRUMENTS):
        rows = np.flatnonzero(which == number)
        settings: Settings = replace(scene.settings, **changes)  # type: ignore[arg-type]
        access = best_directions(scene.lumen, points[rows], normal_lps=normals[rows], settings=settings)
        for n, row in enumerate(rows):
            called = {1: 1.0, 0: 0.0}.get(int(access.reachable[n]), np.nan)
            most = room.most(points[row], normals[row], settings)
            chosen = room.of(access, n, points[row], normals[row], settings) if called == 1.0 else np.nan
            found[row] = called, most, chosen, number
    return found


class _TrueRoom:
    """Distances to true bone around a canal."""

    def __init__(self, truth: EarTruth, scene: Scene) -> None:
        from scipy.ndimage import distance_transform_edt

        self.canal = scene.canal
        surface = scene.wall.surface
        side = float(np.nanmax(surface.radius_mm)) + BEYOND_MM
        count = math.ceil(side / STEP_MM)
        across = STEP_MM * np.arange(-count, count + 1)
        first, last = float(surface.depths_mm[0]) - BEYOND_MM, float(surface.depths_mm[-1])
        along = np.arange(first, last + BEYOND_MM, STEP_MM)
        nodes = np.stack(np.meshgrid(across, across, along, indexing="ij"), axis=-1)
        elements = truth.ear.at(truth.placement.from_lps(self.canal.frame.to_lps(nodes.reshape(-1, 3))))
        bone = np.array([e is not None and e.is_bone for e in elements]).reshape(nodes.shape[:3])
        bone[:, :, along > last] = False
        # Half a step each: the face lies between the node inside and the one outside.
        out, inside = distance_transform_edt(~bone), distance_transform_edt(bone)
        self.field = STEP_MM * np.where(bone, 0.5 - inside, out - 0.5)
        self.origin = nodes[0, 0, 0]

    def at(self, points: np.ndarray) -> np.ndarray:
        """Distance to bone at points of the canal frame, (..., 3); much room beyond the last ring, bone beside."""
        from scipy.ndimage import map_coordinates

        where = (points.reshape(-1, 3) - self.origin) / STEP_MM
        found = map_coordinates(self.field, where.T, order=1, mode="nearest")
        found = np.where(where[:, 2] > self.field.shape[2] - 1, FAR_MM, found)
        return np.asarray(found.reshape(points.shape[:-1]))

    def least(
        self, entry: np.ndarray, normal: np.ndarray, tip: np.ndarray, shaft: np.ndarray, settings: Settings
    ) -> np.ndarray:
        """Least room of shank and shaft over their radii, pose by pose, (m,); all in the canal frame."""
        shank, thick = settings.instrument_tip_shank_diameter_mm / 2.0, settings.instrument_shaft_diameter_mm / 2.0
        length = settings.instrument_tip_length_mm
        start = np.minimum(1.5 * shank / np.maximum(tip @ normal, 0.05) + 0.2, length)
        share = np.linspace(0.0, 1.0, 24)
        back = start[:, None] + share * (length - start)[:, None]
        along_tip = entry - back[:, :, None] * tip[:, None]
        along_shaft = (entry - length * tip)[:, None] + np.arange(0.0, CHECKED_MM, 0.25)[:, None] * shaft[:, None]
        return np.minimum(
            self.at(along_tip).min(axis=1) - shank, self.at(along_shaft).min(axis=1) - thick
        )  # fmt: skip

    def most(self, entry_lps: np.ndarray, normal_lps: np.ndarray, settings: Settings) -> float:
        """The most room that any pose has, mm; negative when none fits."""
        axes = self.canal.frame.axes_lps
        entry, normal = self.canal.frame.from_lps(entry_lps), axes @ normal_lps
        tilt, bend = math.radians(largest_tilt_deg(settings)), math.radians(settings.instrument_bend_deg)
        side = np.array([normal[0], normal[1], 0.0]) / np.hypot(normal[0], normal[1])
        up = np.array([0.0, 0.0, 1.0])
        turn = 2.0 * np.pi * np.arange(AROUND) / AROUND
        off = np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * np.cross(up, side)
        lean = tilt * np.arange(1, SHARES + 1) / SHARES
        shafts = np.cos(lean)[:, None, None] * up + np.sin(lean)[:, None, None] * off
        shafts = np.concatenate([up[None], shafts.reshape(-1, 3)])
        first = side - (shafts @ side)[:, None] * shafts
        first /= np.linalg.norm(first, axis=1, keepdims=True)
        second = np.cross(shafts, first)
        t = 2.0 * np.pi * np.arange(TURNS) / TURNS
        around = np.cos(t)[:, None] * first[:, None] + np.sin(t)[:, None] * second[:, None]
        tips = (-math.cos(bend) * shafts[:, None] + math.sin(bend) * around).reshape(-1, 3)
        shafts = np.repeat(shafts, TURNS, axis=0)
        asked = tips @ normal >= math.cos(math.radians(STEEPEST_DEG))
        tips, shafts = tips[asked], shafts[asked]
        best = -FAR_MM
        for n in range(0, len(tips), POSES_AT_ONCE):
            some = slice(n, n + POSES_AT_ONCE)
            best = max(best, float(self.least(entry, normal, tips[some], shafts[some], settings).max()))
        return best

    def of(
        self, access: Access, n: int, entry_lps: np.ndarray, normal_lps: np.ndarray, settings: Settings
    ) -> float:  # fmt: skip
        """The room of the chosen pose, mm; negative where it lies in true bone."""
        axes = self.canal.frame.axes_lps
        tip, shaft = axes @ access.direction_lps[n], axes @ access.shaft_lps[n]
        entry = self.canal.frame.from_lps(entry_lps)
        return float(self.least(entry, axes @ normal_lps, tip[None], shaft[None], settings)[0])
