"""Bone along a drill direction: to the first gap, to the exit space, and how sure that is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.errors import GeometryError
from ctmeasure.imaging import layers, neighbours
from ctmeasure.imaging.ends import Ends, estimate, spread_about_chosen, weigh_ends
from ctmeasure.imaging.gaps import Gaps, find_gaps
from ctmeasure.imaging.levels import FWHM_PER_SIGMA, PointSpread, TissueLevels
from ctmeasure.imaging.reading import Reading
from ctmeasure.imaging.sharpened import sharpened, with_spaces
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

BEFORE_MM = 2.6
"""Profiles start this far before the wall, to see what lies in front of it."""
BEYOND_MM = 1.5
"""They end this far beyond the arm length, so that an exit at its end is still recognised as wide enough."""
STEEPEST_COSINE = 0.34
"""Below this cosine (70 degrees to the normal) a ray runs along the wall and no thickness is given."""
FIT_REACH_MM = 0.5
"""A fit that ends farther than this from the half level, or is less sure than this, did not find the edge."""
HALF_LEVEL_U_FWHM = 0.3
"""Standard uncertainty of a half level taken instead, in point-spread widths (it over-reads thin bone; our choice)."""
SEARCH_MM = (-0.6, 0.9)
"""The bone begins this near to the entry point."""
NOT_RESOLVED_FWHM = 0.3
MODEL_DEPENDENT_FWHM = 1.0
RESOLVED_FWHM = 1.5
SURFACE_U_MM = 0.06
"""Standard uncertainty of a wall surface whose own is not given."""
BRIDGED_U_MM = 0.2
"""The same where it is not a number: the surface there is bridged from its neighbours."""
SURE = 0.95
"""From this probability of one end of the bone on, the others widen the interval but do not move the value."""
LONGEST_LOOK_MM = 4.0
"""The middle of an exit space is looked for in its first part."""
HALF_LEVEL_EXIT_FWHM = 0.125
"""Standard uncertainty of an exit at the half level of the sharper copy, in point-spread widths (our choice)."""
SEPTUM_U_MM = 0.15
"""Extra standard uncertainty of an exit found behind other gaps, at half level of what may be a thin septum."""
MODEL_U_MM = 0.06
"""What parallel faces, even bone and one Gaussian leave out (scatter on synthetic ears with uneven, cellular bone)."""
LINING_U_MM = 0.03
"""What not knowing the lining adds to the place of the bone front (its prior against canals of known lining)."""

AIR_SHARE = 0.3
"""A space that dips by this share of the step from soft tissue to air holds air; a small cell never shows all of it."""
AIR_LEVEL_SHARE = 0.2
"""So does one whose middle, in the sharper copy, lies this far towards air (soft spaces up to 0.13, cells from 0.4)."""

MODEL_FLAG = "model dependent"
UNRESOLVED_FLAG = "present, not resolved"
GAPS_FLAG = "small gaps on the way"
OUTSIDE_FLAG = "leaves the scan"
NO_EXIT = "no exit within arm length"
AMBIGUOUS_FLAG = "first gap uncertain"
FAINT_FLAG = "bone not distinguishable at the entry"
STEEP_FLAG = "direction along the wall"

RESOLVED, MODEL, PRESENT, BELOW, NO_WALL, NOT_ASSESSED = range(6)
STATES = (
    "resolved", "model dependent", "present, not resolved", "below resolution", "no wall found", "not assessed",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class WallPaths:
    """Bone along n rays; arrays of shape (n,), lengths in mm along the ray, NaN where there is none.

    ``state`` indexes `STATES`. ``u_noise``, ``u_bone`` and ``u_blur`` are the parts of ``to_first_gap_u_mm`` that come
    from noise, from the bone level and from the point spread. ``bone_amount_mm`` is the companion that stays sound
    below resolution: bone level times thickness over the bone level. ``exit_level`` is the grey level in the exit
    space, ``exit_width_mm`` how far that space was seen to go on. ``air_exit`` says air, not soft tissue.

    Dips of this ray and of four rays 0.15 mm beside it are weighed: is each a gap on the path, or a cell beside it?
    ``p_chosen`` is the probability of the likeliest end of the bone. Where it is under `SURE` (``ambiguous``), the
    value is the quantile `ends.VALUE_QUANTILE` of all ends, the uncertainty their root mean square distance from it,
    and the 95 % interval (``to_first_gap_low_mm``, ``to_first_gap_high_mm``) holds both sides: the number then is
    "model dependent".
    ``u_uneven`` is what the other ends and an uneven face add. ``exits`` holds every place where the exit may be.
    Where ``small_gaps`` is False, ``to_exit_mm`` is ``to_first_gap_mm``.
    """

    to_first_gap_mm: Floats
    to_first_gap_u_mm: Floats
    u_noise: Floats
    u_bone: Floats
    u_blur: Floats
    bone_amount_mm: Floats
    front_mm: Floats
    state: NDArray[np.uint8]
    to_exit_mm: Floats
    to_exit_u_mm: Floats
    exit_level: Floats
    exit_width_mm: Floats
    air_exit: NDArray[np.bool_]
    small_gaps: NDArray[np.bool_]
    left_scan: NDArray[np.bool_]
    no_exit: NDArray[np.bool_]
    fwhm_mm: Floats
    to_first_gap_low_mm: Floats
    to_first_gap_high_mm: Floats
    u_uneven: Floats
    ambiguous: NDArray[np.bool_]
    p_chosen: Floats
    exits: Ends

    def flags(self, index: int) -> tuple[str, ...]:
        """Flags of one ray, in words."""
        state = int(self.state[index])
        words = []
        if state == MODEL:
            words.append(MODEL_FLAG)
        if state == PRESENT:
            words += [MODEL_FLAG, UNRESOLVED_FLAG]
        if state == BELOW:
            words.append(FAINT_FLAG)
        for flag, where in (
            (GAPS_FLAG, self.small_gaps),
            (AMBIGUOUS_FLAG, self.ambiguous),
            (OUTSIDE_FLAG, self.left_scan),
            (NO_EXIT, self.no_exit),
        ):
            if where[index]:
                words.append(flag)
        return tuple(words)


def measure_wall_paths(
    volume: Volume,
    entry_lps: ArrayLike,
    *,
    direction_lps: ArrayLike,
    spread: PointSpread,
    levels: TissueLevels,
    exit_gap_mm: float,
    arm_length_mm: float,
    normal_lps: ArrayLike | None = None,
    surface_u_mm: ArrayLike = SURFACE_U_MM,
    lining_mm: ArrayLike | None = None,
    reading: Reading | None = None,
) -> WallPaths:
    """Measure the bone along rays that start on the wall.

    Parameters
    ----------
    volume
        The scan.
    entry_lps, direction_lps
        Shape (n, 3): points on the bone surface (LPS mm) and directions into the bone (any length).
    spread, levels
        Point spread of the scan and grey levels of this ear.
    exit_gap_mm
        A gap at least this long along the ray is the exit.
    arm_length_mm
        How far an exit is looked for.
    normal_lps
        Wall normals into the bone, shape (n, 3); None: along the directions. A wall met at an angle psi is blurred
        along the ray by the blur along its normal over cos psi.
    surface_u_mm
        Standard uncertainty of the entry points along the normal, shape (n,) or one number.
    lining_mm
        Thickness of the lining along the normal where known, shape (n,).
    reading
        Copies of the scan made before of a block that covers `ray_ends`; None: of these rays' own block.

    Returns
    -------
    WallPaths

    Raises
    ------
    GeometryError
        When a direction has no length or shapes disagree.

    Notes
    -----
    A first analysis: parallel faces, one Gaussian. The bone level is a prior from thick wall of the same ear with the
    spread seen there, so below about one point-spread width it decides and its uncertainty is carried as a systematic
    term; in thick wall the profile's own level takes over. Bone that cannot be told from its surroundings is "below
    resolution", which is not "absent".

    References
    ----------
    Treece GM et al. (2010) Med Image Anal 14:276, PMC2868358 (fixed cortical level, two blurred edges).
    Prevrhal S et al. (2003) Med Phys 30:1, doi:10.1118/1.1521940 (over-reading of thin walls).
    """
    entry = np.asarray(entry_lps, dtype=np.float64).reshape(-1, 3)
    direction = np.asarray(direction_lps, dtype=np.float64).reshape(-1, 3)
    length = np.linalg.norm(direction, axis=1)
    if direction.shape != entry.shape or np.any(length < 1e-9):
        raise GeometryError(
            f"{len(entry)} entry points and {len(direction)} directions, the shortest of length "
            f"{length.min(initial=0.0):g}",
            expected="one direction with a length for each point",
            action="give a drill direction",
        )
    direction = direction / length[:, None]
    normal = direction if normal_lps is None else np.asarray(normal_lps, dtype=np.float64).reshape(-1, 3)
    cosine = np.sum(direction * normal, axis=1)
    steep = ~(cosine > STEEPEST_COSINE)
    cosine = np.where(steep, 1.0, cosine)
    sigma = spread.sigma_mm(np.where(np.isfinite(normal), normal, direction)) / cosine
    offsets = _offsets(arm_length_mm)
    values = layers.profiles(volume, entry, directions_lps=direction, offsets_mm=offsets)
    found, first, exits = _look(
        volume, values, entry, direction, np.where(steep[:, None], direction, normal), offsets,
        spread=spread, levels=levels, exit_gap_mm=exit_gap_mm, arm_length_mm=arm_length_mm,
        least_mm=NOT_RESOLVED_FWHM * FWHM_PER_SIGMA * sigma, reading=reading,
    )  # fmt: skip
    u_surface = np.broadcast_to(np.asarray(surface_u_mm, dtype=np.float64), (len(entry),))
    u_surface = np.hypot(np.nan_to_num(u_surface, nan=BRIDGED_U_MM), LINING_U_MM) / cosine
    lining = None if lining_mm is None else np.nan_to_num(np.asarray(lining_mm, dtype=np.float64)) / cosine
    fitted = layers.fit(
        values, offsets, found=found, sigma_mm=sigma, levels=levels,
        bone=np.full(len(entry), levels.bone), bone_sd=np.full(len(entry), levels.bone_sd),
        blur_relative_u=spread.relative_u, front_mm=np.zeros(len(entry)), front_sd_mm=u_surface,
        lining_mm=lining, lining_sd_mm=0.05 if lining_mm is not None else layers.LINING_SD_MM,
    )  # fmt: skip
    return _paths(found, fitted, levels, sigma * FWHM_PER_SIGMA, steep, u_surface, first, exits)


def ray_ends(entry_lps: Floats, direction_lps: Floats, *, arm_length_mm: float) -> Floats:
    """Both ends of the rays that `measure_wall_paths` reads, shape (2 n, 3); unit directions."""
    offsets = _offsets(arm_length_mm)
    return np.concatenate([entry_lps + offset * direction_lps for offset in (offsets[0], offsets[-1])])


def _offsets(arm_length_mm: float) -> Floats:
    return np.arange(-BEFORE_MM, arm_length_mm + BEYOND_MM, layers.STEP_MM)


def _look(
    volume: Volume,
    values: Floats,
    entry: Floats,
    direction: Floats,
    normal: Floats,
    offsets: Floats,
    *,
    spread: PointSpread,
    levels: TissueLevels,
    exit_gap_mm: float,
    arm_length_mm: float,
    least_mm: Floats,
    reading: Reading | None,
) -> tuple[layers.Walk, Ends, Ends]:
    """Where each ray's bone may end first, where the exit may be, and the walk to the likeliest of both."""
    if reading is None:
        ends = ray_ends(entry, direction, arm_length_mm=arm_length_mm)
        sharper = sharpened(volume, ends, spread=spread, levels=levels)
        spaces = with_spaces(sharper, volume, levels=levels)
    else:
        sharper, spaces = reading.sharper, reading.spaces
    profiles = neighbours.parallel_profiles(
        sharper, spaces, entry, direction_lps=direction, normal_lps=normal,
        offsets_mm=offsets, entry_end_mm=SEARCH_MM[1],
    )  # fmt: skip
    # Where the scan itself has ended, the copy (which reaches as far as its filter pads it) has too.
    profiles[0] = np.where(np.isfinite(values), profiles[0], np.nan)
    found, plain = (
        layers.walk(look, offsets, levels=levels, search_mm=SEARCH_MM, exit_gap_mm=exit_gap_mm)
        for look in (profiles[0], values)
    )
    gaps = find_gaps(
        profiles, offsets, levels=levels, search_mm=SEARCH_MM, exit_gap_mm=exit_gap_mm, farthest_mm=arm_length_mm
    )
    # Bone of no resolvable thickness that in the scan itself goes on is ringing at the entry.
    ringing = (found.fall_x < least_mm) & ~(plain.fall_x <= found.fall_x + least_mm) & np.isfinite(plain.peak_x)
    ring = ringing[:, None] & (gaps.fall_mm < least_mm[:, None])
    first, exits = (
        weigh_ends(gaps.fall_mm, gaps.rise_mm, probability=np.where(ring, 0.0, p), farthest_mm=arm_length_mm)
        for p in (gaps.p_gap, gaps.p_exit)
    )
    found = found._replace(
        peak_x=np.where(ringing, plain.peak_x, found.peak_x), peak=np.where(ringing, plain.peak, found.peak)
    )
    return _walk_to(found, gaps, first.chosen, exits.chosen, profiles[0], values, offsets), first, exits


def _walk_to(
    found: layers.Walk,
    gaps: Gaps,
    first: NDArray[np.intp],
    exits: NDArray[np.intp],
    clear: Floats,
    values: Floats,
    offsets: Floats,
) -> layers.Walk:
    """The walk to the chosen gap and exit of each ray."""
    from ctmeasure.kernels.rays import EXIT_FOUND, LEFT_SCAN, NO_BONE, NO_FALL

    rows = np.arange(len(values))

    def at(column: Floats, index: NDArray[np.intp]) -> Floats:
        return np.where(index >= 0, column[0, rows, np.maximum(index, 0)], np.nan)

    fall, exit_x = at(gaps.fall_mm, first), at(gaps.fall_mm, exits)
    width = np.minimum(at(gaps.rise_mm, exits), found.end_x) - exit_x
    begins = np.isfinite(found.peak_x)
    ended = ~np.isfinite(values[:, -1])
    code = np.where(exits >= 0, EXIT_FOUND, np.where(ended, LEFT_SCAN, NO_FALL))
    code = np.where(begins, code, np.where(found.code == LEFT_SCAN, LEFT_SCAN, NO_BONE))
    reach = np.minimum(width, LONGEST_LOOK_MM)
    middle = (offsets >= (exit_x + 0.25 * reach)[:, None]) & (offsets <= (exit_x + 0.75 * reach)[:, None])
    inside = (offsets >= exit_x[:, None]) & (offsets <= (exit_x + width)[:, None])
    level = np.sum(np.where(middle, np.nan_to_num(clear), 0.0), axis=1) / np.maximum(middle.sum(axis=1), 1)
    # In the sharper copy noise dips towards air everywhere: the lowest value is the scan's own.
    lowest = np.min(np.where(inside & np.isfinite(values), values, np.inf), axis=1)
    return found._replace(
        fall_x=fall, gap_low=at(gaps.low, first), gap_width=at(gaps.rise_mm, first) - fall,
        exit_x=exit_x, exit_width=width, exit_level=np.where(middle.any(axis=1), level, np.nan),
        exit_low=np.where(np.isfinite(lowest), lowest, np.nan), code=code,
    )  # fmt: skip


def _holds_air(found: layers.Walk, levels: TissueLevels) -> NDArray[np.bool_]:
    """Whether each exit space holds air: its lowest value in the scan, or its middle in the sharper copy, says so."""
    step = levels.soft - levels.air
    return np.asarray(
        (found.exit_low < levels.soft - AIR_SHARE * step) | (found.exit_level < levels.soft - AIR_LEVEL_SHARE * step)
    )


def _paths(
    found: layers.Walk,
    fitted: layers.LayerFit,
    levels: TissueLevels,
    fwhm: Floats,
    steep: NDArray[np.bool_],
    u_surface: Floats,
    first: Ends,
    exits: Ends,
) -> WallPaths:
    from ctmeasure.kernels.rays import EXIT_FOUND, LEFT_SCAN, NO_BONE

    inflation = np.maximum(np.nan_to_num(fitted.misfit, nan=1.0), 1.0)
    # A fit that ran off or tells nothing leaves the half level of the sharper copy.
    front = np.where(fitted.ok & np.isfinite(fitted.front_x), fitted.front_x, 0.0)
    walked = found.fall_x - front
    u_noise = fitted.u_noise * inflation
    lost = ~(np.abs(fitted.thickness - walked) < FIT_REACH_MM) | ~(u_noise < FIT_REACH_MM)
    chosen = np.where(steep, np.nan, np.where(lost, walked, fitted.thickness))
    u_noise = np.where(lost, HALF_LEVEL_U_FWHM * fwhm, u_noise)
    u_bone, u_blur = np.where(lost, 0.0, fitted.u_bone), np.where(lost, 0.0, fitted.u_blur)
    u_first = np.sqrt(u_noise**2 + u_bone**2 + u_blur**2 + MODEL_U_MM**2 + first.uneven_mm**2)
    given = np.isfinite(chosen) & np.isfinite(u_first)
    chosen = np.where(given, chosen, np.nan)
    thickness, u_mixed, low, high = estimate(first, chosen, u_first, sure=SURE)
    ambiguous = given & (first.p_chosen < SURE)
    share = thickness / fwhm
    state = np.full(len(fwhm), NOT_ASSESSED, np.uint8)
    state[share >= RESOLVED_FWHM] = RESOLVED
    state[share < RESOLVED_FWHM] = MODEL
    state[ambiguous] = MODEL
    state[share < NOT_RESOLVED_FWHM] = PRESENT
    code = np.where(steep, np.nan, found.code)
    left = code == LEFT_SCAN
    # Bone without a gap before the arm ends or the scan does: thicker than what was looked at.
    solid = ~given & np.isfinite(found.peak_x) & ~np.isfinite(found.fall_x) & ~left & ~steep
    state[solid] = RESOLVED
    state[solid & (first.p_chosen < SURE)] = MODEL
    state[(code == NO_BONE)] = BELOW
    exit_x = np.where((code == EXIT_FOUND) & fitted.ok & ~steep, found.exit_x, np.nan)
    # Where the fitted bone ends in the exit space, both are one place; elsewhere the half level of the last wall.
    one_place = np.isclose(exit_x, found.fall_x, atol=1e-9) & given
    to_exit = np.where(one_place, np.where(ambiguous, chosen, thickness), exit_x - front)
    u_exit = np.where(one_place, u_first, np.hypot(HALF_LEVEL_EXIT_FWHM * fwhm, SEPTUM_U_MM))
    u_exit = np.sqrt(u_exit**2 + exits.uneven_mm**2 + spread_about_chosen(exits) ** 2 + u_surface**2)
    small_gaps = np.isfinite(exit_x) & ~(one_place & ~ambiguous)
    return WallPaths(
        thickness,
        np.where(given, u_mixed, np.nan),
        np.where(given, u_noise, np.nan),
        np.where(given, u_bone, np.nan),
        np.where(given, u_blur, np.nan),
        np.where(given, thickness * fitted.bone / levels.bone, np.nan),
        front,
        state,
        to_exit,
        np.where(np.isfinite(to_exit), u_exit, np.nan),
        found.exit_level,
        found.exit_width,
        _holds_air(found, levels),
        small_gaps,
        left,
        ~steep & ~left & np.isfinite(found.peak_x) & ~np.isfinite(exit_x),
        fwhm,
        np.where(given, low, np.nan),
        np.where(given, high, np.nan),
        np.where(given, np.sqrt(np.maximum(u_mixed**2 - u_first**2, 0.0) + first.uneven_mm**2), np.nan),
        ambiguous,
        first.p_chosen,
        exits,
    )
