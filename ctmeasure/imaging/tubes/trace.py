"""Two to six clicks in, a traced tube out: check, snap, route, refine, doubt, parts, plausibility."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import fields, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ctmeasure.errors import LandmarkError
from ctmeasure.geometry.polylines import arc_lengths_mm
from ctmeasure.imaging.levels import POINT_SPREAD_FLAG, PointSpread, point_spread
from ctmeasure.imaging.tubes.clicks import Side, check_clicks, check_on_canal
from ctmeasure.imaging.tubes.disc import fit_sections
from ctmeasure.imaging.tubes.kinds import TubeKind, tube_kind
from ctmeasure.imaging.tubes.parts import genua, segments, turns_back
from ctmeasure.imaging.tubes.plausibility import plausibility_flags
from ctmeasure.imaging.tubes.refine import SPACING_MM, Refined, refine
from ctmeasure.imaging.tubes.result import UNCONFIRMED_U_MM, SampleMarks, Segment, TracedTube
from ctmeasure.imaging.tubes.route import MARGIN_MM, Ridge, astray, joined, legs, off_ridge, ridge_speed, snap
from ctmeasure.imaging.tubes.tissue import TubeLevels, metal_places, tube_levels
from ctmeasure.progress import Progress, no_progress
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

OPEN_RAD = np.radians(50.0)
"""A wider angle without bony wall is an open stretch."""
METAL_MM = 3.0
"""Metal nearer than this spoils what is read beside it (common practice, no source)."""
METAL_U_MM = 0.25
"""Standard uncertainty added beside metal, per direction and to the radius (our choice)."""
OPEN_U_MM = 0.10
"""The same where the wall is open: the nerve may bulge (our choice)."""
NO_WALL_U_MM = 0.25
"""The same where no wall was fitted at all."""
ASTRAY_MM = 0.5
"""Reach of that on either side."""
MODEL_U_MM = 0.02
"""What a round canal in a Gaussian scan leaves out, per direction and in the radius; from synthetic ears."""
ALIKE_SD = 2.5
"""A radius within this many of the kind's standard deviations looks like the tube."""
LEAST_SAMPLES = 6
"""A shorter part says no direction."""
NEAR_END_MM = 1.0
"""A path that ends this close to the scan's border was cut off by it."""


def trace_tube(
    volume: Volume,
    clicks_lps: ArrayLike,
    *,
    structure_id: str = "facial_nerve",
    side: Side | None = None,
    fitness: ScanFitness | None = None,
    confirmed: Collection[str] | bool = False,
    progress: Progress = no_progress,
) -> TracedTube:
    """Trace the facial canal or the chorda's canal through a few clicks.

    Parameters
    ----------
    volume
        The scan.
    clicks_lps
        Shape (n, 3), LPS mm: two to six clicks along the canal, in order (either way), each within about half a
        millimetre of it.
    structure_id
        ``"facial_nerve"`` or ``"chorda_tympani"``.
    side
        Ear the clicks are said to be in; None is not checked.
    fitness
        The scan's own point spread and noise; without it the point spread is assumed and flagged.
    confirmed
        Names of the segments that a person confirmed on the curved picture; True for all.
    progress
        Listener; may cancel.

    Returns
    -------
    TracedTube
        Centre line and radius every 0.25 mm with covariance. Unconfirmed segments carry 0.25 mm more per direction.

    Raises
    ------
    ctmeasure.errors.LandmarkError
        Too few or too many clicks, out of order, in the other ear, in bone or air.
    ctmeasure.errors.ScanError
        Clicks outside the scan, or no bone around them.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    CT shows the canal, not the nerve. Where the bony wall is open, the path goes on and says so. The covariance holds
    noise, the canal's departure from a circle, the doubt of point spread and of the canal's own level; it does not hold
    the chance of having followed a wrong canal, which is why a person confirms it segment by segment.

    References
    ----------
    Route: Deschamps T, Cohen LD 2001, Fast extraction of minimal paths in 3D images, DOI
    10.1016/S1361-8415(01)00046-9. Edge shift of curved blurred edges: second-order expansion of the blurred disc (a
    non-central chi-square distribution).

    Example
    -------
    >>> from ctmeasure.volume.geometry import Geometry
    >>> z, y, x = np.mgrid[0:40, 0:30, 0:30] * 0.3
    >>> level = 1600.0 - 1560.0 / (1.0 + np.exp((np.hypot(x - 4.5, y - 4.5) - 0.65) / 0.12))
    >>> grid = Geometry((40, 30, 30), np.diag([0.3, 0.3, 0.3, 1.0])[[2, 1, 0, 3]])
    >>> tube = trace_tube(Volume(grid, level.astype(np.int16)), [[4.6, 4.4, 10.0], [4.4, 4.6, 2.0]])
    >>> bool(np.abs(tube.points_lps[:, :2] - 4.5).max() < 0.05), [part.part for part in tube.segments]
    (True, ['mastoid'])
    """
    kind = tube_kind(structure_id)
    clicks = check_clicks(clicks_lps, structure_id=structure_id, geometry=volume.geometry, side=side)
    progress("tracing: looking for the canal", 0.0)
    block = volume.crop_around(clicks.points_lps, margin_mm=MARGIN_MM + 1.0)
    levels = tube_levels(block, fitness)
    spread = point_spread(volume, fitness)
    ridge = ridge_speed(block, clicks.points_lps, kind=kind, levels=levels, spread=spread)
    moved, speed = snap(ridge, clicks.points_lps, reach_mm=kind.snap_mm)
    used, off = check_on_canal(
        block, clicks.points_lps, moved_lps=moved, speed=speed, levels=levels, structure_id=structure_id
    )
    progress("tracing: following it", 0.3)
    way, lost, (first, last) = _way(ridge, moved[:used], kind)
    progress("tracing: fitting its wall", 0.5)
    refined = refine(block, way, kind=kind, levels=levels, spread=spread)
    progress("tracing: doubt", 0.85)
    marks = _marks(refined, block, ridge, levels)
    refined, marks, cut = _seen_part(refined, marks, kind)
    covariance, radius_u = _doubt(block, refined, marks, kind, levels, spread)
    along = arc_lengths_mm(refined.path_lps)
    centre_u = np.sqrt(np.maximum(np.linalg.eigvalsh(covariance)[:, -1], 0.0))
    bends = genua(refined.path_lps, centre_u_mm=centre_u) if structure_id == "facial_nerve" else ()
    parts = segments(refined.path_lps, structure_id=structure_id, bends=bends, confirmed=confirmed)
    hairpins = along[turns_back(refined.path_lps)]
    flags = [
        *clicks.flags,
        *off,
        *lost,
        *cut,
        *((POINT_SPREAD_FLAG,) if spread.assumed else ()),
        *levels.flags,
        *((f"the path turns back on itself {hairpins[0]:.1f} mm from its start",) if len(hairpins) else ()),
        *_mark_flags(marks, along),
        *_end_flags(refined.path_lps, volume),
        *plausibility_flags(
            structure_id, segments=parts, genua=bends, arc_length_mm=along, radius_mm=refined.radius_mm
        ),
        *(f"{part.part} segment not confirmed" for part in parts if not part.confirmed),
    ]
    progress("traced", 1.0)
    return TracedTube(
        structure_id,
        refined.path_lps,
        refined.radius_mm,
        covariance + _unconfirmed(parts, len(along))[:, None, None] ** 2 * np.eye(3),
        radius_u,
        along,
        marks,
        parts,
        bends,
        clicks.points_lps[first : last + 1],
        kind.bulge_mm,
        tuple(dict.fromkeys(flags)),
    )


def _way(ridge: Ridge, moved: Floats, kind: TubeKind) -> tuple[Floats, list[str], tuple[int, int]]:
    """Route through the clicks, less legs that followed no canal; what was left out; first and last click used."""
    pieces = legs(ridge, moved)
    bad = [astray(ridge, piece, kind=kind) for piece in pieces]
    if all(bad):
        raise LandmarkError(
            f"no canal was found between the clicks on '{kind.structure_id}'",
            expected="clicks along one canal with bony walls",
            action="check the clicks, add some between them, or mark the tube by hand with radii",
        )
    # The longest run of good legs.
    best, start = (0, 0, 0.0), 0
    for n in range(len(pieces) + 1):
        if n == len(pieces) or bad[n]:
            length = float(sum(np.linalg.norm(np.diff(p, axis=0), axis=1).sum() for p in pieces[start:n]))
            best = max(best, (start, n, length), key=lambda run: run[2])
            start = n + 1
    lost = [f"partial: no canal seen from click {n + 1} to click {n + 2}" for n, wrong in enumerate(bad) if wrong]
    return joined(pieces[best[0] : best[1]]), lost, (best[0], best[1])


def _marks(refined: Refined, block: Volume, ridge: Ridge, levels: TubeLevels) -> SampleMarks:
    from scipy.spatial import cKDTree

    sections, path = refined.sections, refined.path_lps
    metal = metal_places(block, levels)
    near = np.zeros(len(path), np.bool_)
    if len(metal):
        near = np.asarray(cKDTree(metal).query(path)[0] < METAL_MM)
    return SampleMarks(
        open_wall=sections.valid & (sections.open_rad > OPEN_RAD),
        no_wall=~sections.valid,
        scan_edge=sections.left_scan,
        metal=near,
        off_ridge=off_ridge(ridge, path, spacing_mm=SPACING_MM),
    )


def _seen_part(refined: Refined, marks: SampleMarks, kind: TubeKind) -> tuple[Refined, SampleMarks, list[str]]:
    """Part between stretches too long to bridge in which no canal is seen; what was left out."""
    along = arc_lengths_mm(refined.path_lps)
    blind = marks.no_wall | marks.off_ridge
    edges = np.flatnonzero(np.diff(np.concatenate([[False], blind, [False]]).astype(np.int8)))
    gaps = [(a, b) for a, b in edges.reshape(-1, 2) if along[b - 1] - along[a] > kind.bridge_mm]
    starts = [0, *(b for _, b in gaps)]
    stops = [*(a for a, _ in gaps), len(along)]
    # The part with most samples that look like this tube, not the longest one: a wrong way is often long.
    alike = ~marks.doubtful & (np.abs(refined.radius_mm - kind.radius_mm) < ALIKE_SD * kind.radius_sd_mm)
    start, stop = max(zip(starts, stops, strict=True), key=lambda run: (int(alike[run[0] : run[1]].sum()), -run[0]))
    if stop - start < LEAST_SAMPLES:
        raise LandmarkError(
            f"no bony canal is seen along the clicks on '{kind.structure_id}'",
            expected="a canal with bony walls",
            action="check the clicks, or mark the tube by hand with radii",
        )
    flags = []
    if start > 0:
        flags.append(f"partial: no canal seen over the first {along[start]:.1f} mm; left out")
    if stop < len(along):
        flags.append(f"partial: no canal seen over the last {along[-1] - along[stop - 1]:.1f} mm; left out")
    part = slice(int(start), int(stop))
    kept = replace(
        refined,
        path_lps=refined.path_lps[part],
        radius_mm=refined.radius_mm[part],
        covariance=refined.covariance[part],
        radius_u_mm=refined.radius_u_mm[part],
        bone=refined.bone[part],
    )
    return kept, SampleMarks(*(getattr(marks, item.name)[part].copy() for item in fields(marks))), flags


def _doubt(
    block: Volume, refined: Refined, marks: SampleMarks, kind: TubeKind, levels: TubeLevels, spread: PointSpread
) -> tuple[Floats, Floats]:
    """Add what the doubt of point spread and of the canal's level does, and what marks cost."""
    wider = replace(
        spread,
        in_plane_mm=spread.in_plane_mm * (1.0 + spread.relative_u),
        through_plane_mm=spread.through_plane_mm * (1.0 + spread.relative_u),
    )
    # These effects change slowly along the tube: every third sample shows them.
    some = np.unique(np.append(np.arange(0, len(refined.path_lps), 3), len(refined.path_lps) - 1))
    fits = [
        fit_sections(
            block, refined.path_lps[some], radius_mm=refined.radius_mm[some], kind=kind, levels=levels, spread=blur,
            bone=refined.bone[some], inner_shift=shift,
        )
        for blur, shift in ((spread, 0.0), (wider, 0.0), (spread, levels.soft_sd))
    ]  # fmt: skip
    number = np.arange(len(refined.path_lps))
    radius_variance = refined.radius_u_mm**2 + MODEL_U_MM**2
    covariance = refined.covariance + MODEL_U_MM**2 * np.eye(3)
    for other in fits[1:]:
        seen = fits[0].valid & other.valid
        if not seen.any():
            continue
        change = np.interp(number, some[seen], np.abs(other.radius_mm - fits[0].radius_mm)[seen])
        radius_variance = radius_variance + change**2
        moved = np.linalg.norm(other.offset_mm - fits[0].offset_mm, axis=1)[seen]
        covariance = covariance + (np.interp(number, some[seen], moved) ** 2)[:, None, None] * np.eye(3)
    from scipy.ndimage import maximum_filter1d, uniform_filter1d

    # A stretch without wall also leads its neighbours' path astray, less with distance.
    blind = np.where(marks.no_wall | marks.off_ridge, NO_WALL_U_MM**2, 0.0)
    width = 2 * max(round(ASTRAY_MM / SPACING_MM), 1) + 1
    blind = np.maximum(blind, uniform_filter1d(maximum_filter1d(blind, width), width))
    extra = np.where(marks.metal, METAL_U_MM**2, 0.0) + np.where(marks.open_wall, OPEN_U_MM**2, 0.0) + blind
    covariance = covariance + extra[:, None, None] * np.eye(3)
    return covariance, np.sqrt(radius_variance + extra)


def _unconfirmed(parts: tuple[Segment, ...], count: int) -> Floats:
    extra = np.zeros(count)
    for part in parts:
        if not part.confirmed:
            extra[part.first : part.last + 1] = UNCONFIRMED_U_MM
    return extra


def _mark_flags(marks: SampleMarks, along: Floats) -> list[str]:
    words = (
        ("open_wall", "bony wall open"),
        ("no_wall", "no bony wall seen"),
        ("metal", "metal nearby"),
        ("off_ridge", "no canal seen along the path"),
    )
    return [
        f"{text} over {_length(getattr(marks, name), along):.1f} mm"
        for name, text in words
        if getattr(marks, name).any()
    ]


def _length(where: NDArray[np.bool_], along: Floats) -> float:
    return float(np.sum(where) * along[-1] / max(len(along) - 1, 1))


def _end_flags(path: Floats, volume: Volume) -> tuple[str, ...]:
    inside = np.asarray(volume.geometry.contains_lps(path[[0, -1]], margin_mm=NEAR_END_MM))
    return tuple(
        f"partial: the scan ends at the {end} end of the path"
        for end, within in zip(("first", "last"), inside, strict=True)
        if not within
    )
