"""A traced tube: centre line and radius with their doubt at every sample, what was seen there, and which part it is."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.structures import Tube
from ctmeasure.errors import GeometryError
from ctmeasure.geometry.polylines import points_at

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Part = Literal["labyrinthine", "tympanic", "mastoid", "not named", "chorda"]

UNCONFIRMED_U_MM = 0.25
"""Standard uncertainty added to the centre where no person confirmed the path (our choice; 95 percent about 0.6 mm)."""
TUBE_SPACING_MM = 0.5
"""Vertices of the converted tube."""
ALLOWANCE_MM = 0.1
"""A step of the radius by more than this is an allowance, not the canal."""


@dataclass(frozen=True, slots=True, eq=False)
class SampleMarks:
    """What was seen at each sample, shape (n,) each.

    Parameters
    ----------
    open_wall
        Part of the circumference has no bony wall: dehiscent, or a branch leaves.
    no_wall
        Too little wall to fit: centre and radius come from the neighbours.
    scan_edge
        Part of the section lies outside the scan.
    metal
        Metal is near.
    off_ridge
        The route follows no dark tube here.
    """

    open_wall: Bools
    no_wall: Bools
    scan_edge: Bools
    metal: Bools
    off_ridge: Bools

    def words(self, number: int) -> tuple[str, ...]:
        """Words for one sample; none where all is well."""
        named = (
            ("open_wall", "bony wall open"),
            ("no_wall", "no wall seen"),
            ("scan_edge", "the scan ends here"),
            ("metal", "metal nearby"),
            ("off_ridge", "no canal seen"),
        )
        return tuple(words for name, words in named if getattr(self, name)[number])

    @property
    def doubtful(self) -> Bools:
        """Samples that rest on less than a closed wall in a clean scan, shape (n,)."""
        return self.open_wall | self.no_wall | self.scan_edge | self.metal | self.off_ridge


@dataclass(frozen=True, slots=True)
class Segment:
    """One named part of a tube: samples ``first`` to ``last``, its length (mm), and whether a person confirmed it.

    ``whole`` is False when an end of the segment is where clicking stopped.
    """

    part: Part
    first: int
    last: int
    length_mm: float
    whole: bool
    confirmed: bool


@dataclass(frozen=True, slots=True)
class Genu:
    """A bend between two segments: sample at its middle and inner angle (degrees) with its standard uncertainty."""

    name: Literal["first genu", "second genu"]
    sample: int
    angle_deg: float
    angle_u_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class TracedTube:
    """A traced tube; n samples about 0.25 mm apart, arrays read-only.

    Parameters
    ----------
    structure_id
        ``"facial_nerve"`` or ``"chorda_tympani"``.
    points_lps
        Shape (n, 3), LPS mm: centre line, from the clicks' first end.
    radius_mm
        Shape (n,): radius of the bony canal; the bulge allowance of open stretches is not in it.
    covariance
        Shape (n, 3, 3), mm2: of the centre, in LPS; unconfirmed segments hold the larger doubt.
    radius_u_mm
        Shape (n,): standard uncertainty of the radius.
    arc_length_mm
        Shape (n,): from the start.
    marks
        What was seen at each sample.
    segments, genua
        Parts and bends, in order.
    clicks_lps
        The clicks that were used, as placed.
    bulge_mm
        Allowance for a nerve that bulges out of an open canal.
    flags
        Of the whole tube, in words.
    """

    structure_id: str
    points_lps: Floats
    radius_mm: Floats
    covariance: Floats
    radius_u_mm: Floats
    arc_length_mm: Floats
    marks: SampleMarks
    segments: tuple[Segment, ...]
    genua: tuple[Genu, ...]
    clicks_lps: Floats
    bulge_mm: float
    flags: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        n = len(self.points_lps)
        shapes = {"points_lps": (n, 3), "radius_mm": (n,), "covariance": (n, 3, 3), "radius_u_mm": (n,)}
        for name, shape in {**shapes, "arc_length_mm": (n,)}.items():
            array = np.array(getattr(self, name), dtype=np.float64)
            if array.shape != shape or not np.isfinite(array).all():
                raise GeometryError(f"traced tube with {name} {array.shape}", expected=f"{shape}, finite")
            array.setflags(write=False)
            object.__setattr__(self, name, array)
        for item in fields(self.marks):
            getattr(self.marks, item.name).setflags(write=False)

    @property
    def length_mm(self) -> float:
        """Length of the centre line."""
        return float(self.arc_length_mm[-1])

    @property
    def centre_u_mm(self) -> Floats:
        """Largest standard uncertainty of each centre in any direction, shape (n,)."""
        return np.sqrt(np.maximum(np.linalg.eigvalsh(self.covariance)[:, -1], 0.0))

    @property
    def surface_u_mm(self) -> Floats:
        """Standard uncertainty of the tube's surface at each sample: centre and radius together, shape (n,)."""
        return np.hypot(self.centre_u_mm, self.radius_u_mm)

    @property
    def outer_radius_mm(self) -> Floats:
        """Radius to keep clear of: with the bulge allowance where the wall is open or not seen, shape (n,)."""
        return self.radius_mm + np.where(self.marks.open_wall | self.marks.no_wall, self.bulge_mm, 0.0)

    @property
    def confirmed(self) -> bool:
        """Whether a person confirmed every segment."""
        return all(segment.confirmed for segment in self.segments)

    def to_structure(self, *, confirmed_by: str = "") -> Tube:
        """The tube as a structure to keep clear of.

        Parameters
        ----------
        confirmed_by
            Who confirmed the path; stored only when every segment is confirmed.

        Returns
        -------
        Tube
            Vertices about 0.5 mm apart, radii with the bulge allowance; its surface uncertainty is the 95th percentile
            along the tube, since one number has to hold everywhere.

        Raises
        ------
        ctmeasure.errors.LandmarkError
            Never for a traced tube.
        """
        count = max(int(np.ceil(self.length_mm / TUBE_SPACING_MM)) + 1, 2)
        at = np.linspace(0.0, self.length_mm, count)
        places = points_at(self.points_lps, at)
        # Between vertices the widest sample counts, so that a short open stretch is not stepped over.
        radii = np.interp(at, self.arc_length_mm, _widened(self.outer_radius_mm))
        bulges = np.interp(at, self.arc_length_mm, _widened(self.outer_radius_mm - self.radius_mm))
        return Tube(
            self.structure_id,
            "partial" if any(flag.startswith("partial") for flag in self.flags) else "placed",
            tuple((float(x), float(y), float(z)) for x, y, z in places),
            surface_u_mm=float(np.percentile(self.surface_u_mm, 95.0)),
            confirmed_by=confirmed_by if self.confirmed else "",
            radii_mm=tuple(float(r) for r in radii),
            bulges_mm=tuple(map(float, bulges)),
        )


def _widened(radii: Floats) -> Floats:
    """Each sample as wide as the wider of its neighbours where one of them steps up by an allowance."""
    padded = np.pad(radii, 1, mode="edge")
    around = np.maximum(np.maximum(padded[:-2], padded[2:]), radii)
    return np.where(around - radii > ALLOWANCE_MM, around, radii)
