"""Swept volume and openings."""

from __future__ import annotations

import numpy as np
import pytest

from ctmeasure.planning.drilling.envelope import drill_depth_mm, opening_width_mm, over_travel_mm
from ctmeasure.planning.settings import Settings


@pytest.mark.parametrize(("psi", "width"), [(0.0, 0.6), (30.0, 0.693), (45.0, 0.849), (60.0, 1.2)])
def test_opening_is_an_ellipse(psi, width):
    """Length of a 0.6 mm cylinder's trace on a plane met at psi: 0.6 / cos psi."""
    assert float(opening_width_mm(psi, settings=Settings())) == pytest.approx(width, abs=6e-4)


def test_over_travel_is_opening_term_and_plunge():
    settings = Settings(bur_diameter_mm=0.8, run_out_mm=0.1, plunge_mm=0.7)
    assert over_travel_mm([0.0, 45.0], settings) == pytest.approx([0.5 + 0.7, 1.0 + 0.7])


def test_depth_needs_an_exit():
    depth = drill_depth_mm(np.array([2.0, np.nan]), np.array([0.0, 0.0]), settings=Settings())
    assert depth[0] == pytest.approx(3.3)
    assert np.isnan(depth[1])


def test_at_grazing_angles_the_opening_term_stays_finite():
    assert np.isfinite(over_travel_mm(90.0, Settings()))
