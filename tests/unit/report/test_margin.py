"""The contour of the margin on an invented map whose clearance is a formula."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from report_fabricated import MARGIN_MM, fabricated_case, gap_mm

from ctmeasure.report.figures.margin import margin_lines
from ctmeasure.report.scene import wall_scene


@pytest.mark.parametrize("side", ["left", "right"])
def test_every_point_of_the_line_has_the_margin_left_to_it(side):
    scene = wall_scene(fabricated_case(side))
    lines = margin_lines(scene)
    assert len(lines) == 1
    clock = (lines[0][:, 0] + 6.0) % 12.0
    angle = 30.0 * clock if side == "left" else (360.0 - 30.0 * clock) % 360.0
    assert np.abs(gap_mm(angle, lines[0][:, 1]) - MARGIN_MM).max() < 0.03
    # A margin that is larger at one place than at another moves the line there and nowhere else.
    wider = tuple(
        c if c.over_margin_mm is None or c.wall_angle_deg <= 118 else replace(c, over_margin_mm=c.over_margin_mm - 0.5)
        for c in scene.cells
    )
    moved = np.concatenate(margin_lines(replace(scene, cells=wider)))
    clock = (moved[:, 0] + 6.0) % 12.0
    angle = 30.0 * clock if side == "left" else (360.0 - 30.0 * clock) % 360.0
    far = angle > 118 + 5
    assert np.abs(gap_mm(angle[far], moved[far, 1]) - MARGIN_MM - 0.5).max() < 0.03
    assert np.abs(gap_mm(angle[angle < 113], moved[angle < 113, 1]) - MARGIN_MM).max() < 0.03


def test_a_map_that_knows_no_gap_has_no_line():
    scene = wall_scene(fabricated_case("right"))
    bare = tuple(replace(c, over_margin_mm=None) for c in scene.cells)
    assert margin_lines(replace(scene, cells=bare)) == []
