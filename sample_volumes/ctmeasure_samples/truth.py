"""The truth of one placed ear in LPS: landmarks, structures, measurands, walls along rays, material at a point."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from ctmeasure_samples.landmarks import TruePoint, true_landmarks
from ctmeasure_samples.measurands import Key, true_measurands
from ctmeasure_samples.model import EarModel, WallReading
from ctmeasure_samples.placement import Placement
from ctmeasure_samples.structures import TrueStructure, true_structures

# Tables and truth files keep a tenth of a micrometre.
DECIMALS = 4


@dataclass(frozen=True, eq=False)
class EarTruth:
    """Everything that is true of one ear, in the patient frame.

    Attributes
    ----------
    ear
        The ear in its own frame.
    placement
        Side and pose.

    Example
    -------
    >>> from ctmeasure_samples.model import build_ear
    >>> from ctmeasure_samples.parameters import EarParameters, HeadParameters
    >>> from ctmeasure_samples.placement import place_ear
    >>> truth = EarTruth(build_ear(EarParameters()), place_ear(HeadParameters(), "left"))
    >>> truth.landmarks["umbo"].points.shape
    (1, 3)
    """

    ear: EarModel
    placement: Placement

    @property
    def side(self) -> str:
        """left or right."""
        return self.placement.side

    @cached_property
    def landmarks(self) -> dict[str, TruePoint]:
        """Every landmark by id, points in LPS mm."""
        marks = true_landmarks(self.ear.layout)
        return {n: TruePoint(n, m.status, self.placement.to_lps(m.points), m.ring) for n, m in marks.items()}

    @cached_property
    def _structures_ear(self) -> dict[str, TrueStructure]:
        return true_structures(self.ear)

    @cached_property
    def structures(self) -> dict[str, TrueStructure]:
        """Every structure by id, points in LPS mm."""
        return {
            n: TrueStructure(n, s.shape, s.status, self.placement.to_lps(s.points), s.radii)
            for n, s in self._structures_ear.items()
        }

    @cached_property
    def measurands(self) -> dict[Key, float]:
        """Every measurand that exists, by (id, qualifier)."""
        return true_measurands(self.ear, true_landmarks(self.ear.layout), self._structures_ear)

    @property
    def superior_lps(self) -> np.ndarray:
        """True superior direction: normal of the lateral-semicircular-canal plane of an untilted ear."""
        return self.placement.directions_to_lps(np.array([0.0, 0.0, 1.0]))

    def wall_thickness_along(self, points_lps: np.ndarray, directions_lps: np.ndarray) -> list[WallReading]:
        """True wall along rays, from the shapes.

        Parameters
        ----------
        points_lps
            (n, 3) points on the bony canal wall.
        directions_lps
            (n, 3) directions into the bone, any length but zero.

        Returns
        -------
        list of WallReading
            One per ray, surfaces right to a micrometre.

        Raises
        ------
        ValueError
            When the two arrays do not match.
        """
        points = self.placement.from_lps(np.atleast_2d(points_lps))
        directions = self.placement.directions_from_lps(np.atleast_2d(directions_lps))
        return [self.ear.wall_along(p, d) for p, d in zip(points, directions, strict=True)]

    def material_at(self, points_lps: np.ndarray) -> list[str]:
        """Name of the painted element at each point (n, 3); "outside" in open air."""
        found = self.ear.at(self.placement.from_lps(np.atleast_2d(points_lps)))
        return ["outside" if e is None else e.name for e in found]

    def space_at(self, points_lps: np.ndarray) -> list[str]:
        """Space in the words of the trade at each point (n, 3): "bone", "attic", "ear canal", ..."""
        found = self.ear.at(self.placement.from_lps(np.atleast_2d(points_lps)))
        return ["outside" if e is None else e.space for e in found]

    def wall_point_lps(self, wall_angle_deg: float, rim_distance_mm: float) -> np.ndarray:
        """Point of the bony canal wall at a wall angle and a distance along the wall out from the rim."""
        return self.placement.to_lps(self.ear.layout.wall_point(wall_angle_deg, rim_distance_mm))

    def wall_normal_lps(self, wall_angle_deg: float) -> np.ndarray:
        """Direction straight out from the canal axis at a wall angle."""
        return self.placement.directions_to_lps(self.ear.layout.radial(wall_angle_deg))

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain numbers and words, for a JSON file."""
        return {
            "side": self.side,
            "tf_lps_ear": np.round(self.placement.tf_lps_ear, 9).tolist(),
            "landmarks": {
                n: {"status": m.status, "points_lps": np.round(m.points, DECIMALS).tolist()}
                for n, m in sorted(self.landmarks.items())
            },
            "structures": {
                n: {
                    "status": s.status,
                    "shape": s.shape,
                    "points_lps": np.round(s.points, DECIMALS).tolist(),
                    "radii_mm": np.round(s.radii, DECIMALS).tolist() if s.shape != "patch" else [],
                }
                for n, s in sorted(self.structures.items())
            },
            "measurands": [
                {"id": k, "qualifier": q, "value": round(v, DECIMALS)} for (k, q), v in sorted(self.measurands.items())
            ],
        }
