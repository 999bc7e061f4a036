"""Ossicles painted as balls and capsules at the mean ear's places: what is there is seen, what is not is told apart."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import erf

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.imaging.ossicles.find import find_ossicles
from ctmeasure.imaging.snaps.mean_ear import LaidEar, lay_mean_ear, mean_ear
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume

SHAPE_KJI, SPACING_MM = (64, 64, 64), 0.35
FITNESS = ScanFitness((0.35, 0.35, 0.35), (22.4, 22.4, 22.4), 0.47, 0.02, 0.47, 0.02, 40.0)
SIGMA_MM = 0.2
NAMES = ("canal_medial", "canal_lateral", "footplate_centre", "annulus", "lateral_semicircular_canal")


@pytest.fixture(scope="module")
def ear() -> LaidEar:
    """The mean ear in its own frame, a left ear of LPS."""
    table, marks = mean_ear(), []
    for name in NAMES:
        points = table.mean[list(table.indices(name))]
        placed = tuple(Placement((float(x), float(y), float(z)), n) for n, (x, y, z) in enumerate(points))
        marks.append(Landmark(name, "placed", placed))
    return lay_mean_ear(LandmarkSet(marks), "left")


def scan(pieces: list[tuple[np.ndarray, np.ndarray, float]], *, fill: float = -1000.0) -> Volume:
    """Capsules of bone (ends, radius) in air or fluid, with a slab of bone medially."""
    affine = np.zeros((4, 4))
    affine[2, 0] = affine[1, 1] = affine[0, 2] = SPACING_MM
    affine[3, 3] = 1.0
    affine[:3, 3] = np.array([-2.0, 1.5, 2.0]) - SPACING_MM * (np.array(SHAPE_KJI) - 1) / 2.0
    geometry = Geometry(SHAPE_KJI, affine, "")
    points = geometry.to_lps(np.argwhere(np.ones(SHAPE_KJI)).astype(np.float64))
    distance = points[:, 0] + 6.2
    for start, end, radius in pieces:
        way = end - start
        share = np.clip((points - start) @ way / max(float(way @ way), 1e-9), 0.0, 1.0)
        distance = np.minimum(distance, np.linalg.norm(points - start - share[:, None] * way, axis=1) - radius)
    inside = 0.5 * (1.0 - erf(distance / (np.sqrt(2.0) * SIGMA_MM)))
    values = fill + (1700.0 - fill) * inside + np.random.default_rng(2).normal(0.0, 40.0, len(points))
    return Volume(geometry, values.reshape(SHAPE_KJI).astype(np.float32))


def pieces_of(ear: LaidEar, *wanted: str) -> list[tuple[np.ndarray, np.ndarray, float]]:
    """Painted parts, a few tenths of a millimetre off the mean ear's places."""
    at, off = ear.point_lps, np.array([0.15, -0.1, 0.1])
    made = {
        "malleus head": (at("malleus_head"), at("malleus_head"), 1.2),
        "malleus handle": (at("umbo"), at("malleus_lateral_process"), 0.4),
        "incus body": (at("incus_body"), at("incus_body"), 1.3),
        "incus long process": (at("incus_body"), at("incus_long_process"), 0.4),
        "stapes head": (at("stapes_head"), at("stapes_head"), 0.5),
        "crus": (at("footplate_posterior"), at("stapes_head"), 0.2),
    }
    return [(made[name][0] + off, made[name][1] + off, made[name][2]) for name in wanted]


def states(volume: Volume, ear: LaidEar, fitness: ScanFitness = FITNESS) -> list[str]:
    """States of malleus, incus and stapes arch."""
    return [item.state for item in find_ossicles(volume, ear, fitness=fitness)]


def test_an_empty_aerated_ear_has_none_but_a_stump_is_never_denied(ear: LaidEar) -> None:
    assert states(scan([]), ear) == ["absent", "absent", "not seen"]
    plate, off = ear.point_lps("footplate_centre"), ear.point_lps("footplate_posterior")
    rise = ear.point_lps("stapes_head") - plate
    foot = plate + 0.75 * (off - plate)
    stump = (foot, foot + 0.7 * rise / np.linalg.norm(rise), 0.15)
    found = find_ossicles(scan([stump]), ear, fitness=FITNESS)[2]
    assert found.state in ("not seen", "partial")


def test_a_whole_chain_is_present(ear: LaidEar) -> None:
    everything = pieces_of(
        ear, "malleus head", "malleus handle", "incus body", "incus long process", "stapes head", "crus"
    )
    assert states(scan(everything), ear) == ["present", "present", "present"]


def test_remnants_are_partial(ear: LaidEar) -> None:
    found = find_ossicles(scan(pieces_of(ear, "malleus head", "incus body")), ear, fitness=FITNESS)
    assert [item.state for item in found] == ["partial", "partial", "not seen"]
    assert "contrast to noise" in found[0].evidence
    assert "a stump shorter than a millimetre" in found[2].evidence
    assert "may be there" in found[2].evidence


def test_what_a_filled_ear_or_a_coarse_scan_hides_is_not_seen_and_never_absent(ear: LaidEar) -> None:
    assert states(scan([], fill=40.0), ear) == ["not seen", "not seen", "not seen"]
    coarse = replace(FITNESS, point_spread_through_plane_mm=1.2)
    assert set(states(scan([]), ear, coarse)) == {"not seen"}
    filled = find_ossicles(scan(pieces_of(ear, "malleus head", "malleus handle"), fill=40.0), ear, fitness=FITNESS)
    assert filled[0].state == "present"
    assert "soft tissue or fluid" in filled[1].evidence
