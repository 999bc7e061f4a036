"""A click on the drum's medial face in, the point of that face out: where a prosthesis line meets it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.errors import LandmarkError, ScanError
from ctmeasure.geometry.vectors import as_points, frozen, orthonormal_basis
from ctmeasure.imaging.drum.levels import drum_levels
from ctmeasure.imaging.drum.rays import FILLED, GRID_MM, OSSICLE, SHEET, SMOOTH_CELLS, STEP_MM, read_ray
from ctmeasure.imaging.drum.surface import ALIKE_RAYS, RAY_SD_MM
from ctmeasure.imaging.footplate.find import sheet_thickness
from ctmeasure.imaging.levels import POINT_SPREAD_FLAG, point_spread
from ctmeasure.imaging.tubes.tissue import metal_places
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.sampling import sample
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

BLOCK_MM = 6.0
NEAR_MM = 1.05
"""The face at a point is read from rays within this of it: as far as a quadratic follows a cone and a skirt of scar."""
LATERAL_MM, MEDIAL_MM = 3.0, 2.4
"""Rays run from this far outside the click to this far inside it: over the thickest scar, and not to the promontory."""
LEAST_RAYS = 16
"""A quadratic has six numbers; fewer rays than this say too little."""
MODEL_U_MM = 0.05
"""What a quadratic leaves out of the face (our choice; the synthetic ears show about as much)."""
LEAST_SIDE = 5
"""So many of them lie on either side of the place, along both axes: nothing is read beyond an edge."""
ROBUST_SD = 2.0
MOST_OFF_MM = 1.8
"""A click farther than this from the face is no click on it."""
MOST_SLANT_COS = 0.6
"""A face that the rays meet at less than 37 degrees is read too poorly."""
MOST_FILLED = 0.6
"""With more rays than this that see nothing but the outer face, the medial one is not measured."""
METAL_MM, METAL_U_MM = 2.0, 0.25
UNSEEN_U_MM = 0.12
"""Doubt of the sheet's thickness where only its outer face is seen: a healthy drum up to a scarred one (our choice)."""


@dataclass(frozen=True, slots=True, eq=False)
class DrumContact:
    """A point of the medial face.

    Parameters
    ----------
    point_lps
        Shape (3,).
    normal_lps
        Shape (3,): unit normal of the face there, towards the canal.
    u_mm
        Standard uncertainty along that normal; where along the face the point lies stays the click's own.
    thickness_words
        The sheet's thickness there, in words.
    flags
        What has to be said.
    """

    point_lps: Floats
    normal_lps: Floats
    u_mm: float
    thickness_words: str
    flags: tuple[str, ...] = ()


LINE_ROUNDS, LINE_OFF_MM = 4, 3.0
"""Face and line are met anew so often (a cone needs three), from a first guess no farther off than this."""


def find_contact(
    volume: Volume,
    click_lps: ArrayLike,
    *,
    canal: CanalFrame,
    outwards_lps: ArrayLike,
    fitness: ScanFitness | None = None,
) -> DrumContact:
    """Move a click onto the drum's medial face, along the face's own normal.

    Parameters
    ----------
    volume
        The scan.
    click_lps
        Shape (3,), LPS mm: on the medial face, within about half a millimetre.
    canal
        Canal frame.
    outwards_lps
        Shape (3,): normal of the annulus plane; rays run halfway between it and the canal's axis, which grazes no wall.
    fitness
        The scan's own point spread and noise.

    Returns
    -------
    DrumContact

    Raises
    ------
    ctmeasure.errors.LandmarkError
        When no sheet is seen around the click.
    ctmeasure.errors.ScanError
        When the scan does not hold the place.

    Notes
    -----
    A bundle of rays about the click is read as those of the whole drum are (`ctmeasure.imaging.drum.rays`); a robust
    quadratic through their medial faces gives the face and its normal. Drum, scar and graft read alike.

    Example
    -------
    >>> find_contact.__name__
    'find_contact'
    """
    click = as_points(click_lps, "click").reshape(3)
    return _contact(volume, click, canal, as_points(outwards_lps, "direction").reshape(3), fitness, MOST_OFF_MM)


def contact_on_line(
    volume: Volume,
    start_lps: ArrayLike,
    direction_lps: ArrayLike,
    *,
    near_lps: ArrayLike,
    canal: CanalFrame,
    outwards_lps: ArrayLike,
    fitness: ScanFitness | None = None,
) -> DrumContact:
    """Where a straight line meets the drum's medial face.

    Parameters
    ----------
    volume
        The scan.
    start_lps, direction_lps
        Shape (3,): a point of the line (the footplate's centre) and its direction (the footplate's normal).
    near_lps
        Shape (3,): a point of the drum, to begin with.
    canal, outwards_lps, fitness
        As for `find_contact`.

    Returns
    -------
    DrumContact

    Raises
    ------
    ctmeasure.errors.LandmarkError
        When no sheet is seen where the line meets the drum.
    ctmeasure.errors.ScanError
        When the scan does not hold the place.

    Example
    -------
    >>> contact_on_line.__name__
    'contact_on_line'
    """
    start, near = (as_points(p, "point").reshape(3) for p in (start_lps, near_lps))
    way = as_points(direction_lps, "direction").reshape(3)
    way = way / np.linalg.norm(way)
    outwards = as_points(outwards_lps, "direction").reshape(3)
    point = start + float((near - start) @ way) * way
    for _ in range(LINE_ROUNDS):
        found = _contact(volume, point, canal, outwards, fitness, LINE_OFF_MM)
        slant = float(found.normal_lps @ way)
        if slant < MOST_SLANT_COS:
            raise _nothing("the line runs along it")
        point = start + float((found.point_lps - start) @ found.normal_lps) / slant * way
    return replace(found, point_lps=frozen(point))


def _contact(
    volume: Volume,
    click: Floats,
    canal: CanalFrame,
    towards: Floats,
    fitness: ScanFitness | None,
    most_off_mm: float,
) -> DrumContact:
    if not bool(volume.geometry.contains_lps(click, margin_mm=2.0)):
        raise ScanError(
            "the click on the drum lies at the edge of the scan or outside",
            expected="two millimetres of scan around it",
            action="check the click and the series",
        )
    block = volume.crop_around(click[None], margin_mm=BLOCK_MM)
    levels, air = drum_levels(block, canal, fitness)
    spread = point_spread(volume, fitness)
    towards = towards / np.linalg.norm(towards) + canal.axis_lps
    towards = towards / np.linalg.norm(towards)
    point, face = click, None
    for _ in range(2):
        bundle = _bundle(block, point, towards, air=air, soft=levels.soft)
        face = _face(bundle)
        # From the click along the face's normal to the face: its height over the bundle's middle, seen along the rays.
        normal = face.normal
        off = float((point + face.height * towards - click) @ normal)
        point = click + off * normal
    assert face is not None
    if float(normal @ towards) < MOST_SLANT_COS:
        raise _nothing("what is seen there lies along the canal")
    if abs(off) > most_off_mm:
        raise _nothing(f"the nearest sheet lies {abs(off):.1f} mm away")
    flags = [POINT_SPREAD_FLAG] if spread.assumed else []
    flags += levels.flags
    u = float(np.hypot(face.u, MODEL_U_MM)) * float(normal @ towards)
    if face.filled > 0.0:
        flags.append("middle ear filled behind part of the contact: only the outer face is seen there")
        u = float(np.hypot(u, UNSEEN_U_MM * face.filled))
    if face.bone > 0.0:
        flags.append("bone or metal beside the contact (handle, ossicle or implant)")
    metal = metal_places(block, levels)
    if len(metal) and np.linalg.norm(metal - point, axis=1).min() < METAL_MM:
        flags.append("metal near the contact")
        u = float(np.hypot(u, METAL_U_MM))
    words = "only its outer face is seen"
    if face.amount is not None:
        amount = face.amount * float(normal @ towards)
        words = sheet_thickness(amount, 0.15 * amount + 0.02, fwhm_mm=float(spread.fwhm_mm(normal))).words
    return DrumContact(frozen(point), frozen(normal), u, words, tuple(flags))


def _nothing(why: str) -> LandmarkError:
    return LandmarkError(
        f"no drum is seen around the contact: {why}",
        expected="a sheet between the air of the canal and the middle ear",
        action="check the click, or measure from it",
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Bundle:
    """Rays about a place: feet (n, 2), kinds, heights of both faces along the rays, amounts, directions."""

    feet: Floats
    kind: NDArray[np.int8]
    medial: Floats
    lateral: Floats
    amount: Floats
    across: Floats
    towards: Floats


def _bundle(block: Volume, middle: Floats, towards: Floats, *, air: float, soft: float) -> _Bundle:
    from scipy.ndimage import gaussian_filter

    across = orthonormal_basis(towards)[:2]
    steps = np.arange(-NEAR_MM - GRID_MM, NEAR_MM + 1.5 * GRID_MM, GRID_MM)
    feet = np.stack(np.meshgrid(steps, steps, indexing="ij"), axis=-1)
    along = np.arange(LATERAL_MM, -MEDIAL_MM, -STEP_MM)
    places = middle + (feet @ across)[..., None, :] + along[:, None] * towards
    values = sample(block, places, order="cubic", outside=np.nan).values
    amount = np.clip(np.nan_to_num((values - air) / (soft - air)), -0.5, 4.0)
    smooth = gaussian_filter(amount, (SMOOTH_CELLS, SMOOTH_CELLS, 0.0), mode="nearest")
    near = np.linalg.norm(feet, axis=-1) < NEAR_MM
    read = [read_ray(row, along) for row in smooth[near]]
    kind = np.array([item[0] for item in read], dtype=np.int8)
    lateral, medial, thick = (np.array([item[n] for item in read]) for n in (1, 2, 3))
    return _Bundle(feet[near], kind, medial, lateral, thick, across, towards)


def _on_all_sides(feet: Floats) -> bool:
    """Whether rays are enough for a quadratic, and reach beyond the middle along both axes."""
    sides = [int((side > 0.2).sum()) for side in (*feet.T, *-feet.T)]
    return len(feet) >= LEAST_RAYS and min(sides) >= LEAST_SIDE


@dataclass(frozen=True, slots=True, eq=False)
class _Face:
    """The face at the bundle's middle: height along the rays, normal, doubt, shares of rays, amount of tissue."""

    height: float
    normal: Floats
    u: float
    filled: float
    bone: float
    amount: float | None


def _face(bundle: _Bundle) -> _Face:
    sheet = bundle.kind == SHEET
    amount = float(np.median(bundle.amount[sheet])) if sheet.sum() > 5 else None
    taken = 0.13 if amount is None else amount
    heights = np.where(bundle.kind == FILLED, bundle.lateral - taken, bundle.medial)
    sd = np.full(len(heights), np.nan)
    for kind, value in RAY_SD_MM.items():
        sd[bundle.kind == kind] = value
    seen = np.isfinite(heights) & np.isfinite(sd) & (bundle.kind != OSSICLE)
    if _on_all_sides(bundle.feet[seen & sheet]):
        seen &= sheet
    elif not _on_all_sides(bundle.feet[seen]):
        raise _nothing(f"{int(seen.sum())} of {len(seen)} rays meet a sheet, and not on all sides")
    filled = float((bundle.kind[seen] == FILLED).mean())
    if filled > MOST_FILLED:
        raise _nothing("the space behind is filled: its medial face does not show")
    x, y = bundle.feet[seen].T
    at, sd = heights[seen], sd[seen]
    design = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    start = float(np.median(at))
    weight = 1.0 / sd / np.maximum(np.abs(at - start) / 0.6, 1.0)
    scale = 1.0
    for _ in range(6):
        found = np.linalg.lstsq(design * weight[:, None], at * weight, rcond=None)[0]
        left = (design @ found - at) / sd
        scale = max(1.4826 * float(np.median(np.abs(left))), 0.7)
        weight = 1.0 / sd / np.maximum(np.abs(left) / (ROBUST_SD * scale), 1.0)
    covariance = np.linalg.pinv((design * weight[:, None]).T @ (design * weight[:, None])) * ALIKE_RAYS * scale**2
    normal = bundle.towards - found[1:3] @ bundle.across
    normal = normal / np.linalg.norm(normal)
    return _Face(
        float(found[0]), normal, float(np.sqrt(covariance[0, 0])), filled,
        float((bundle.kind == OSSICLE).mean()), amount,
    )  # fmt: skip
