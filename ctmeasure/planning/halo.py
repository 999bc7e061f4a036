"""What runs through the halo of metal is flagged: measurands, holes, pairs, cells of the wall map, traced tubes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ctmeasure.anatomy.landmarks import LandmarkSet
from ctmeasure.anatomy.structures import Structure
from ctmeasure.imaging.metal.halo import Halo
from ctmeasure.planning.results import HolePair, Measurement, SiteResult, TracedRecord, ZoneCell

Floats = NDArray[np.float64]

HALO_FLAG = "through metal halo"
"""Said of whatever was read within 3 mm of metal."""
METAL_ITSELF = "old_prosthesis_"
"""Measurands of the metal itself carry their own budget."""
PATH_MM = 3.0
"""A hole whose exit is not known is looked at this far."""
FRAME_ONLY = ("canal_medial", "canal_lateral", "lateral_semicircular_canal", "annulus")
"""Rings and canal points orient a measurand that has other points: then its path does not run through them."""


def flag_measurements(
    measurements: tuple[Measurement, ...],
    halo: Halo,
    *,
    landmarks: LandmarkSet,
    structures: Sequence[Structure] = (),
    sites: Sequence[SiteResult] = (),
) -> tuple[Measurement, ...]:
    """Measurements with the flag added where the path between their points runs through the halo.

    Parameters
    ----------
    measurements
        All of an ear; those without a value are left as they are.
    halo
        Metal of the scan.
    landmarks, structures
        Where the inputs lie; of a structure the point nearest to the first landmark counts.
    sites
        Holes, as flagged by `flag_sites`: their wall thickness and clearances follow them.

    Returns
    -------
    tuple of Measurement

    Raises
    ------
    Nothing.

    Example
    -------
    >>> flag_measurements((), Halo(np.zeros((0, 3))), landmarks=LandmarkSet())
    ()
    """
    if not len(halo.metal_lps):
        return measurements
    spoiled = {site.id for site in sites if HALO_FLAG in site.flags}
    by_id = {item.id: item.points_lps for item in structures if item.is_marked}
    return tuple(
        _flagged(item)
        if item.estimate is not None
        and not item.id.startswith(METAL_ITSELF)
        and (item.qualifier.split(" ")[0] in spoiled or _runs_through(item.inputs, halo, landmarks, by_id))
        else item
        for item in measurements
    )


def _flagged(item: Measurement) -> Measurement:
    assert item.estimate is not None
    flags = tuple(dict.fromkeys((*item.flags, HALO_FLAG)))
    return replace(item, flags=flags, estimate=item.estimate.with_flags(HALO_FLAG))


def _runs_through(inputs: tuple[str, ...], halo: Halo, landmarks: LandmarkSet, structures: dict[str, Floats]) -> bool:
    own = [i for i in inputs if i not in FRAME_ONLY]
    points = [landmarks[i].points_lps for i in own or inputs if i in landmarks and landmarks[i].is_placed]
    if not points:
        return False
    path = np.concatenate(points)
    for item in own:
        if item in structures:
            near = structures[item][int(np.argmin(np.linalg.norm(structures[item] - path[0], axis=1)))]
            path = np.concatenate([path, near[None, :]])
    return halo.touches(path)


def flag_sites(sites: tuple[SiteResult, ...], halo: Halo) -> tuple[SiteResult, ...]:
    """Holes with the flag added where the way to their exit runs through the halo."""
    return tuple(
        replace(
            site,
            flags=tuple(dict.fromkeys((*site.flags, HALO_FLAG))),
            wall=replace(site.wall, flags=tuple(dict.fromkeys((*site.wall.flags, HALO_FLAG)))),
        )
        if halo.touches(_way(site.entry_lps, site.direction_lps, site.wall.to_exit_mm))
        else site
        for site in sites
    )


def flag_zone(zone: tuple[ZoneCell, ...], halo: Halo) -> tuple[ZoneCell, ...]:
    """Cells of the wall map with the flag added where the way to their exit runs through the halo."""
    known = [n for n, cell in enumerate(zone) if cell.entry_lps is not None and cell.direction_lps is not None]
    if not known or not len(halo.metal_lps):
        return zone
    entry = np.array([zone[n].entry_lps for n in known], dtype=np.float64)
    way = np.array([zone[n].direction_lps for n in known], dtype=np.float64)
    length = np.array([zone[n].to_exit_mm or PATH_MM for n in known])
    share = np.linspace(0.0, 1.0, 13)[:, None, None]
    points = entry + share * (length[:, None] * way)
    through = halo.inside(points.reshape(-1, 3)).reshape(len(share), -1).any(axis=0)
    spoiled = {known[n] for n in np.flatnonzero(through)}
    return tuple(
        replace(cell, flags=tuple(dict.fromkeys((*cell.flags, HALO_FLAG)))) if n in spoiled else cell
        for n, cell in enumerate(zone)
    )


def flag_pairs(pairs: tuple[HolePair, ...], zone: tuple[ZoneCell, ...]) -> tuple[HolePair, ...]:
    """Pairs with the flag added, also to the words of their rank, where one of their holes is a flagged cell.

    Parameters
    ----------
    pairs
        Pairs of the map's cells.
    zone
        The cells as flagged by `flag_zone`.

    Returns
    -------
    tuple of HolePair

    Raises
    ------
    Nothing.
    """
    spoiled = {cell.entry_lps for cell in zone if HALO_FLAG in cell.flags}
    found = []
    for pair in pairs:
        holes = [n for n, at in ((1, pair.entry_1_lps), (2, pair.entry_2_lps)) if at in spoiled]
        if holes:
            words = f"hole {' and '.join(map(str, holes))} {HALO_FLAG}"
            flags = tuple(dict.fromkeys((*pair.flags, HALO_FLAG)))
            pair = replace(pair, flags=flags, reason=f"{pair.reason}; {words}")
        found.append(pair)
    return tuple(found)


def flag_traced(traced: tuple[TracedRecord, ...], halo: Halo) -> tuple[TracedRecord, ...]:
    """Traced tubes with the flag added where they run through the halo."""
    return tuple(
        replace(item, flags=tuple(dict.fromkeys((*item.flags, HALO_FLAG))))
        if halo.inside(np.array(item.points_lps)).any()
        else item
        for item in traced
    )


def _way(entry: Sequence[float], direction: Sequence[float] | None, to_exit_mm: float | None) -> Floats:
    start = np.asarray(entry, dtype=np.float64)
    if direction is None:
        return start[None, :]
    return np.stack([start, start + (to_exit_mm or PATH_MM) * np.asarray(direction, dtype=np.float64)])
