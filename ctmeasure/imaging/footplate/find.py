"""One click near the footplate in, its plane, outline and axes out; or a named reason why not."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.anatomy.vocabulary import Side
from ctmeasure.errors import LandmarkError, ScanError
from ctmeasure.geometry.vectors import as_points, frozen
from ctmeasure.imaging.footplate.fit import Fit, fit_plate
from ctmeasure.imaging.footplate.levels import plate_levels
from ctmeasure.imaging.footplate.model import SHEET_OF_BONE, SHEET_OF_BONE_U, THICKNESS
from ctmeasure.imaging.footplate.result import Footplate, SheetThickness
from ctmeasure.imaging.footplate.seek import REACH_MM, THICK_SHAPE, USUAL_SHAPE, candidates, first_axes
from ctmeasure.imaging.levels import POINT_SPREAD_FLAG, PointSpread, point_spread
from ctmeasure.imaging.tubes.tissue import TubeLevels, metal_places
from ctmeasure.progress import Progress, no_progress
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.sampling import sample
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

BLOCK_MM = 4.0
LEAST_MARGIN_MM = 2.5
"""The scan must reach this far around the click."""
FROM_CANAL_MM = 16.0
"""No footplate lies farther from the canal's inner end than this (annulus to footplate is 5 to 8 mm; our choice)."""
MODEL_U_MM = (0.05, 0.05, 0.04)
"""What a plain ellipse in plain bone leaves out, along the long axis, the short axis and the normal (our choice; the
synthetic ears, which are plainer than real ones, show less)."""
MODEL_TILT_U_RAD = np.radians(1.5)
"""The same for the normal's turn about each axis (our choice)."""
SEAT_U = 3.0**-0.5
"""The outline lies anywhere between window and niche: rectangular."""
MOST_MISFIT = 0.11
"""A misfit above this share of the step from air to bone is no plate in a window (our choice, from synthetic ears)."""
MOST_OUTLIERS = 0.18
LEAST_SHEET = 3.0
"""The sheet must stand out of its doubt by this factor."""
THICK_MM = 0.55
"""Thicker than any healthy plate (0.12 to 0.36 mm in histology and micro-CT)."""
STATE_OF_FWHM = (0.8, 1.5)
"""A sheet thinner than the first share of the point spread is below resolution, up to the second model dependent."""
WET_SHARE, DRY_SHARE = 0.45, 0.35
"""How far the vestibule's level may lie from soft tissue, as a share of the step to bone; and how far the niche's level
must lie towards air to be called air."""
HALF_LENGTH_MM, LEAST_ASPECT = (1.15, 2.0), 1.4
"""Half lengths of a plate, and how much longer than wide it is at least: the round window is nearly round."""
METAL_NEAR_MM = 2.0
METAL_FLAG = "metal near the plate"
MOST_SPOILT = 0.35
"""With more of its voxels beside metal a plate is not measured."""
METAL_U_MM = 0.25
FAR_MM = 0.9
"""A plate found farther than this from the click is flagged."""


def find_footplate(
    volume: Volume,
    click_lps: ArrayLike,
    *,
    side: Side,
    canal: CanalFrame | None = None,
    fitness: ScanFitness | None = None,
    progress: Progress = no_progress,
) -> Footplate:
    """Find the footplate near a click.

    Parameters
    ----------
    volume
        The scan.
    click_lps
        Shape (3,), LPS mm: on the plate, within about half a millimetre along each axis.
    side
        Ear the click is said to be in.
    canal
        Canal frame of that ear, if there is one: tells how the head lies and that the click is in this ear.
    fitness
        The scan's own point spread and noise; without it the point spread is assumed and flagged.
    progress
        Listener; may cancel.

    Returns
    -------
    Footplate

    Raises
    ------
    ctmeasure.errors.LandmarkError
        When the click lies in the other ear, or nothing like a plate in its window is seen around it.
    ctmeasure.errors.ScanError
        When the scan does not reach around the click, holds no bone there, or is spoilt by metal.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    A sheet between two hollows in thick bone, seen through the scan's directional point spread, is fitted to the voxels
    around the click by robust least squares, from the three best places and turns of a template. CT does not show
    whether the plate moves.

    References
    ----------
    Sizes: Gong et al. 2024, PMID 37622391 (2.93 x 1.46 x 0.30 mm, micro-CT); thickness 0.118 mm in histology: Kemper et
    al., PMC13004908. Thin sheets below the point spread: Prevrhal et al. 2003, DOI 10.1118/1.1521940.

    Example
    -------
    >>> from ctmeasure.volume.geometry import Geometry
    >>> empty = Volume(Geometry((30, 30, 30), np.diag([0.3, 0.3, 0.3, 1.0])[[2, 1, 0, 3]]), np.zeros((30, 30, 30)))
    >>> find_footplate(empty, (4.5, 4.5, 4.5), side="left")
    Traceback (most recent call last):
    ctmeasure.errors.ScanError: no bone around the click; expected the footplate in its window; check the click ...
    """
    click = as_points(click_lps, "click").reshape(3)
    _check_place(volume, click, side, canal)
    progress("footplate: looking around the click", 0.0)
    block = volume.crop_around(click[None], margin_mm=BLOCK_MM)
    levels = _levels(block, fitness)
    spread = point_spread(volume, fitness)
    lateral = np.array([1.0 if side == "left" else -1.0, 0.0, 0.0])
    axes = first_axes(lateral, np.array([0.0, 0.0, 1.0]))
    if canal is not None:
        axes = first_axes(canal.axis_lps, canal.superior_lps)
    metal = metal_places(block, levels)
    fits: list[Fit] = []
    for number, usual in enumerate((USUAL_SHAPE, THICK_SHAPE)):
        progress("footplate: fitting it", 0.3 + 0.3 * number)
        for candidate in candidates(block, click, axes=axes, levels=levels, spread=spread, usual=usual):
            fit = fit_plate(
                block, candidate, click_lps=click, levels=levels, spread=spread, metal_lps=metal, usual=usual
            )
            if fit is not None:
                fits.append(fit)
        if fits and not _too_thin(min(fits, key=lambda one: one.cost), levels):
            break
    if not fits and len(metal):
        raise _hidden()
    if not fits:
        raise _nothing(block, click, levels, "no thin sheet in a bony window lies")
    best = min(fits, key=lambda one: one.cost)
    flags = _check_fit(block, best, click, levels, spread, metal)
    progress("footplate: found", 1.0)
    return _footplate(block, best, click, levels, spread, flags)


def _check_place(volume: Volume, click: Floats, side: Side, canal: CanalFrame | None) -> None:
    if not bool(volume.geometry.contains_lps(click, margin_mm=LEAST_MARGIN_MM)):
        raise ScanError(
            "the click on the footplate lies at the edge of the scan or outside",
            expected=f"{LEAST_MARGIN_MM:g} mm of scan around it",
            action="check the click and the series",
        )
    if canal is None:
        return
    away = float(np.linalg.norm(click - canal.frame.origin_lps))
    if away > FROM_CANAL_MM:
        raise LandmarkError(
            f"the click on the footplate lies {away:.0f} mm from the canal of the {side} ear",
            expected=f"at most {FROM_CANAL_MM:g} mm",
            action="check the side: the click seems to be in the other ear",
        )


def _levels(block: Volume, fitness: ScanFitness | None) -> TubeLevels:
    try:
        return plate_levels(block, fitness)
    except ScanError as error:
        raise ScanError(
            "no bone around the click", expected="the footplate in its window", action="check the click and the series"
        ) from error


def _nothing(block: Volume, click: Floats, levels: TubeLevels, found: str) -> LandmarkError:
    """Refusal that says what the click is in."""
    around = 0.25 * np.concatenate([np.zeros((1, 3)), np.eye(3), -np.eye(3)])
    value = float(np.nanmean(sample(block, click + around).values))
    share = (value - levels.soft) / levels.step
    place = "solid bone" if share > 0.6 else "air" if value < 0.5 * (levels.air + levels.soft) else "soft tissue, fluid"
    return LandmarkError(
        f"no footplate is seen: {found} within {REACH_MM:g} mm of the click, which is in {place}",
        expected="a click on the footplate, within about half a millimetre",
        action="move the click onto the plate between niche and vestibule, or mark its rim by hand",
    )


def _too_thin(fit: Fit, levels: TubeLevels) -> bool:
    """Whether a fit may have found a plate too thick for what it began with."""
    wet = abs(float(fit.levels[1]) - levels.soft) <= 0.5 * WET_SHARE * levels.step
    return not wet or float(fit.shape[THICKNESS]) > 0.8 * THICK_MM


def _hidden() -> ScanError:
    return ScanError(
        "metal hides the footplate",
        expected="a plate that is not covered by metal",
        action="mark the centre and the rim by hand",
    )


def _check_fit(
    block: Volume, fit: Fit, click: Floats, levels: TubeLevels, spread: PointSpread, metal: Floats
) -> tuple[str, ...]:
    """Refuse what is no plate; say what is odd about one that is."""
    reach = levels.bone - levels.air
    niche, vestibule, bone = fit.levels[:3]
    thick, thick_u = float(fit.shape[THICKNESS]), float(np.sqrt(fit.covariance[THICKNESS, THICKNESS]))
    if abs(vestibule - levels.soft) > WET_SHARE * levels.step:
        raise _nothing(block, click, levels, "no fluid-filled vestibule behind a thin sheet lies")
    if bone - max(niche, vestibule) < 0.3 * levels.step:
        raise _nothing(block, click, levels, "no bone thick enough for a window lies")
    if fit.spoilt > MOST_SPOILT:
        raise _hidden()
    half = fit.shape[6:8] + 0.5 * fit.shape[8]
    if not (HALF_LENGTH_MM[0] < half[0] < HALF_LENGTH_MM[1] and half[0] > LEAST_ASPECT * half[1]):
        size = f"{2 * half[0]:.1f} x {2 * half[1]:.1f} mm"
        what = " (the round window?)" if half[0] < 1.25 * HALF_LENGTH_MM[0] else ""
        raise _nothing(block, click, levels, f"only an opening of {size}{what}, not the size of a plate, lies")
    if fit.rms > MOST_MISFIT * reach or fit.outliers > MOST_OUTLIERS:
        raise _nothing(block, click, levels, "nothing that fits a thin sheet in a bony window lies")
    if np.linalg.norm(fit.centre_lps - click) > REACH_MM + 0.3:
        raise _nothing(block, click, levels, "no thin sheet in a bony window lies")
    if thick < LEAST_SHEET * thick_u and thick < 0.1:
        raise _nothing(block, click, levels, "a window without a plate that can be seen lies")
    flags = []
    if spread.assumed:
        flags.append(POINT_SPREAD_FLAG)
    flags += levels.flags
    if niche > levels.soft - DRY_SHARE * (levels.soft - levels.air):
        flags.append("niche filled with soft tissue or fluid: the plate shows by its own bone only")
    if thick > THICK_MM + 2.0 * thick_u:
        flags.append(f"plate thicker than a healthy one: {thick:.1f} mm (mobility is never read from CT)")
    if np.linalg.norm(fit.centre_lps - click) > FAR_MM:
        flags.append(f"plate found {np.linalg.norm(fit.centre_lps - click):.1f} mm from the click")
    if len(metal) and np.linalg.norm(metal - fit.centre_lps, axis=1).min() < METAL_NEAR_MM:
        flags.append(METAL_FLAG)
    return tuple(flags)


def _footplate(
    block: Volume, fit: Fit, click: Floats, levels: TubeLevels, spread: PointSpread, flags: tuple[str, ...]
) -> Footplate:
    axes = fit.axes_lps
    own = fit.covariance
    # The sheet's own level is assumed: its doubt is that of the thickness, half of which lies on either side.
    thick = float(fit.shape[THICKNESS])
    sheet_u = SHEET_OF_BONE_U / SHEET_OF_BONE * thick
    extra = np.array(MODEL_U_MM) ** 2 + np.array([0.0, 0.0, (0.5 * sheet_u) ** 2])
    turned = axes @ fit.start.axes_lps.T
    if METAL_FLAG in flags:
        extra = extra + METAL_U_MM**2
    local = turned @ own[:3, :3] @ turned.T + np.diag(extra)
    # A turn about the long axis tips the normal along the short one, and the other way round.
    turns = turned @ own[3:6, 3:6] @ turned.T
    tilt = np.sqrt(np.array([turns[1, 1], turns[0, 0]]) + MODEL_TILT_U_RAD**2)
    wider = float(fit.shape[8])
    half = fit.shape[6:8] + 0.5 * wider
    half_u = np.sqrt(np.diag(own)[6:8] + 0.25 * own[8, 8] + (0.5 * wider * SEAT_U) ** 2)
    thick_u = float(np.hypot(np.sqrt(own[THICKNESS, THICKNESS]), sheet_u))
    return Footplate(
        frozen(fit.centre_lps), frozen(axes), frozen(axes.T @ local @ axes), frozen(tilt), frozen(half), frozen(half_u),
        sheet_thickness(thick, thick_u, fwhm_mm=float(spread.fwhm_mm(axes[2]))),
        "soft tissue or fluid" if any(flag.startswith("niche filled") for flag in flags) else "air",
        float(np.linalg.norm(fit.centre_lps - click)), fit.rms / (levels.bone - levels.air),
        float(fit.levels[2]), float(fit.levels[0]), flags,
    )  # fmt: skip


def sheet_thickness(thickness_mm: float, u_mm: float, *, fwhm_mm: float) -> SheetThickness:
    """Thickness as it may be reported: a value only where the point spread allows one.

    Parameters
    ----------
    thickness_mm, u_mm
        What the model says, and its standard uncertainty.
    fwhm_mm
        Point spread across the sheet.

    Returns
    -------
    SheetThickness

    Raises
    ------
    Nothing.

    Example
    -------
    >>> sheet_thickness(0.25, 0.06, fwhm_mm=0.5).words
    'below resolution (present, at most 0.37 mm)'
    >>> sheet_thickness(0.9, 0.1, fwhm_mm=0.5).words
    '0.90 mm (u 0.10, resolved)'
    """
    most = thickness_mm + 1.959964 * u_mm
    low, high = (share * fwhm_mm for share in STATE_OF_FWHM)
    if thickness_mm < low:
        return SheetThickness("below resolution", None, None, most)
    return SheetThickness("model dependent" if thickness_mm < high else "resolved", thickness_mm, u_mm, most)
