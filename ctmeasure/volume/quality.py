"""What a scan is good for: point spread, noise, metal, coverage, and what these rule out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.progress import Progress, no_progress
from ctmeasure.volume.calibration import Scale, scale_of
from ctmeasure.volume.coverage import coverage_doubts
from ctmeasure.volume.edge_widths import LEAST_EDGES, point_spread
from ctmeasure.volume.edges import Edges, find_edges
from ctmeasure.volume.gates import THICKEST_SLICE_MM, gates_of, warnings_of
from ctmeasure.volume.motion import jumps_between_slices
from ctmeasure.volume.support import supports_of
from ctmeasure.volume.volume import Volume

LEAST_STEP_HU = 700.0
"""Smallest step that serves as an edge: less than air against soft tissue (about 1000 HU)."""

METAL_HU, METAL_VOXELS = 3000.0, 10
"""Voxels denser than any bone or tooth, and how many of them make metal."""


@dataclass(frozen=True)
class ScanFitness:
    """What a scan is good for. Lengths in mm, point spreads as full width at half maximum.

    Parameters
    ----------
    spacing_mm, coverage_mm
        Slice, row and column spacing, and extent of the scan along them.
    point_spread_in_plane_mm, point_spread_through_plane_mm
        None when not estimable; `point_spread_flags` then says why. They are the whole blur found in the voxels, the
        averaging over a voxel included: it must not be added again.
    point_spread_in_plane_u_mm, point_spread_through_plane_u_mm
        Their standard uncertainties.
    noise_hu
        Standard deviation in homogeneous tissue, in the scan's unit.
    overshoot_fraction
        By how much of a step the kernel overshoots; None when not estimable.
    metal, clipped
        Whether there is metal, and whether its values are cut off. Metal is None (not assessed) without HU.
    edges_used
        Steps the point spread rests on.
    gates
        What this scan rules out, one sentence each.
    warnings
        What to keep in mind.
    air_level, soft_level, bone_level
        What these tissues read in this scan, in its own unit; None where it does not show them.
    motion_slices
        First slice (index k) of each pair between which the picture jumps; empty is "no jump seen", not "no motion".
    supports
        What each kind of measurand can be expected to give on this scan, one sentence each.
    """

    spacing_mm: tuple[float, float, float]
    coverage_mm: tuple[float, float, float]
    point_spread_in_plane_mm: float | None
    point_spread_in_plane_u_mm: float | None
    point_spread_through_plane_mm: float | None
    point_spread_through_plane_u_mm: float | None
    noise_hu: float
    overshoot_fraction: float | None = None
    metal: bool | None = None
    clipped: bool = False
    edges_used: int = 0
    point_spread_flags: tuple[str, ...] = ()
    gates: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    air_level: float | None = None
    soft_level: float | None = None
    bone_level: float | None = None
    motion_slices: tuple[int, ...] = ()
    supports: tuple[str, ...] = ()

    @property
    def point_spread_mm(self) -> tuple[float, float] | None:
        """In plane and through plane, or None unless both are known."""
        if self.point_spread_in_plane_mm is None or self.point_spread_through_plane_mm is None:
            return None
        return (self.point_spread_in_plane_mm, self.point_spread_through_plane_mm)

    @property
    def point_spread_words(self) -> str:
        """One line for people; a number never without its uncertainty."""
        parts = []
        for words, value, u in (
            ("in plane", self.point_spread_in_plane_mm, self.point_spread_in_plane_u_mm),
            ("through plane", self.point_spread_through_plane_mm, self.point_spread_through_plane_u_mm),
        ):
            known = value is not None and u is not None
            parts.append(f"{words} {value:.2f} mm (u {u:.2f})" if known else f"{words} not estimable")
        return "point spread " + ", ".join(parts)


def assess_fitness(
    volume: Volume,
    *,
    marked_lps: NDArray[np.float64] | None = None,
    thickest_slice_mm: float = THICKEST_SLICE_MM,
    progress: Progress = no_progress,
) -> ScanFitness:
    """Judge a scan from its voxels.

    Parameters
    ----------
    volume
        The scan.
    marked_lps
        Shape (n, 3), LPS mm: everything that is marked, to tell whether the scan reaches far enough around it.
    thickest_slice_mm
        Slice spacing above which no thickness below 1 mm and no drill plan is given.
    progress
        May stop it.

    Returns
    -------
    ScanFitness
        The same for the same voxels and marks.

    Raises
    ------
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    The point spread is one width over many blurred steps, ``sigma_n^2 = sigma_xy^2 (1 - n_z^2) + sigma_z^2 n_z^2``, so
    it needs edges both across and along the slices; where they are missing it is "not estimable", never guessed.

    References
    ----------
    Pakdel A et al. 2014 (point spread from bone interfaces; their own error was 0.09 mm in plane and 0.14 mm through
    plane, larger for sharp kernels).

    Example
    -------
    >>> from ctmeasure.volume.geometry import Geometry
    >>> empty = Volume(Geometry((4, 8, 8), np.diag([0.8, 0.5, 0.5, 1.0])), np.zeros((4, 8, 8), np.int16))
    >>> assess_fitness(empty).point_spread_words
    'point spread in plane not estimable, through plane not estimable'
    """
    hu = volume.source.intensity_unit == "HU"
    progress("judging the scan: noise", 0.0)
    noise = noise_sd(volume)
    progress("judging the scan: edges", 0.2)
    edges = find_edges(volume, least_contrast=_least_step(volume, hu), noise=noise)
    scale = scale_of(volume.values, unit=volume.source.intensity_unit)
    in_plane, through, flags = point_spread(edges, noise=noise, air=scale.air, soft=scale.soft)
    overshoot = _overshoot(edges)
    progress("judging the scan: metal and motion", 0.8)
    metal, clipped = _metal(volume, hu)
    moved = jumps_between_slices(volume, noise=noise)
    spacing = volume.geometry.spacing_mm
    shape = volume.geometry.shape_kji
    coverage = (spacing[0] * shape[0], spacing[1] * shape[1], spacing[2] * shape[2])
    fitness = ScanFitness(
        spacing_mm=spacing,
        coverage_mm=coverage,
        point_spread_in_plane_mm=None if in_plane is None else in_plane[0],
        point_spread_in_plane_u_mm=None if in_plane is None else in_plane[1],
        point_spread_through_plane_mm=None if through is None else through[0],
        point_spread_through_plane_u_mm=None if through is None else through[1],
        noise_hu=noise,
        overshoot_fraction=overshoot,
        metal=metal,
        clipped=clipped,
        edges_used=len(edges.sigma_mm),
        point_spread_flags=flags,
        gates=gates_of(volume, in_plane is not None and through is not None, thickest_slice_mm=thickest_slice_mm),
        warnings=(
            *warnings_of(volume, noise=noise, overshoot=overshoot, metal=metal, clipped=clipped, coverage_mm=coverage),
            *_motion_words(moved),
            *_scale_words(scale, hu),
            *coverage_doubts(volume.geometry, marked_lps),
        ),
        air_level=scale.air,
        soft_level=scale.soft,
        bone_level=scale.bone,
        motion_slices=moved,
        supports=tuple(
            support.words
            for support in supports_of(
                spacing,
                point_spread_mm=(in_plane[0], through[0]) if in_plane is not None and through is not None else None,
                thickest_slice_mm=thickest_slice_mm,
                calibrated=hu,
            )
        ),
    )
    progress("judging the scan", 1.0)
    return fitness


def _motion_words(moved: tuple[int, ...]) -> tuple[str, ...]:
    if not moved:
        return ()
    places = ", ".join(f"{k + 1} and {k + 2}" for k in moved[:3]) + (" and others" if len(moved) > 3 else "")
    return (f"the picture jumps between slices {places} (counted from one end): the patient may have moved",)


def _scale_words(scale: Scale, hu: bool) -> tuple[str, ...]:
    if hu:
        return ()
    return (f"grey values without HU: thresholds are estimated from this scan ({scale.words})",)


def noise_sd(volume: Volume, *, seed: int = 5) -> float:
    """Estimate the noise where the tissue is homogeneous.

    Parameters
    ----------
    volume
        The scan.
    seed
        Of the patches looked at.

    Returns
    -------
    float
        Standard deviation in the scan's unit; 0 for a scan without noise.

    Raises
    ------
    ValueError
        Never.

    Notes
    -----
    Standard deviations of many 7 x 7 patches within a slice, a plane taken out of each; the most common value
    (half-sample mode) is that of homogeneous patches, whatever share of the scan they are. Patches of air cut off at
    the lowest value are left out. Noise that is smooth over several voxels is slightly underestimated.
    """
    _, rows, columns = volume.geometry.shape_kji
    side = 7
    if rows <= side or columns <= side:
        return 0.0
    rng = np.random.default_rng(seed)
    count = 12_000
    corner = rng.integers((0, 0, 0), (volume.geometry.shape_kji[0], rows - side, columns - side), size=(count, 3))
    j, i = np.mgrid[0:side, 0:side]
    patch = volume.values[corner[:, 0, None, None], corner[:, 1, None, None] + j, corner[:, 2, None, None] + i].reshape(
        count, -1
    )
    lowest = volume.values.min()
    whole = (patch > lowest).all(axis=1)
    patch = patch[whole if whole.sum() > 200 else np.ones(count, bool)].astype(np.float64)
    basis, _ = np.linalg.qr(np.stack([np.ones(side * side), j.ravel(), i.ravel()], axis=1))
    rest = patch - (patch @ basis) @ basis.T
    return _half_sample_mode(np.sqrt((rest**2).sum(axis=1) / (side * side - 3)))


def _half_sample_mode(values: NDArray[np.float64]) -> float:
    """Give the most common value: again and again the shortest half (Robertson and Cryer 1974)."""
    ordered = np.sort(values)
    while len(ordered) > 200:
        half = len(ordered) // 2
        widths = ordered[half:] - ordered[: len(ordered) - half]
        first = int(np.argmin(widths))
        ordered = ordered[first : first + half + 1]
    return float(np.mean(ordered))


def _least_step(volume: Volume, hu: bool) -> float:
    if hu:
        return LEAST_STEP_HU
    # Without HU: a third of the range between the darkest and brightest common values.
    coarse = volume.values[::4, ::4, ::4]
    dark, bright = np.percentile(coarse, (1, 99))
    return float(max((bright - dark) / 3.0, 1.0))


def _overshoot(edges: Edges) -> float | None:
    if len(edges.shape) < 8 or len(edges.sigma_mm) < LEAST_EDGES:
        return None
    # A kernel overshoots alike on both sides; bone that is thinner than the profile is long bulges on its side only.
    distance, share = edges.shape[:, 0], edges.shape[:, 1]
    above, below = share[distance > 1.2].max() - 1.0, -share[distance < -1.2].min()
    return float(max(min(above, below), 0.0))


def _metal(volume: Volume, hu: bool) -> tuple[bool | None, bool]:
    if not hu:
        return None, False
    top = volume.values.max()
    if top <= METAL_HU:
        return False, False
    metal = sum(np.count_nonzero(mask) for mask in volume.slices_above(METAL_HU)) >= METAL_VOXELS
    clipped = metal and sum(np.count_nonzero(plane == top) for plane in volume.values) >= METAL_VOXELS
    return bool(metal), bool(clipped)
