"""A small invented ear built from plain numbers, for the unit tests of the measurands."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.anatomy.structures import Patch, Tube
from ctmeasure.planning.measurands.inputs import MeasureInput

POINTS = {
    "canal_medial": (0, 0, 0),
    "canal_lateral": (7, 0, 0),
    "drum_centre": (1.2, 0.2, -0.3),
    "footplate_centre": (-4, 2, 1.5),
    "footplate_anterior": (-4, 0.6, 1.5),
    "footplate_posterior": (-4, 3.4, 1.5),
    "footplate_superior": (-4, 2, 2.2),
    "footplate_inferior": (-4, 2, 0.8),
    "promontory": (-2.2, 0.5, -1.0),
    "stapes_head": (-0.9, 2.0, 1.5),
    "malleus_neck": (1.0, -0.8, 3.3),
    "scutum": (0, 0, 4.9),
    "chorda_entry": (-0.5, 4.2, 1.5),
    "sinus_tympani": (-4.2, 5.0, 0),
    "handle_tip": (-0.5, 0, -1),
    "anchor_1": (2, -1.5, 4.4),
    "anchor_2": (2, 2.0, 4.4),
}


def _ring(landmark_id: str, points: np.ndarray) -> Landmark:
    placements = tuple(Placement(tuple(map(float, p)), index=k) for k, p in enumerate(points))
    return Landmark(landmark_id, "placed", placements)


@pytest.fixture
def make_ear() -> Callable[..., MeasureInput]:
    """A left ear: canal along +x, rim an ellipse 9.2 x 8.5 in the plane x = 0, facial canal a straight tube."""

    def make(*, without: tuple[str, ...] = (), more: tuple[Landmark, ...] = (), ring: int = 12, **given: object):  # type: ignore[no-untyped-def]
        angle = np.arange(ring) * 2.0 * np.pi / ring + 0.1
        rim = np.column_stack([np.zeros(ring), 4.25 * np.sin(angle), 4.6 * np.cos(angle)])
        lateral_canal = np.column_stack([-8 + 3 * np.cos(angle), 4 + 3 * np.sin(angle), np.full(ring, 5.0)])
        marks = [_ring("annulus", rim), _ring("lateral_semicircular_canal", lateral_canal)]
        marks += [Landmark(k, "placed", (Placement(tuple(map(float, p))),)) for k, p in POINTS.items()]
        marks = [m for m in marks if m.id not in without] + list(more)
        course = ((-4.0, -3.0, 3.5), (-4.0, 0.0, 3.5), (-4.0, 5.0, 3.5), (-3.0, 7.0, 0.0), (-2.0, 7.5, -9.0))
        structures = (
            Tube("facial_nerve", "placed", course, radii_mm=(0.6,) * 5, confirmed_by="test"),
            Tube(
                "chorda_tympani", "placed", ((-1.0, 6.8, -6.0), (-0.5, 4.2, 1.5), (0.0, 1.0, 3.0)), radii_mm=(0.25,) * 3
            ),
            Patch("tegmen", "placed", ((-4.0, -4.0, 9.0), (4.0, -4.0, 9.0), (-4.0, 4.0, 9.0), (4.0, 4.0, 9.0))),
        )
        options = {"structures": structures, **given}
        return MeasureInput(LandmarkSet(marks), "left", **options)  # type: ignore[arg-type]

    return make
