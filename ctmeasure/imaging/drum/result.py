"""What was found of a drum, and how sure each part of it is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.geometry.frames import Plane
from ctmeasure.imaging.drum.surface import Form
from ctmeasure.imaging.footplate.result import SheetThickness

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Drum:
    """A drum found in the scan.

    Parameters
    ----------
    form
        "cone" (with an apex, the umbo's place) or "shallow".
    centre_lps
        Shape (3,): middle of the medial surface; the apex of a cone.
    covariance
        Shape (3, 3): of it, mm2, LPS.
    lateral_face_lps
        Shape (3,): the outer face over it.
    annulus
        The plane that heights are measured from: through the ring as it was placed.
    medial_mm, lateral_mm, height_u_mm
        Heights of the two faces over that plane, outwards positive, and the standard uncertainty of reading them in the
        scan; the ring's own doubt is not in it.
    thickness
        Class or value, along the annulus normal.
    cone_depth_mm
        From the rim to the apex; None for a shallow drum.
    medial_seen
        False where the space behind is filled: the medial face is then taken a sheet's thickness behind the outer one.
    open_mm2
        Area over which no sheet is seen within the rim.
    flags
        What has to be said.
    """

    form: Form
    centre_lps: Floats
    covariance: Floats
    lateral_face_lps: Floats
    annulus: Plane
    medial_mm: float
    lateral_mm: float
    height_u_mm: float
    thickness: SheetThickness
    cone_depth_mm: float | None
    medial_seen: bool
    open_mm2: float
    flags: tuple[str, ...] = ()
