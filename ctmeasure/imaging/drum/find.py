"""The ring and the canal in, the drum's faces out; or a named reason why not."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.errors import LandmarkError, ScanError
from ctmeasure.geometry.vectors import as_points, frozen
from ctmeasure.imaging.drum.levels import drum_levels
from ctmeasure.imaging.drum.rays import (
    FILLED,
    GRID_MM,
    NO_SHEET,
    OSSICLE,
    SHEET,
    SMOOTH_CELLS,
    DrumRays,
    cast,
)
from ctmeasure.imaging.drum.result import Drum
from ctmeasure.imaging.drum.surface import Face, fit_face
from ctmeasure.imaging.footplate.find import sheet_thickness
from ctmeasure.imaging.levels import FWHM_PER_SIGMA, POINT_SPREAD_FLAG, point_spread
from ctmeasure.imaging.tubes.tissue import TubeLevels, metal_places
from ctmeasure.progress import Progress, no_progress
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

BLOCK_MM = 7.0
CLICK_SD_MM, RING_SD_MM = 0.45, 0.9
"""The drum's middle lies within this of a click on it, per axis, or else of the ring's middle."""
MODEL_U_MM = 0.05
"""What a cone or a shallow sheet leaves out of the height (our choice; the synthetic ears show about as much)."""
ACROSS_U_MM = 0.10
UNSEEN_SHEET_MM, UNSEEN_SHEET_U_MM = 0.13, 0.12
"""Thickness taken where only the outer face is seen anywhere: a healthy drum (Skrodzka & Modlawska 2014) and the spread
up to a scarred one (our choice)."""
SOFT_LEVEL_U = 0.12
"""Relative doubt of an amount of tissue: soft tissue, scar and water differ by about that (our choice)."""
CENTRAL_SHARE = 0.75
LEAST_SEEN = 0.5
"""With a sheet in fewer of the central rays than this share there is no drum to measure."""
DEEP_MM = -2.8
"""A first surface farther in than this is the promontory seen through an opening, or a deep retraction."""
OPENING_MM2 = 1.2
THICK_MM, THICK_MM2 = 1.0, 3.0
"""A sheet thicker than the first over more than the second is flagged: wax, scar or graft read alike."""
SHEET_MM = 2.0
"""The sheet's thickness is that within this of the drum's middle."""
METAL_MM = 2.5


def find_drum(
    volume: Volume,
    rim_lps: ArrayLike,
    *,
    canal: CanalFrame,
    click_lps: ArrayLike | None = None,
    fitness: ScanFitness | None = None,
    progress: Progress = no_progress,
) -> Drum:
    """Find the drum within its ring.

    Parameters
    ----------
    volume
        The scan.
    rim_lps
        Shape (n, 3), LPS mm: points on the bony rim (the notch left out).
    canal
        Canal frame: rays run along its axis.
    click_lps
        Shape (3,): a click on the drum's middle, if there is one.
    fitness
        The scan's own point spread and noise.
    progress
        Listener; may cancel.

    Returns
    -------
    Drum

    Raises
    ------
    ctmeasure.errors.LandmarkError
        When no drum is seen within the ring.
    ctmeasure.errors.ScanError
        When the scan does not hold the drum, the canal beside it is filled, or metal spoils it.
    ctmeasure.errors.GeometryError
        When the ring's points lie on a line.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    CT shows a sheet of soft tissue and not what it is made of: drum, scar, graft and wax on it read alike. Heights are
    over the plane of the ring as it was placed.

    Example
    -------
    >>> find_drum.__name__
    'find_drum'
    """
    rim = as_points(rim_lps, "ring").reshape(-1, 3)
    progress("drum: casting rays", 0.0)
    if not bool(np.all(volume.geometry.contains_lps(rim))):
        raise ScanError("the ring lies outside the scan", expected="the whole rim inside it", action="check the series")
    block = volume.crop_around(rim, margin_mm=BLOCK_MM)
    levels, air = drum_levels(block, canal, fitness)
    spread = point_spread(volume, fitness)
    rays = cast(
        block,
        rim,
        axis_lps=canal.axis_lps,
        superior_lps=canal.superior_lps,
        air=air,
        soft=levels.soft,
    )
    _check_rays(rays)
    progress("drum: fitting its faces", 0.6)
    middle, middle_sd = np.zeros(2), RING_SD_MM
    if click_lps is not None:
        click = as_points(click_lps, "click").reshape(3)
        middle, middle_sd = (click - rays.plane.point_lps) @ rays.axes_lps.T, CLICK_SD_MM
    amount, amount_u = _amount(rays, middle)
    blur = float(np.hypot(spread.in_plane_mm / FWHM_PER_SIGMA, SMOOTH_CELLS * GRID_MM))
    face = fit_face(rays, middle_mm=middle, middle_sd_mm=middle_sd, sheet_mm=amount, blur_mm=blur)
    if face is None:
        raise _nothing("too few rays meet a sheet")
    amount, amount_u = _amount(rays, face.across_mm)
    progress("drum: found", 1.0)
    fwhm = float(spread.fwhm_mm(rays.plane.normal_lps))
    return _drum(rays, face, amount, amount_u, middle_sd, fwhm, _flags(rays, face, block, levels, spread.assumed))


def _nothing(why: str) -> LandmarkError:
    return LandmarkError(
        f"no drum is seen within the ring: {why}",
        expected="a sheet between the air of the canal and the middle ear",
        action="check the ring and the canal's axis; if there is no drum, set drum_centre to absent",
    )


def _check_rays(rays: DrumRays) -> None:
    central = rays.used & _central(rays)
    if central.sum() < 0.5 * _central(rays).sum():
        raise ScanError(
            "the drum lies at the edge of the scan",
            expected="the canal beside the drum and the middle ear inside the scan",
            action="use a series that reaches farther",
        )
    if float(rays.blocked[central].mean()) > 0.5:
        raise ScanError(
            "the canal beside the drum is not filled with air",
            expected="air in the canal up to the drum",
            action="mark the drum by hand: wax, fluid or a filled canal hides its outer face",
        )
    seen = rays.kind != NO_SHEET
    share = float((seen & (np.nan_to_num(rays.lateral_mm, nan=-99.0) > DEEP_MM))[central].mean())
    if share < LEAST_SEEN:
        raise _nothing(f"a sheet in {100 * share:.0f} percent of the rays only")


def _central(rays: DrumRays) -> NDArray[np.bool_]:
    half = np.array(rays.half_axes_mm)
    return np.asarray(((rays.across_mm / half) ** 2).sum(axis=-1) < CENTRAL_SHARE**2)


def _amount(rays: DrumRays, at: Floats) -> tuple[float, float]:
    """Thickness of the sheet along the annulus normal, from the rays about a place of the plane, and its doubt."""
    near = np.linalg.norm(np.nan_to_num(rays.under_mm(rays.medial_mm), nan=99.0) - at, axis=-1) < SHEET_MM
    amounts = rays.amount_mm[rays.used & near & (rays.kind == SHEET)]
    if len(amounts) < 10:
        return UNSEEN_SHEET_MM, UNSEEN_SHEET_U_MM
    middle = float(np.median(amounts))
    scatter = 1.4826 * float(np.median(np.abs(amounts - middle)))
    return middle, float(np.hypot(SOFT_LEVEL_U * middle, scatter / np.sqrt(len(amounts) / 5.0)) + 0.01)


def _flags(rays: DrumRays, face: Face, block: Volume, levels: TubeLevels, assumed: bool) -> tuple[str, ...]:
    central = rays.used & _central(rays)
    flags = [POINT_SPREAD_FLAG] if assumed else []
    flags += levels.flags
    filled = float((rays.kind == FILLED)[central].mean())
    if filled > 0.15:
        share = f"{100 * filled:.0f} percent of the drum"
        flags.append(f"middle ear filled behind {share}: only its outer face is seen there")
    opened = _open_mm2(rays)
    if opened > OPENING_MM2:
        flags.append(f"no sheet over {opened:.0f} mm2: an opening or a deep retraction")
    thick = float((np.nan_to_num(rays.amount_mm) > THICK_MM)[central].sum()) * GRID_MM**2
    if thick > THICK_MM2:
        flags.append(f"thicker than {THICK_MM:g} mm over {thick:.0f} mm2: wax, scar or graft")
    if (rays.kind == OSSICLE)[central].any():
        flags.append("bone or metal in the sheet (handle, ossicle or implant)")
    metal = metal_places(block, levels)
    if len(metal) and np.linalg.norm(metal - rays.point_lps(face.across_mm, face.height_mm), axis=1).min() < METAL_MM:
        flags.append("metal near the drum")
    return tuple(flags)


def _open_mm2(rays: DrumRays) -> float:
    central = rays.used & _central(rays)
    deep = np.nan_to_num(rays.lateral_mm, nan=-99.0) < DEEP_MM
    return float(((rays.kind == NO_SHEET) | deep)[central].sum()) * GRID_MM**2


def _drum(
    rays: DrumRays, face: Face, amount: float, amount_u: float, middle_sd: float, fwhm: float, flags: tuple[str, ...]
) -> Drum:
    near = rays.used & (np.linalg.norm(rays.across_mm - face.across_mm, axis=-1) < 1.5)
    filled = bool(near.any()) and float((rays.kind == FILLED)[near].mean()) > 0.5
    height_u = float(np.hypot(face.height_u_mm, MODEL_U_MM))
    if filled:
        height_u = float(np.hypot(height_u, amount_u))
    if "metal near the drum" in flags:
        height_u = float(np.hypot(height_u, 0.25))
    across_u = float(np.hypot(face.across_u_mm, ACROSS_U_MM)) if face.form == "cone" else middle_sd
    normal = rays.plane.normal_lps
    covariance = across_u**2 * (np.eye(3) - np.outer(normal, normal)) + height_u**2 * np.outer(normal, normal)
    if filled:
        flags = (*flags, "the medial face at the drum's middle is not seen")
    return Drum(
        face.form, frozen(rays.point_lps(face.across_mm, face.height_mm)), frozen(covariance),
        frozen(rays.point_lps(face.across_mm, face.height_mm + amount)), rays.plane, face.height_mm,
        face.height_mm + amount, height_u, sheet_thickness(amount, amount_u, fwhm_mm=fwhm),
        face.depth_mm if face.form == "cone" else None, not filled, _open_mm2(rays), flags,
    )  # fmt: skip
