"""The drum's medial face as a surface over the annulus plane: a cone to an apex, or a shallow sheet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ctmeasure.imaging.drum.rays import FILLED, OSSICLE, SHEET, DrumRays

Floats = NDArray[np.float64]

Form = Literal["cone", "shallow"]

RAY_SD_MM = {SHEET: 0.04, OSSICLE: 0.10, FILLED: 0.06}
"""How well one ray tells the medial face, by its kind: typical of the stated scans (our choice)."""
CONE_SHARE = 0.85
"""The cone is fitted up to this share of the way from its apex to the rim."""
TIP_SHARE = 0.12
"""Nearer to the apex than this share the tip's own shape counts."""
BESIDE_BONE, BESIDE_BONE_CELLS = 1.8, 2
"""A ray with this many times the usual tissue, and its neighbours over so many cells, is read at bone."""
TIP_MM, TIP_SHIFT_MM, TIP_SD_MM = 0.7, 0.07, 0.08
"""Bone this near to the apex is the tip of the handle; a ball of 0.33 mm radius reads about so much too far medially at
half of its own peak (closed form of a blurred ball, 0.2 mm), known to about the last figure."""
LEAST_CONE_MM = 0.6
"""A deepening smaller than this between rim and apex is no cone."""
APEX_FROM_MIDDLE_MM = 1.8
"""No apex lies farther from the ring's middle than this."""
SHALLOW_MM = 1.9
"""A shallow drum is read within this of its middle."""
ALIKE_RAYS = 5.0
"""Neighbouring rays see the same voxels: so many count as one."""
LEAST_RAYS = 25
LOSS_SD = 1.5


@dataclass(frozen=True, slots=True, eq=False)
class Face:
    """The medial face near the drum's middle.

    Parameters
    ----------
    form
        A cone, or shallow.
    across_mm
        Shape (2,): place of the middle in the annulus plane; the apex of a cone.
    height_mm, height_u_mm
        Height of the medial face there over the annulus plane, outwards positive.
    across_u_mm
        Standard uncertainty of the apex' place; the click's own for a shallow drum (NaN).
    depth_mm
        Depth of the cone: from the face's edge at the rim to its apex.
    slope
        Shape (2,): how the height changes per millimetre at a shallow drum's middle.
    rms_mm
        Misfit of the rays.
    count
        Rays used.
    """

    form: Form
    across_mm: Floats
    height_mm: float
    height_u_mm: float
    across_u_mm: float
    depth_mm: float
    slope: Floats
    rms_mm: float
    count: int


def share_of_way(across: Floats, apex: Floats, half: tuple[float, float]) -> Floats:
    """How far each place (n, 2) lies on its way from the apex (0) to the rim's ellipse (1)."""
    d = (across - apex) / half
    a = apex / half
    square = (d**2).sum(axis=1)
    mixed = d @ a
    # The way from the apex through the place leaves the ellipse at t: |a + t d| = 1.
    root = np.sqrt(np.maximum(mixed**2 + square * (1.0 - a @ a), 1e-12))
    leave = (-mixed + root) / np.maximum(square, 1e-12)
    return 1.0 / np.maximum(leave, 1e-9)


def fit_face(rays: DrumRays, *, middle_mm: Floats, middle_sd_mm: float, sheet_mm: float, blur_mm: float) -> Face | None:
    """Fit the medial face.

    Parameters
    ----------
    rays
        Rays over the drum.
    middle_mm
        Shape (2,): where the drum's middle is expected (the click, or the ring's middle).
    middle_sd_mm
        How far off it may be, per axis.
    sheet_mm
        Thickness taken where only the lateral face is seen.
    blur_mm
        Standard deviation of the scan's blur and of the averaging over rays, in the plane: it rounds the tip.

    Returns
    -------
    Face or None
        None when too few rays show a drum.

    Raises
    ------
    Nothing.

    Notes
    -----
    The cone is ruled from its apex to the rim with bulging flanks: height = h + H (s + b s (1 - s)), s the share of the
    way from apex to rim. Least squares with a Cauchy loss; neighbouring rays count as far as they are independent.
    """
    height = np.where(rays.kind == FILLED, rays.lateral_mm - sheet_mm, rays.medial_mm)
    sd = np.full(height.shape, np.nan)
    for kind, value in RAY_SD_MM.items():
        sd[rays.kind == kind] = value
    seen = rays.used & np.isfinite(height) & np.isfinite(sd)
    kept = seen & ~_beside_bone(rays)
    if kept.sum() < LEAST_RAYS:
        kept = seen
    across, height, sd = rays.under_mm(height)[kept], height[kept], sd[kept]
    if len(height) < LEAST_RAYS:
        return None
    cone = _cone(across, height, sd, rays.half_axes_mm, middle_mm, middle_sd_mm, _tip(rays), blur_mm)
    shallow = _shallow(across, height, sd, middle_mm)
    if cone is not None and cone.depth_mm > LEAST_CONE_MM and (shallow is None or cone.rms_mm < 2.5 * shallow.rms_mm):
        return cone
    return shallow


def _beside_bone(rays: DrumRays) -> NDArray[np.bool_]:
    """Rays at the handle or another ossicle: bone there hides the sheet's own faces."""
    from scipy.ndimage import binary_dilation

    found = rays.used & (rays.kind == OSSICLE)
    amounts = rays.amount_mm[rays.used & (rays.kind == SHEET)]
    if len(amounts):
        found |= np.nan_to_num(rays.amount_mm) > BESIDE_BONE * float(np.median(amounts)) + 0.1
    return np.asarray(binary_dilation(found, iterations=BESIDE_BONE_CELLS))


def _tip(rays: DrumRays) -> Floats:
    """Places and heights of the medial face of bone in the sheet, shape (n, 3): near the apex it is the umbo."""
    bone = rays.used & (rays.kind == OSSICLE) & np.isfinite(rays.medial_mm)
    return np.concatenate([rays.under_mm(rays.medial_mm)[bone], rays.medial_mm[bone][:, None]], axis=1)


def _cone(
    across: Floats,
    height: Floats,
    sd: Floats,
    half: tuple[float, float],
    middle: Floats,
    middle_sd: float,
    tips: Floats,
    blur_mm: float,
) -> Face | None:
    from scipy.optimize import least_squares

    near = np.linalg.norm(across, axis=1) < APEX_FROM_MIDDLE_MM + 0.5
    if near.sum() < LEAST_RAYS:
        return None
    lowest = np.argsort(height[near])[: max(int(near.sum()) // 12, 4)]
    apex = np.clip(np.median(across[near][lowest], axis=0), -APEX_FROM_MIDDLE_MM, APEX_FROM_MIDDLE_MM)
    low, high = float(np.percentile(height[near], 3.0)), float(np.percentile(height, 90.0))
    x = np.array([*apex, low, float(np.clip(high - low, 0.3, 7.0)), 0.2])
    prior = np.array([*middle, 0.0, 0.0, 0.2])
    prior_sd = np.array([middle_sd, middle_sd, 20.0, 20.0, 0.3])

    rounded = blur_mm / float(np.mean(half))

    def face(x: Floats, where: Floats) -> Floats:
        s = share_of_way(where, x[:2], half)
        return x[2] + x[3] * (np.sqrt(s**2 + rounded**2) + x[4] * s * (1.0 - s))

    tip = tips[np.linalg.norm(tips[:, :2] - x[:2], axis=1) < TIP_MM]
    if len(tip) > 2:
        prior[2], prior_sd[2] = float(np.median(tip[:, 2])) + TIP_SHIFT_MM, TIP_SD_MM
    bound = APEX_FROM_MIDDLE_MM
    weight = 1.0 / sd
    for _ in range(2):
        share = share_of_way(across, x[:2], half)
        inner = (share < CONE_SHARE) & (share > TIP_SHARE)
        where, at, w = across[inner], height[inner], weight[inner]
        n = len(at)
        if n < LEAST_RAYS:
            return None

        def residuals(x: Floats, where: Floats = where, at: Floats = at, w: Floats = w) -> Floats:
            return np.concatenate([(face(x, where) - at) * w, (x - prior) / prior_sd * np.sqrt(ALIKE_RAYS)])

        found = least_squares(
            residuals, x, loss=_loss(n), max_nfev=30,
            bounds=([-bound, -bound, -8.0, -6.0, -1.5], [bound, bound, 6.0, 8.0, 1.5]),
        )  # fmt: skip
        x = found.x
    left = (face(x, where) - at) / sd[inner]
    robust = 1.0 / (1.0 + (left / LOSS_SD) ** 2)
    jac = found.jac.copy()
    scale = max(float(np.sqrt((robust * left**2).sum() / robust.sum())), 0.7)
    covariance = np.linalg.pinv(jac.T @ jac) * scale**2 * ALIKE_RAYS
    rms = float(np.sqrt((robust * (face(x, where) - at) ** 2).sum() / robust.sum()))
    return Face(
        "cone", x[:2], float(x[2]), float(np.sqrt(covariance[2, 2])),
        float(np.sqrt(0.5 * (covariance[0, 0] + covariance[1, 1]))), float(x[3]), np.zeros(2), rms, n,
    )  # fmt: skip


def _shallow(across: Floats, height: Floats, sd: Floats, middle: Floats) -> Face | None:
    from scipy.optimize import least_squares

    off = across - middle
    near = np.linalg.norm(off, axis=1) < SHALLOW_MM
    if near.sum() < LEAST_RAYS:
        return None
    x, y = off[near].T
    design = np.stack([np.ones_like(x), x, y, x * x + y * y], axis=1)
    at, w = height[near], 1.0 / sd[near]
    start = np.array([float(np.median(at)), 0.0, 0.0, 0.0])
    found = least_squares(lambda c: (design @ c - at) * w, start, loss=_loss(len(at)), max_nfev=40)
    left = (design @ found.x - at) / sd[near]
    robust = 1.0 / (1.0 + (left / LOSS_SD) ** 2)
    share = max(float(np.sqrt((robust * left**2).sum() / robust.sum())), 0.7)
    covariance = np.linalg.pinv(found.jac.T @ found.jac) * share**2 * ALIKE_RAYS
    rms = float(np.sqrt((robust * (design @ found.x - at) ** 2).sum() / robust.sum()))
    return Face(
        "shallow", middle.copy(), float(found.x[0]), float(np.sqrt(covariance[0, 0])), float("nan"), 0.0,
        found.x[1:3].copy(), rms, int(near.sum()),
    )  # fmt: skip


def _loss(count: int):  # type: ignore[no-untyped-def]
    """Cauchy loss for the first residuals, plain squares for the priors after them."""

    def loss(squares: Floats) -> Floats:
        out = np.stack([squares, np.ones_like(squares), np.zeros_like(squares)])
        c = LOSS_SD**2
        part = squares[:count] / c
        out[:, :count] = c * np.log1p(part), 1.0 / (1.0 + part), -1.0 / (c * (1.0 + part) ** 2)
        return out

    return loss
