"""Which measurands a scan supports, at what expected uncertainty, and which it does not."""

from __future__ import annotations

import math
from dataclasses import dataclass

PLACEMENT_MM = 0.3
"""Standard uncertainty of a placed point per axis when nothing better is known (our own choice, as in the settings)."""

EDGE_U_MM = 0.05
"""Standard uncertainty of an air-bone edge, upper end of 0.02 to 0.05 mm (our own budget)."""

LINING_U_MM = 0.075
"""Standard uncertainty from skin on the bone, middle of 0.05 to 0.10 mm (our own budget)."""

SURFACE_U_MM = 0.25
"""Standard uncertainty of a facial-canal wall across its axis (our own budget)."""

CANAL_BASE_MM = 7.0
"""Distance between the two points of the canal axis, 6 to 8 mm by its definition."""

RING_POINTS = 8
"""Least number of points of a rim that fixes a plane."""

CORTICAL_SHARE = 0.10
"""Relative error of the cortical value that a thin wall is fitted with (upper end of 5 to 10 percent)."""

THIN_SHARE = 0.20
"""Relative error of a fitted thickness below the point spread (Treece 2012: about 20 percent at 0.5 mm)."""

UNRESOLVED_FWHM = 0.3
"""Below this share of the point spread a wall is there, but its thickness is not resolved."""

NORMAL_QUANTILE_055 = 0.12566134685507402
"""Quantile of the standard normal distribution at 0.55, that is (1 + CORTICAL_SHARE) / 2."""

KINDS: dict[str, tuple[str, ...]] = {
    "lengths between two points": (
        "annulus_to_footplate",
        "drum_to_promontory",
        "drum_to_footplate",
        "umbo_to_footplate",
        "handle_to_footplate",
        "handle_to_stapes_head",
        "drum_to_stapes_head",
        "incus_to_footplate",
        "malleus_neck_to_stapes_head",
        "malleus_neck_to_footplate",
        "stapes_height",
        "handle_to_promontory",
        "footplate_length",
        "footplate_width",
        "hole_span",
        "bone_bridge",
        "facial_recess_width",
        "sinus_tympani_depth",
        "tegmen_height",
    ),
    "distances from the rim": (
        "drum_lateralisation",
        "handle_medialisation",
        "annulus_diameter_max",
        "annulus_diameter_min",
    ),
    "angles": ("annulus_to_canal_angle", "prosthesis_axis_tilt"),
    "distances to marked canals": (
        "footplate_to_facial_nerve",
        "annulus_to_facial_nerve",
        "annulus_to_chorda",
        "oval_window_niche_height",
        "niche_depth",
        "facial_overhang",
    ),
    "widths of the air-filled canal": ("canal_diameter_max", "canal_diameter_min", "canal_overhang"),
    "bone and sheet thickness": ("wall_thickness", "drum_thickness", "anterior_blunting"),
    "drill plan": ("clearance",),
    "an old prosthesis": (
        "old_prosthesis_length",
        "old_prosthesis_head_diameter",
        "old_prosthesis_shaft_diameter",
        "old_prosthesis_tilt",
        "old_prosthesis_to_footplate",
        "old_prosthesis_to_drum",
    ),
}
"""Measurands by what limits them."""


@dataclass(frozen=True, slots=True)
class Support:
    """One kind of measurand on one scan.

    Parameters
    ----------
    kind
        A key of `KINDS`.
    measurands
        Their ids.
    supported
        Whether the scan allows them at all.
    expected_u
        Standard uncertainty to expect with points placed once, in `unit`; None when not supported or when the marks
        decide.
    unit
        ``"mm"`` or ``"deg"``.
    remark
        What limits it, or why it is not supported.
    """

    kind: str
    measurands: tuple[str, ...]
    supported: bool
    expected_u: float | None
    unit: str = "mm"
    remark: str = ""

    @property
    def words(self) -> str:
        """One sentence; what is not supported says so first."""
        if not self.supported:
            return f"{self.kind}: not supported ({self.remark})"
        expected = "" if self.expected_u is None else f", expected u {self.expected_u:.2g} {self.unit}"
        return f"{self.kind}: supported{expected}" + (f" ({self.remark})" if self.remark else "")


def supports_of(
    spacing_mm: tuple[float, float, float],
    *,
    point_spread_mm: tuple[float, float] | None,
    thickest_slice_mm: float,
    calibrated: bool,
) -> tuple[Support, ...]:
    """Say for each kind of measurand what this scan can give.

    Parameters
    ----------
    spacing_mm
        Slice, row and column spacing.
    point_spread_mm
        Full widths at half maximum in plane and through plane; None when not estimable.
    thickest_slice_mm
        Largest slice spacing at which thickness below 1 mm and a drill plan are given.
    calibrated
        Whether values are HU.

    Returns
    -------
    tuple of Support
        One for each key of `KINDS`, in that order.

    Raises
    ------
    ValueError
        Never.

    Notes
    -----
    A forecast from the grid and the point spread, for points placed once by one reader; each result carries its own
    budget, which counts. A voxel adds its rectangular term, spacing / sqrt(12) (JCGM 100, 4.3.7).

    Example
    -------
    >>> fine = supports_of((0.3, 0.2, 0.2), point_spread_mm=(0.5, 0.6), thickest_slice_mm=0.7, calibrated=True)
    >>> fine[0].words
    'lengths between two points: supported, expected u 0.44 mm'
    """
    voxel = max(spacing_mm) / math.sqrt(12.0)
    point = math.hypot(PLACEMENT_MM, voxel)
    thick = spacing_mm[0] > thickest_slice_mm
    said = {
        "lengths between two points": (True, math.sqrt(2.0) * point, "mm", ""),
        "distances from the rim": (True, point * math.sqrt(1.0 + 1.0 / RING_POINTS), "mm", ""),
        "angles": (True, math.degrees(math.sqrt(2.0) * point / CANAL_BASE_MM), "deg", "to the canal axis"),
        "distances to marked canals": (True, math.hypot(point, SURFACE_U_MM), "mm", "canal wall confirmed"),
        "widths of the air-filled canal": _widths(point_spread_mm),
        "bone and sheet thickness": _thickness(point_spread_mm, thick, calibrated),
        "drill plan": _drill_plan(point_spread_mm, thick, spacing_mm[0]),
        "an old prosthesis": (True, None, "mm", "each carries its own; what lies within 3 mm of metal is flagged"),
    }
    return tuple(Support(kind, measurands, *said[kind]) for kind, measurands in KINDS.items())


Said = tuple[bool, float | None, str, str]


def _widths(spread: tuple[float, float] | None) -> Said:
    if spread is None:
        return (False, None, "mm", "the point spread is not estimable, so edges are not placed")
    return (True, math.sqrt(2.0) * math.hypot(EDGE_U_MM, LINING_U_MM), "mm", "where lined by skin or air")


def _thickness(spread: tuple[float, float] | None, thick: bool, calibrated: bool) -> Said:
    drum = "" if calibrated else "; drum thickness not, since values are not calibrated"
    if thick:
        return (False, None, "mm", "slices too far apart: nothing below 1 mm" + drum)
    if spread is None:
        return (False, None, "mm", "the point spread is not estimable: nothing below 1 mm" + drum)
    widest = max(spread)
    sigma = widest / (2.0 * math.sqrt(2.0 * math.log(2.0)))
    # Both edges of a wall fitted with a cortical value that is wrong by CORTICAL_SHARE (closed form, thick limit).
    u = math.hypot(2.0 * math.sqrt(2.0) * sigma * NORMAL_QUANTILE_055, math.sqrt(2.0) * EDGE_U_MM)
    remark = (
        f"from {widest:.2f} mm up; below that {100 * THIN_SHARE:.0f} percent and model-dependent; "
        f"below {UNRESOLVED_FWHM * widest:.2f} mm there but not resolved{drum}"
    )
    return (True, u, "mm", remark)


def _drill_plan(spread: tuple[float, float] | None, thick: bool, slice_mm: float) -> Said:
    if thick:
        return (False, None, "mm", f"slices {slice_mm:.2f} mm apart")
    if spread is None:
        return (True, None, "mm", "with an assumed point spread, flagged")
    return (True, None, "mm", "the uncertainty of each clearance comes from its own draws")
