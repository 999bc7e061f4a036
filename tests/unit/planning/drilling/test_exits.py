"""Where strayed hands come out: beside a step of a plate's thickness, from the shape; quantiles by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from ctmeasure.planning.drilling.bores import TRAVEL, TRAVEL_Z
from ctmeasure.planning.drilling.envelope import over_travel_mm
from ctmeasure.planning.drilling.exits import BIN_MM, STEP_WEIGHTS, STEPS, quantiles
from ctmeasure.planning.drilling.places import measure_places

THIN_MM, STEP_DEG = 1.2, 60.0
"""Of the phantom: so much bone before that wall angle, 2.0 mm after it."""
BLUR_MM = 0.4
"""Two standard deviations of the phantom's blur: nearer than this to the step no reading tells on which side it is."""
BETWEEN_MM = 1.6
"""Square to the wall: the thin plate ends before this, the thick one behind it."""


def test_nodes_are_those_of_a_standard_normal():
    for power, moment in ((0, 1.0), (2, 1.0), (4, 3.0), (6, 15.0), (8, 105.0)):
        assert STEP_WEIGHTS @ STEPS**power == pytest.approx(moment, rel=1e-5)


def test_quantiles_of_two_places():
    """Three in ten paths end at 1 mm, the others at 3 mm: up to the 30th percentile it is 1 mm."""
    table = np.zeros((2, 60))
    table[0, round(1.0 / BIN_MM)], table[0, round(3.0 / BIN_MM)] = 0.3, 0.7
    found = quantiles(table)
    share = norm.cdf(TRAVEL_Z)
    assert found[0, share < 0.29] == pytest.approx(1.0, abs=BIN_MM)
    assert found[0, share > 0.31] == pytest.approx(3.0, abs=BIN_MM)
    assert np.isnan(found[1]).all()


@pytest.mark.parametrize("by", ["map", "hole"])
def test_beside_a_step_hands_come_out_on_both_sides_of_it(scene, zone, by):
    """The share that crosses the step is the normal's: placement of the hand against the way to the step."""
    places, stray = zone.places, scene.settings.hole_placement_u_mm
    rows = [
        row
        for row in range(len(places))
        if places.rim_distance_mm[row] == 3.0 and 15.0 < places.wall_angle_deg[row] < 105.0 and places.ends[row]
    ]
    assert len(rows) > 8
    tried = 0
    for row in rows:
        asked, at = places, row
        if by == "hole":
            one = np.array([row])
            asked, at = (
                measure_places(
                    scene, places.entry_lps[one], normal_lps=places.normal_lps[one],
                    wall_angle_deg=places.wall_angle_deg[one], rim_distance_mm=places.rim_distance_mm[one],
                    depth_mm=places.depth_mm[one], surface_u_mm=np.array([0.08]),
                    direction_lps=places.direction_lps[one],
                ),
                0,
            )  # fmt: skip
        over = float(over_travel_mm(asked.angle_to_normal_deg[at], scene.settings))
        square = float(asked.direction_lps[at] @ asked.normal_lps[at])
        out = (asked.bores.depth[at] + asked.bores.sd[at, TRAVEL] - over) * square
        assert (np.diff(out) >= -1e-9).all()
        found = norm.sf(np.interp(BETWEEN_MM, out, TRAVEL_Z))
        # The step is a plane through the axis: how far before or behind it the path comes through the thin plate.
        through = asked.entry_lps[at] + THIN_MM / square * asked.direction_lps[at]
        turn = np.radians(scene.canal.wall_angle_deg(through) - STEP_DEG)
        way = float(scene.canal.radius_mm(through) * np.sin(turn))
        low, high = norm.cdf((way - BLUR_MM) / stray), norm.cdf((way + BLUR_MM) / stray)
        assert low - 0.1 < found < high + 0.1, asked.wall_angle_deg[at]
        if 0.2 < abs(way) < 0.5:
            assert 0.05 < found < 0.95, "every hand comes out on one side, as if none strayed"
            tried += 1
    assert tried == 2


def test_in_an_even_plate_a_hand_comes_out_where_it_was_planned(zone):
    places = zone.places
    for row in range(len(places)):
        if places.rim_distance_mm[row] == 3.0 and places.wall_angle_deg[row] in (24.0, 32.0, 88.0) and places.ends[row]:
            changes = places.bores.sd[row, TRAVEL]
            assert abs(np.interp(0.0, TRAVEL_Z, changes)) < 0.12
            low, high = np.interp([-1.0, 1.0], TRAVEL_Z, changes)
            assert 0.0 < 0.5 * (high - low) < 0.35
