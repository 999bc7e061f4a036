"""A mirrored or moved ear gives the same plan: angles, distances, probabilities and verdicts."""

from __future__ import annotations

import canal_phantoms as phantoms
import drill_marks as marks
import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.anatomy.frames import canal_frame, rim_curve
from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.anatomy.structures import Ball, Patch, Tube
from ctmeasure.imaging.wall_path import AMBIGUOUS_FLAG
from ctmeasure.planning.drilling.plan import DrillInput, DrillOutput, plan_drilling
from ctmeasure.planning.settings import Settings
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.volume import Volume

COARSE = Settings(map_angle_step_deg=15.0, map_rim_step_mm=2.0, draws_maximum=4000)
SEARCHED, SEARCH_STEP_DEG = "above", 1.0
"""The site whose direction is searched for, and how far a hair of room may tip that search."""
SUPERIOR = ("lateral_semicircular_canal",)


@pytest.fixture(scope="module")
def ear():
    air, soft = phantoms.AIR, phantoms.SOFT
    plates = ((0, 60, 1.2, air), (60, 200, 2.0, air), (200, 280, 1.5, soft), (280, 360, 1.3, air))
    return phantoms.make_ear(plates=plates, noise=40.0, far_width_mm=4.0, spacing_mm=(0.35, 0.3, 0.3))


def planned(volume, landmarks, side, structures, sites) -> DrillOutput:
    canal = canal_frame(landmarks, side)
    return plan_drilling(
        DrillInput(
            volume,
            canal,
            rim_curve(landmarks, canal),
            landmarks,
            phantoms.fitness(),
            structures,
            CaseFacts(side=side),
            COARSE,
            sites,
            4,
        )
    )


def moved(points, tf):
    return tuple(tuple(map(float, tf[:3, :3] @ np.asarray(p) + tf[:3, 3])) for p in points)


def moved_plan(ear, tf, side) -> DrillOutput:
    """The same ear with voxel grid, landmarks, structures and sites moved by a 4x4 (a mirror included)."""
    affine = tf @ ear.volume.geometry.affine_lps
    volume = Volume(Geometry(ear.volume.geometry.shape_kji, affine, "2"), ear.volume.values, ear.volume.source)
    items = []
    for landmark in with_ring(ear).values():
        placed = tuple(Placement(moved([p.position_lps], tf)[0], p.index) for p in landmark.placements)
        items.append(Landmark(landmark.id, landmark.status, placed))
    structures = tuple(moved_structure(s, tf) for s in marks.everything(ear))
    sites = tuple(
        marks.Site(
            s.id, moved([s.entry_lps], tf)[0], None if s.direction_lps is None else tuple(tf[:3, :3] @ s.direction_lps)
        )
        for s in sites_of(ear)
    )
    return planned(volume, LandmarkSet(items), side, structures, sites)


def moved_structure(s, tf):
    points = moved(s.points, tf)
    if isinstance(s, Tube):
        return Tube(s.id, s.status, points, s.surface_u_mm, s.confirmed_by, s.radii_mm)
    if isinstance(s, Ball):
        return Ball(s.id, s.status, points, s.surface_u_mm, s.confirmed_by, s.radius_mm)
    return Patch(s.id, s.status, points, s.surface_u_mm, s.confirmed_by)


def with_ring(ear) -> LandmarkSet:
    """A ring across the superior direction, so that "superior" is the ear's own and turns with it."""
    centre = marks.at(ear, 40.0, 11.0, -2.0)
    up, back, out = ear.canal.superior_lps, ear.canal.posterior_lps, ear.canal.axis_lps
    lying = out - (out @ up) * up
    angle = np.radians(np.arange(0.0, 360.0, 45.0))
    ring = centre + 3.0 * (np.cos(angle)[:, None] * lying + np.sin(angle)[:, None] * back)
    landmark = Landmark(SUPERIOR[0], "placed", tuple(Placement(tuple(map(float, p)), n) for n, p in enumerate(ring)))
    return LandmarkSet([*ear.landmarks.values(), landmark])


def sites_of(ear):
    place = lambda a, r, d: tuple(map(float, marks.at(ear, a, r, d)))  # noqa: E731
    tilt = np.radians(25.0)
    direction = np.cos(tilt) * ear.canal.direction_lps(100.0) - np.sin(tilt) * ear.canal.axis_lps
    return (
        marks.Site("above", place(350.0, 3.6, 2.5)),
        marks.Site("behind", place(100.0, 3.4, 2.5), tuple(map(float, direction))),
        marks.Site("off", place(10.0, 6.0, 2.5)),
    )


def turned_deg(first_lps, second_lps, back) -> float:
    """Angle between two drill directions, the second carried back; 0 where neither site has one."""
    if first_lps is None or not np.any(first_lps):
        return 0.0
    cross = np.cross(first_lps, back[:3, :3] @ np.asarray(second_lps))
    return float(np.degrees(np.arcsin(min(np.linalg.norm(cross), 1.0))))


def assert_same(first: DrillOutput, second: DrillOutput, back: np.ndarray, *, clock_mirrored: bool) -> None:
    """Everything equal, points carried back by a 4x4."""
    assert len(first.zone) == len(second.zone)
    differing = 0
    for a, b in zip(first.zone, second.zone, strict=True):
        assert a.wall_angle_deg == b.wall_angle_deg
        hours = (24.0 - b.clock_hour) % 12.0 if clock_mirrored else b.clock_hour % 12.0
        assert a.clock_hour % 12.0 == pytest.approx(hours, abs=1e-9)
        assert (a.entry_lps is None) == (b.entry_lps is None)
        if a.entry_lps is None or b.entry_lps is None:
            continue
        assert moved([b.entry_lps], back)[0] == pytest.approx(a.entry_lps, abs=2e-3)
        tipped = False
        if a.thickness_mm is not None and b.thickness_mm is not None:
            tipped = a.thickness_mm != pytest.approx(b.thickness_mm, abs=2e-2)
            # A hair of room decides a step of the search for the best direction, and bone is read along it.
            # Only bone that may end in two places can tip from one to the other, and both cells say that it may.
            assert not tipped or AMBIGUOUS_FLAG in {*a.flags} & {*b.flags}
        differing += tipped or a.verdict != b.verdict or a.far_side != b.far_side
    # A last rounded digit may tip a cell that lies exactly at a limit.
    assert differing <= 2, f"{differing} of {len(first.zone)} cells"
    for s, t in zip(first.sites, second.sites, strict=True):
        assert s.verdict == t.verdict
        assert s.flags == t.flags
        assert (s.reachable, s.wall.far_side, s.wall.state) == (t.reachable, t.wall.far_side, t.wall.state)
        turn_deg = turned_deg(s.direction_lps, t.direction_lps, back)
        assert turn_deg <= (SEARCH_STEP_DEG if s.id == SEARCHED else 1e-3)
        if s.rim_distance_mm is not None:
            assert s.rim_distance_mm == pytest.approx(t.rim_distance_mm, abs=5e-3)
        for c, d in zip((*s.clearances, s.overall), (*t.clearances, t.overall), strict=True):
            assert c.structure == d.structure
            if c.estimate is None:
                assert d.estimate is None
                continue
            # What a turn of the drill about its entry moves along the travel; margins are blurred by over 0.4 mm.
            slack = np.radians(turn_deg) * (s.drill_depth_mm or 0.0)
            assert c.estimate.value == pytest.approx(d.estimate.value, abs=5e-3 + slack)
            # The same draws, seen from the ear's own frame.
            assert c.p_below_margin == pytest.approx(d.p_below_margin, abs=4e-3 + slack)
    assert bool(first.pairs) == bool(second.pairs)


@pytest.fixture(scope="module")
def plan(ear):
    return moved_plan(ear, np.eye(4), "right")


def test_a_mirrored_ear_gives_the_same_plan(ear, plan):
    mirror = np.diag([-1.0, 1.0, 1.0, 1.0])
    assert {c.verdict for c in plan.zone} >= {"clear", "keep out"}
    assert_same(plan, moved_plan(ear, mirror, "left"), mirror, clock_mirrored=True)


# No shrinking: each example is a whole plan, and a smaller turn says no more.
@settings(
    max_examples=3, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True,
    phases=(Phase.explicit, Phase.generate),
)  # fmt: skip
@example(turn_deg=(-24.174, 15.664, 20.638), shift_mm=(10.664, 22.950, 4.362))  # here the search for a direction tips
@given(
    turn_deg=st.tuples(*[st.floats(-25.0, 25.0) for _ in range(3)]),
    shift_mm=st.tuples(*[st.floats(-80.0, 80.0) for _ in range(3)]),
)
def test_a_moved_ear_gives_the_same_plan(ear, plan, turn_deg, shift_mm):
    tf = np.eye(4)
    tf[:3, :3] = Rotation.from_euler("xyz", turn_deg, degrees=True).as_matrix()
    tf[:3, 3] = shift_mm
    assert_same(plan, moved_plan(ear, tf, "right"), np.linalg.inv(tf), clock_mirrored=False)
