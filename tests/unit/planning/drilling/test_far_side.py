"""Names of what lies behind a hole, from the width and density of the space there."""

from __future__ import annotations

import numpy as np
import pytest
from canal_phantoms import make_ear

from ctmeasure.imaging.spaces import Spaces
from ctmeasure.planning.drilling.far_side import CELL, MARROW, _names


@pytest.mark.parametrize(
    ("radius_mm", "level", "name", "besides"),
    [
        (0.4, 0.15, CELL, [MARROW]),  # bone and air, averaged over a cell half a millimetre wide
        (1.6, 0.15, MARROW, []),
        (0.6, 0.02, CELL, []),  # a cell full of soft tissue shows its level
        (0.4, np.nan, CELL, [MARROW]),
    ],
)
def test_a_small_dense_space_is_a_cell_and_possibly_marrow(radius_mm, level, name, besides):
    """Marrow fills wide spaces; the caution of an unrecognised space stays, since marrow stays possible."""
    ear = make_ear(spacing_mm=(0.8, 0.8, 0.8))
    place = ear.canal.point_lps(np.array([90.0]), np.array([6.0]), np.array([4.0]))
    out = ear.canal.direction_lps(np.array([90.0]))
    space = Spaces(np.array([False]), np.array([radius_mm]), np.array([level]), place + out)
    names, maybe = _names(space, place - 2.0 * out, place, out, ear.rim, ())
    assert names.tolist() == [name]
    assert maybe == [besides]
