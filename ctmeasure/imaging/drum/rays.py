"""Rays along the canal through the drum: where each meets a sheet, how much of it, and what lies behind."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.geometry.fits import fit_plane
from ctmeasure.geometry.frames import Plane
from ctmeasure.volume.sampling import sample
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

GRID_MM = 0.3
STEP_MM = 0.08
LATERAL_MM, MEDIAL_MM = 7.0, 4.5
"""Rays run from this far outside the annulus plane to this far inside it."""
CANAL_MM = (3.8, 5.6)
"""Here, outside the most lateralised drum, a ray must run in air; farther out the canal may narrow."""
USED_OF_RIM = 0.88
"""Rays beyond this share of the rim's radius graze the wall."""
SMOOTH_CELLS = 0.8
"""Neighbouring rays are averaged (Gaussian, cells) to find the sheet; its place is then read from that average."""
AIR_SHARE = 0.35
"""Less tissue than this share counts as air in front of the drum."""
SEEN_SHARE = 0.11
"""A first rise above this share of soft tissue is the drum: three to four times the averaged noise of a usual scan."""
BONE_SHARE = 1.25
"""More than soft tissue by this factor: an ossicle or metal in the sheet."""
REACH_MM = 0.8
"""Tissue is summed this far before and behind the sheet's peak, less where it rises again."""
FILLED_MM = 2.2
"""A rise that does not fall within this distance is no sheet: the space behind is filled."""

FALLS_TO = 0.3
"""Behind a sheet the tissue falls to under this share of its peak, else something lies against it."""

NO_SHEET, SHEET, FILLED, OSSICLE = range(4)


@dataclass(frozen=True, slots=True, eq=False)
class DrumRays:
    """Rays over the drum on a grid in the annulus plane; arrays of shape (rows, columns).

    Parameters
    ----------
    plane
        Annulus plane, normal outwards, through the ring's centre.
    axes_lps
        Shape (2, 3): backwards and upwards in that plane.
    half_axes_mm
        Half width and half height of the ring along them.
    axis_lps
        Direction of the rays: outwards along the canal.
    across_mm
        Shape (rows, columns, 2): where each ray crosses the plane.
    used
        Within the rim, clear of the wall, and inside the scan.
    blocked
        Rays that begin in tissue: the canal is filled there.
    kind
        NO_SHEET, SHEET, FILLED or OSSICLE.
    lateral_mm, medial_mm
        Height of the two faces over the annulus plane; NaN where not seen.
    amount_mm
        Tissue along the ray as a length of soft tissue; NaN where it is not a sheet.
    """

    plane: Plane
    axes_lps: Floats
    half_axes_mm: tuple[float, float]
    axis_lps: Floats
    across_mm: Floats
    used: NDArray[np.bool_]
    blocked: NDArray[np.bool_]
    kind: NDArray[np.int8]
    lateral_mm: Floats
    medial_mm: Floats
    amount_mm: Floats

    @property
    def slope(self) -> float:
        """Height over the plane gained for each millimetre along a ray."""
        return float(self.axis_lps @ self.plane.normal_lps)

    def under_mm(self, height_mm: Floats) -> Floats:
        """Foot in the annulus plane of each ray's point at a height; rays are oblique. Shape (..., 2)."""
        drift = (self.axes_lps @ self.axis_lps) / self.slope
        return self.across_mm + height_mm[..., None] * drift

    def point_lps(self, across_mm: Floats, height_mm: float) -> Floats:
        """Point over a place of the plane at a height, shape (3,)."""
        return self.plane.point_lps + across_mm @ self.axes_lps + height_mm * self.plane.normal_lps


def ring_frame(rim_lps: Floats, axis_lps: Floats, superior_lps: Floats) -> tuple[Plane, Floats, tuple[float, float]]:
    """Annulus plane through the ring's middle, its axes (backwards, upwards), and the ring's half axes along them.

    Raises
    ------
    ctmeasure.errors.GeometryError
        When the ring's points lie on a line.
    """
    plane = fit_plane(rim_lps, towards_lps=axis_lps).plane
    normal = plane.normal_lps
    up = superior_lps - normal * float(superior_lps @ normal)
    up = up / np.linalg.norm(up)
    back = np.cross(up, normal)
    back = back if back[1] > 0.0 else -back
    axes = np.stack([back, up])
    flat = (rim_lps - plane.point_lps) @ axes.T
    # Centre and half axes by least squares of an ellipse along the two axes; the notch leaves a part of the ring open.
    design = np.stack([flat[:, 0] ** 2, flat[:, 1] ** 2, flat[:, 0], flat[:, 1]], axis=1)
    a, b, c, d = np.linalg.lstsq(design, np.ones(len(flat)), rcond=None)[0]
    if a > 0.0 and b > 0.0:
        middle = np.array([-c / (2.0 * a), -d / (2.0 * b)])
        scale = 1.0 + a * middle[0] ** 2 + b * middle[1] ** 2
        half = (float(np.sqrt(scale / a)), float(np.sqrt(scale / b)))
    else:
        middle, half = np.zeros(2), (4.2, 4.5)
    return Plane(plane.point_lps + middle @ axes, normal), axes, half


def cast(
    volume: Volume, rim_lps: Floats, *, axis_lps: Floats, superior_lps: Floats, air: float, soft: float
) -> DrumRays:
    """Cast rays through the drum and read each of them.

    Parameters
    ----------
    volume
        The scan.
    rim_lps
        Shape (n, 3), LPS mm: points on the bony rim.
    axis_lps, superior_lps
        Outward axis of the canal and upward direction.
    air, soft
        Levels of air and soft tissue.

    Returns
    -------
    DrumRays

    Raises
    ------
    ctmeasure.errors.GeometryError
        When the ring's points lie on a line.

    Notes
    -----
    Along a ray the amount of tissue (its level over air, summed) and its centre of mass do not depend on the blur; a
    sheet of soft tissue therefore reaches half its amount to either side of that centre, however thin it is. Where the
    space behind is filled, the lateral face is where half the step is reached.
    """
    from scipy.ndimage import gaussian_filter

    plane, axes, half = ring_frame(rim_lps, axis_lps, superior_lps)
    slope = float(axis_lps @ plane.normal_lps)
    reach = [np.arange(0.0, h, GRID_MM) for h in half]
    back, up = (np.concatenate([-r[:0:-1], r]) for r in reach)
    across = np.stack(np.meshgrid(back, up, indexing="ij"), axis=-1)
    share = np.sqrt((across[..., 0] / half[0]) ** 2 + (across[..., 1] / half[1]) ** 2)
    along = np.arange(LATERAL_MM, -MEDIAL_MM, -STEP_MM)
    points = plane.point_lps + (across @ axes)[..., None, :] + along[:, None] * axis_lps
    found = sample(volume, points, order="cubic", outside=np.nan)
    inside = np.isfinite(found.values).mean(axis=2) > 0.8
    amount = np.clip(np.nan_to_num((found.values - air) / (soft - air)), -0.5, 4.0)
    smooth = gaussian_filter(amount, (SMOOTH_CELLS, SMOOTH_CELLS, 0.0), mode="nearest")
    shape = share.shape
    kind = np.zeros(shape, np.int8)
    lateral, medial, thick = (np.full(shape, np.nan) for _ in range(3))
    used = inside & (share < USED_OF_RIM)
    blocked = np.median(smooth[..., (along > CANAL_MM[0]) & (along < CANAL_MM[1])], axis=2) > AIR_SHARE
    for i, j in np.argwhere(used):
        kind[i, j], lateral[i, j], medial[i, j], thick[i, j] = read_ray(smooth[i, j], along)
    return DrumRays(
        plane, axes, half, axis_lps, across, used, blocked, kind, slope * lateral, slope * medial, slope * thick
    )  # fmt: skip


def read_ray(share: Floats, along: Floats) -> tuple[int, float, float, float]:
    """Kind of one ray that runs inwards, its lateral and medial face along the ray, and the tissue between them."""
    nothing = (NO_SHEET, np.nan, np.nan, np.nan)
    air = np.flatnonzero(share < AIR_SHARE)
    if not len(air):
        return nothing
    first = int(air[0])
    rises = np.flatnonzero(share[first:] > SEEN_SHARE)
    # A lone sample above the threshold is noise: the rise must hold for a third of a usual point spread.
    hold = 3
    starts = [first + int(n) for n in rises if (share[first + n : first + n + hold] > SEEN_SHARE).all()]
    if not starts:
        return nothing
    start = starts[0]
    window = share[start : start + round(REACH_MM / STEP_MM)]
    drop = np.flatnonzero(np.diff(window) < 0.0)
    peak = start + (int(drop[0]) if len(drop) else len(window) - 1)
    # Up to the highest place before it falls by half.
    while peak + 1 < len(share) and share[peak + 1 : peak + 4].max() > share[peak]:
        peak += 1 + int(np.argmax(share[peak + 1 : peak + 4]))
    top = float(min(share[peak], 1.0)) if share[peak] < BONE_SHARE else float(share[peak])
    behind = np.flatnonzero(share[peak:] < 0.5 * top)
    fell = peak + int(behind[0]) if len(behind) else len(share)
    front = _crossing(share, along, start - 4, peak, 0.5 * top, rising=True)
    if (fell - peak) * STEP_MM > FILLED_MM:
        return (FILLED, _crossing(share, along, start - 4, peak, 0.5, rising=True), np.nan, np.nan)
    back = _crossing(share, along, peak, min(fell + 2, len(share) - 1), 0.5 * top, rising=False)
    if share[peak] > BONE_SHARE:
        return (OSSICLE, front, back, np.nan)
    low, high = _ends(share, peak, fell)
    if share[min(high, len(share)) - 1] > FALLS_TO * top:
        return (FILLED, front, np.nan, np.nan)
    mass = np.maximum(share[low:high], -0.2)
    total = float(mass.sum()) * STEP_MM
    if total <= 0.02:
        return nothing
    middle = float((mass * along[low:high]).sum()) * STEP_MM / total
    return (SHEET, middle + 0.5 * total, middle - 0.5 * total, total)


def _ends(share: Floats, peak: int, fell: int) -> tuple[int, int]:
    """Where a sheet's tissue begins and ends: a reach on either side, or where it starts to rise again."""
    reach = round(REACH_MM / STEP_MM)
    low, high = max(peak - reach, 0), min(fell + reach, len(share))
    before, after = share[low:peak], share[fell:high]
    if len(before):
        low += int(np.argmin(before))
    if len(after):
        high = fell + int(np.argmin(after)) + 1
    return low, high


def _crossing(share: Floats, along: Floats, low: int, high: int, level: float, *, rising: bool) -> float:
    low = max(low, 0)
    part = share[low : high + 1]
    over = part > level if rising else part < level
    if not over.any():
        return float("nan")
    n = int(np.argmax(over))
    if n == 0:
        return float(along[low])
    a, b = part[n - 1], part[n]
    return float(along[low + n - 1] + (level - a) / (b - a) * (along[low + n] - along[low + n - 1]))
