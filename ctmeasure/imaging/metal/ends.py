"""About where a prosthesis ends that shows as a group of voxels brighter than any bone: where a fit may start."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ctmeasure.volume.sampling import sample
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

SHORTEST_MM, LONGEST_MM = 0.8, 9.0
BRIGHT_SHARE = 0.7
"""Of several ways a rod may lie, the longest counts that is nowhere darker than this share of the brightest one."""
PLANE_MM = 0.35
"""Voxels of a head lie within this distance of its plane."""
HEAD_REACH_MM = 1.9
OFF_PLANE_MM = 1.0
"""The shaft of a group shows where voxels lie farther than this from the plane of its head."""
TRIPLES = 400


def ways_of_group(volume: Volume, group_lps: Floats) -> list[tuple[Floats, Floats]]:
    """About where a rod ends: the group is the rod, its head alone, or both.

    Parameters
    ----------
    volume
        The scan.
    group_lps
        Shape (n, 3).

    Returns
    -------
    list of (numpy.ndarray, numpy.ndarray)
        Two ends each, the likeliest way first; where there is a head, its centre comes first.

    Raises
    ------
    Nothing.
    """
    centre = group_lps.mean(axis=0)
    scatter = (group_lps - centre).T @ (group_lps - centre) / max(len(group_lps), 1) + 1e-6 * np.eye(3)
    _, axes = np.linalg.eigh(scatter)
    along = (group_lps - centre) @ axes[:, 2]
    middle, normal = _head_plane(group_lps)
    off = (group_lps - middle) @ normal
    far = int(np.argmax(np.abs(off)))
    ways = [(centre + along.min() * axes[:, 2], centre + along.max() * axes[:, 2])]
    ways.append((middle, _far_end(volume, middle, normal)))
    if abs(off[far]) > OFF_PLANE_MM:
        ways.append((middle, group_lps[np.abs(off - off[far]) < PLANE_MM].mean(axis=0)))
    share = np.linspace(0.1, 0.9, 17)[:, None]
    lowest = float(volume.values.min())
    darkest = [float(sample(volume, a + share * (b - a), outside=lowest).values.min()) - lowest for a, b in ways]
    bright = [dark > BRIGHT_SHARE * max(darkest) for dark in darkest]
    length = [float(np.linalg.norm(b - a)) for a, b in ways]
    order = sorted(range(len(ways)), key=lambda n: (bright[n], length[n]), reverse=True)
    return [ways[n] for n in order if length[n] > SHORTEST_MM]


def _head_plane(group: Floats) -> tuple[Floats, Floats]:
    """Centre and normal of the plane that holds most voxels within the reach of a head."""
    rng = np.random.default_rng(13)
    best, kept, normal = -1, group, np.array([0.0, 0.0, 1.0])
    for _ in range(TRIPLES):
        a, b, c = group[rng.integers(0, len(group), 3)]
        across = np.cross(b - a, c - a)
        length = float(np.linalg.norm(across))
        if length < 0.2:
            continue
        here = np.abs((group - a) @ across / length) < PLANE_MM
        middle = np.median(group[here], axis=0)
        here &= np.linalg.norm(group - middle, axis=1) < HEAD_REACH_MM
        if int(here.sum()) > best:
            best, kept, normal = int(here.sum()), group[here], across / length
    return kept.mean(axis=0), normal


def _far_end(volume: Volume, centre: Floats, normal: Floats) -> Floats:
    """Follow the brightest straight line out of a head, on either side of it, to where it goes dark."""
    rng = np.random.default_rng(11)
    ways = rng.normal(size=(1500, 3))
    ways /= np.linalg.norm(ways, axis=1, keepdims=True)
    ways = ways[np.abs(ways @ normal) > 0.7]
    places = np.arange(0.8, LONGEST_MM, 0.15)
    values, _ = sample(volume, centre + places[None, :, None] * ways[:, None, :], outside=float(volume.values.min()))
    start = values[:, places < 2.2]
    best = int(np.argmax(start.min(axis=1) + 0.3 * start.mean(axis=1)))
    line = values[best]
    level = 0.5 * float(np.median(line[places < 2.2]))
    dark = np.flatnonzero(line < level)
    end = float(places[dark[0]]) if len(dark) else 4.0
    return np.asarray(centre + end * ways[best], dtype=np.float64)
