"""The scan straightened along a marked tube of a case: what a person follows to confirm it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.structures import Tube
from ctmeasure.anatomy.vocabulary import structure_term
from ctmeasure.case.model import Case
from ctmeasure.errors import LandmarkError
from ctmeasure.volume.volume import Volume

if TYPE_CHECKING:
    from ctmeasure.imaging.tubes.curved import CurvedPicture

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True)
class Course:
    """The course of a tube: points (n, 3) LPS mm, radius (n,) mm (NaN where not measured), arc length (n,) mm."""

    points_lps: Floats
    radius_mm: Floats
    arc_length_mm: Floats
    segments: tuple[()] = ()

    @property
    def length_mm(self) -> float:
        """From the first point to the last."""
        return float(self.arc_length_mm[-1])


def along_tube(case: Case, volume: Volume, structure_id: str, *, turn_deg: float = 0.0) -> CurvedPicture:
    """Straighten the scan along a marked tube.

    Parameters
    ----------
    case
        With the tube marked; as traced when it was traced, else through its clicks.
    volume
        Its scan.
    structure_id
        Which tube.
    turn_deg
        Turns the picture about the tube.

    Returns
    -------
    CurvedPicture

    Raises
    ------
    ctmeasure.errors.LandmarkError
        When it is not marked, by two points or more.
    """
    from ctmeasure.geometry.polylines import arc_lengths_mm
    from ctmeasure.imaging.tubes.curved import curved_picture

    tube = next((s for s in case.structures_in_plan if s.id == structure_id), None)
    if not isinstance(tube, Tube) or len(tube.points) < 2:
        label = structure_term(structure_id).label
        raise LandmarkError(
            f"the {label} is not marked", expected="two clicks along it or more", action="mark it first"
        )
    points = np.asarray(tube.points_lps, dtype=np.float64)
    radii = np.array([np.nan if r is None else r for r in tube.radii_mm or (None,) * len(points)], dtype=np.float64)
    course = Course(points, radii, arc_lengths_mm(points))
    return curved_picture(volume, course, turn_deg=turn_deg)
