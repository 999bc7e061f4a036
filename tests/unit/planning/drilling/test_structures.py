"""Marked structures as distance engines, and what a sector needs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.anatomy.sectors import sector_of
from ctmeasure.anatomy.structures import Ball, Patch, Tube
from ctmeasure.planning.drilling.needs import missing_needs
from ctmeasure.planning.drilling.structures import obstacles
from ctmeasure.planning.settings import Settings


def brute_gap(p, q, points, radii, bur):
    """Least |path(s) - c(t)| - r(t) on fine grids of s and t."""
    s = np.linspace(0.0, 1.0, 401)
    path = p + s[:, None] * (q - p)
    best = np.inf
    for a, b, ra, rb in zip(points[:-1], points[1:], radii[:-1], radii[1:], strict=True):
        centre = a + s[:, None] * (b - a)
        radius = ra + s * (rb - ra)
        best = min(best, np.min(np.linalg.norm(path[:, None] - centre, axis=2) - radius))
    return best - bur


def test_clearance_with_exact_inputs_is_within_a_hundredth_of_brute_force():
    rng = np.random.default_rng(4)
    points = np.cumsum(rng.normal(0.0, 1.0, (8, 3)), axis=0)
    radii = rng.uniform(0.4, 0.9, 8)
    tube = Tube("facial_nerve", "placed", tuple(map(tuple, points.tolist())), None, "reader", tuple(radii.tolist()))
    ball = Ball("jugular_bulb", "placed", ((3.0, 2.0, -1.0),), None, "", 2.0)
    found = obstacles((tube, ball), landmarks=LandmarkSet(), settings=Settings())
    p = rng.normal(0.0, 4.0, (20, 3))
    q = p + rng.normal(0.0, 2.0, (20, 3))
    gaps = [o.gap_mm(p, q, bur_radius_mm=0.3) for o in found]
    for n in range(20):
        assert gaps[0][n] == pytest.approx(brute_gap(p[n], q[n], points, radii, 0.3), abs=0.01)
        line = p[n] + np.linspace(0, 1, 4001)[:, None] * (q[n] - p[n])
        assert gaps[1][n] == pytest.approx(np.linalg.norm(line - (3.0, 2.0, -1.0), axis=1).min() - 2.3, abs=0.01)


def flat_patch(name="tegmen", half=4.0):
    grid = np.linspace(-half, half, 5)
    return Patch(name, "placed", tuple((float(x), float(y), 0.0) for x in grid for y in grid))


def test_a_patch_is_its_plane_inside_and_unknown_beyond_its_edge():
    (found,) = obstacles((flat_patch(),), landmarks=LandmarkSet(), settings=Settings())
    p, q = np.array([[0.3, 0.2, 5.0], [9.0, 0.0, 3.0]]), np.array([[0.3, 0.2, 2.0], [9.0, 0.0, 2.0]])
    assert found.gap_mm(p, q, bur_radius_mm=0.3) == pytest.approx([1.7, np.hypot(5.0, 2.0) - 0.3])
    assert found.at_edge(p, q).tolist() == [False, True]


def test_a_drill_through_a_patch_has_a_negative_gap():
    (found,) = obstacles((flat_patch(),), landmarks=LandmarkSet(), settings=Settings())
    gap = found.gap_mm(np.array([[0.0, 0.0, 1.0]]), np.array([[0.0, 0.1, -1.0]]), bur_radius_mm=0.3)
    assert gap[0] == pytest.approx(-0.3)


def test_uncertainties_follow_confirmation_and_the_users_word():
    points = ((0.0, 0.0, 0.0), (0.0, 0.0, 5.0))
    settings = Settings()
    tubes = (
        Tube("facial_nerve", "placed", points, None, "reader", (0.7, 0.7)),
        Tube("chorda_tympani", "placed", points, None, "", (0.2, 0.2)),
        Tube("carotid_canal", "placed", points, 0.4, "", (2.0, 2.0)),
        Tube("old_prosthesis", "placed", points, None, "", (None, None)),
        Patch("tegmen", "absent", ()),
    )
    found = obstacles(tubes, landmarks=LandmarkSet(), settings=settings)
    assert [o.surface_u_mm for o in found[:3]] == [settings.tube_surface_u_mm, settings.unconfirmed_tube_u_mm, 0.4]
    assert "not confirmed" in found[1].flags
    assert not found[3].measured
    assert found[3].flags == ("radius not measured",)
    assert len(found) == 4


def test_a_ring_of_points_makes_the_lateral_canal():
    angle = np.radians(np.arange(0.0, 360.0, 60.0))
    ring = np.column_stack([3.0 * np.cos(angle), 3.0 * np.sin(angle), np.zeros(6)])
    marks = LandmarkSet(
        [
            Landmark(
                "lateral_semicircular_canal",
                "placed",
                tuple(Placement(tuple(map(float, p)), n) for n, p in enumerate(ring)),
            )
        ]
    )
    (found,) = obstacles((), landmarks=marks, settings=Settings())
    # Half-way between two clicks the canal still runs on its circle, not on the chord (2.6 mm).
    middle = np.array([[3.0 * np.cos(np.pi / 6), 3.0 * np.sin(np.pi / 6), 2.0]])
    assert found.gap_mm(middle, middle + 0.5 * middle * [0, 0, 1], bur_radius_mm=0.3) == pytest.approx([1.2], abs=0.03)


CASES = [
    # sector angle, change of what is marked, words expected to be missing
    (0.0, {}, set()),
    (0.0, {"drop": "tegmen"}, {"tegmen"}),
    (0.0, {"drop": "facial_nerve"}, {"facial canal (tympanic segment)"}),
    (0.0, {"drop": "lateral_semicircular_canal"}, {"lateral semicircular canal"}),
    (0.0, {"drop": "ossicle_remnant"}, {"ossicle remnant"}),
    (50.0, {"drop": "chorda_tympani"}, {"chorda tympani"}),
    (50.0, {"drop": "chorda_tympani", "chorda_cut": "yes"}, set()),
    (90.0, {"drop": "facial_nerve"}, {"facial canal (mastoid segment)"}),
    (130.0, {}, set()),
    (130.0, {"confirmed": ""}, {"facial canal (mastoid segment, confirmed)"}),
    (130.0, {"low": 90.0}, {"facial canal (mastoid segment, confirmed)"}),  # the tube ends above the site
    (90.0, {"radius": None}, {"facial canal (mastoid segment)"}),  # a centre line without radii is not a canal
    (180.0, {"drop": "jugular_bulb"}, {"jugular bulb"}),
    (250.0, {"drop": "carotid_canal"}, {"carotid canal"}),
    (250.0, {"drop": "joint_fossa"}, {"joint fossa"}),
    (300.0, {"drop": "tegmen"}, {"tegmen"}),
]


@pytest.mark.parametrize(("angle", "change", "missing"), CASES)
def test_what_a_sector_needs(ear, marks, angle, change, missing):
    options = {k: v for k, v in change.items() if k in ("confirmed", "low", "radius")}
    structures = tuple(s for s in marks.everything(ear, **options) if s.id != change.get("drop"))
    facts = CaseFacts(side="right", chorda_cut=change.get("chorda_cut", "unknown"))
    found = missing_needs(
        sector_of(angle),
        marks.at(ear, [angle], [3.4], [2.0]),
        q_lps=marks.at(ear, [angle], [5.5], [1.0]),
        obstacles=obstacles(structures, landmarks=ear.landmarks, settings=Settings()),
        structures=structures,
        landmarks=ear.landmarks,
        facts=facts,
        canal=ear.canal,
    )
    assert {words for words, mask in found.items() if mask[0]} == missing


def stub_of(tube, angle):
    """Three vertices at the end of a tube that is farther from the path."""
    part = slice(3) if angle != 50.0 else slice(-3, None)
    return replace(tube, points=tube.points[part], radii_mm=tube.radii_mm[part])


def far_piece_of(patch, ear, angle):
    """The marks of a patch that lie 7 mm and more outside of the path, and to its side."""
    points = patch.points_lps
    beside = np.cos(np.radians(ear.canal.wall_angle_deg(points) - angle)) > 0.85
    outer = beside & (ear.canal.depth_mm(points) > 8.0)
    return replace(patch, points=tuple(p for p, far in zip(patch.points, outer, strict=True) if far))


@pytest.mark.parametrize(
    ("angle", "id_", "words"),
    [
        (50.0, "chorda_tympani", "chorda tympani"),
        (0.0, "lateral_semicircular_canal", "lateral semicircular canal"),
        (250.0, "carotid_canal", "carotid canal"),
        (0.0, "tegmen", "tegmen"),
        (300.0, "joint_fossa", "joint fossa"),
    ],
)
def test_a_stub_or_a_far_piece_is_not_the_structure(ear, marks, angle, id_, words):
    structures = tuple(
        s if s.id != id_ else (stub_of(s, angle) if isinstance(s, Tube) else far_piece_of(s, ear, angle))
        for s in marks.everything(ear)
    )
    found = missing_needs(
        sector_of(angle), marks.at(ear, [angle], [3.4], [2.0]), q_lps=marks.at(ear, [angle], [5.5], [1.0]),
        obstacles=obstacles(structures, landmarks=ear.landmarks, settings=Settings()), structures=structures,
        landmarks=ear.landmarks, facts=CaseFacts(), canal=ear.canal,
    )  # fmt: skip
    assert found[words][0]


def test_no_ear_is_without_a_facial_nerve(ear, marks):
    structures = (
        *(s for s in marks.everything(ear) if s.id not in ("facial_nerve", "tegmen")),
        Tube("facial_nerve", "absent", ()),
        Patch("tegmen", "absent", ()),
    )
    found = missing_needs(
        sector_of(0.0), marks.at(ear, [0.0], [3.4], [2.0]), q_lps=marks.at(ear, [0.0], [5.5], [1.0]),
        obstacles=obstacles(structures, landmarks=ear.landmarks, settings=Settings()), structures=structures,
        landmarks=ear.landmarks, facts=CaseFacts(), canal=ear.canal,
    )  # fmt: skip
    assert found["tegmen"][0]
    assert found["facial canal (tympanic segment)"][0]


def test_not_seen_is_no_answer_and_absent_is_one(ear, marks):
    for status, expected in (("not_seen", True), ("absent", False)):
        structures = (
            *(s for s in marks.everything(ear) if s.id != "ossicle_remnant"),
            Patch("ossicle_remnant", status, ()),
        )
        found = missing_needs(
            sector_of(0.0), marks.at(ear, [0.0], [3.4], [2.0]), q_lps=marks.at(ear, [0.0], [5.5], [1.0]),
            obstacles=obstacles(structures, landmarks=ear.landmarks, settings=Settings()), structures=structures,
            landmarks=ear.landmarks, facts=CaseFacts(), canal=ear.canal,
        )  # fmt: skip
        assert bool(found.get("ossicle remnant", np.zeros(1, bool))[0]) is expected
