"""What was found of a footplate, and how sure each part of it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.geometry.frames import Plane

Floats = NDArray[np.float64]

SheetState = Literal["below resolution", "model dependent", "resolved"]
Content = Literal["air", "soft tissue or fluid"]


@dataclass(frozen=True, slots=True)
class SheetThickness:
    """Thickness of a sheet: its state, the value where one can be given, and how thick it is at most (95 %).

    Below resolution means that the sheet is there and thinner than can be read; it never means that it is absent.
    """

    state: SheetState
    value_mm: float | None
    u_mm: float | None
    at_most_mm: float

    @property
    def words(self) -> str:
        """One phrase; a number never without its uncertainty."""
        if self.value_mm is None or self.u_mm is None:
            return f"{self.state} (present, at most {self.at_most_mm:.2f} mm)"
        return f"{self.value_mm:.2f} mm (u {self.u_mm:.2f}, {self.state})"


@dataclass(frozen=True, slots=True, eq=False)
class Footplate:
    """A footplate found in the scan.

    Parameters
    ----------
    centre_lps
        Shape (3,): middle of its tympanic surface.
    axes_lps
        Shape (3, 3): rows long axis (backwards), short axis (upwards), normal into the middle ear.
    covariance
        Shape (3, 3): of the centre, mm2, LPS.
    tilt_u_rad
        Shape (2,): standard uncertainties of the normal's turn towards the long and the short axis.
    half_axes_mm, half_axes_u_mm
        Shape (2,): half length and half width of the outline, and their standard uncertainties.
    thickness
        Class or value.
    niche
        What lies in front of it.
    moved_mm
        From the click to the centre.
    misfit
        Root mean square misfit as a share of the step from air to bone.
    bone
        Level of the bone around, in the scan's unit.
    content_level
        Level in the niche.
    flags
        What has to be said.

    Notes
    -----
    The outline lies midway between the end of the niche's floor and the edge of the vestibular window: the plate sits
    in the ring between them, which the scan does not show apart from the plate.
    """

    centre_lps: Floats
    axes_lps: Floats
    covariance: Floats
    tilt_u_rad: Floats
    half_axes_mm: Floats
    half_axes_u_mm: Floats
    thickness: SheetThickness
    niche: Content
    moved_mm: float
    misfit: float
    bone: float
    content_level: float
    flags: tuple[str, ...] = ()

    @property
    def normal_lps(self) -> Floats:
        """Unit normal into the middle ear."""
        return self.axes_lps[2]

    @property
    def plane(self) -> Plane:
        """Plane of the tympanic surface, normal into the middle ear."""
        return Plane(self.centre_lps, self.normal_lps)

    @property
    def normal_u_deg(self) -> float:
        """Root mean square of the angle between the found normal and the true one, degrees."""
        return float(np.degrees(np.sqrt((self.tilt_u_rad**2).sum())))

    def outline_lps(self, count: int = 48) -> Floats:
        """Outline of the plate, shape (count, 3), from its posterior end upwards."""
        turn = np.linspace(0.0, 2.0 * np.pi, count, endpoint=False)[:, None]
        a, b = self.half_axes_mm
        return self.centre_lps + a * np.cos(turn) * self.axes_lps[0] + b * np.sin(turn) * self.axes_lps[1]

    def rim_points_lps(self) -> dict[str, PointLps]:
        """Ends of the two axes under the landmarks' ids, as suggestions."""
        ends = {"posterior": (0, 1.0), "anterior": (0, -1.0), "superior": (1, 1.0), "inferior": (1, -1.0)}
        found = {}
        for name, (axis, way) in ends.items():
            p = self.centre_lps + way * self.half_axes_mm[axis] * self.axes_lps[axis]
            found[f"footplate_{name}"] = (float(p[0]), float(p[1]), float(p[2]))
        return found
