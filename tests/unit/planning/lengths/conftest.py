"""A small invented ear for the lengths: canal along +x, rim in the plane x = 0, footplate 4 mm medial of it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.planning.lengths.inputs import LengthInput
from ctmeasure.planning.measurands.inputs import MeasureInput
from ctmeasure.planning.settings import Settings

POINTS = {
    "canal_medial": (0, 0, 0),
    "canal_lateral": (7, 0, 0),
    "drum_centre": (1.0, 0, 0),
    "footplate_centre": (-4, 0, 0),
    "promontory": (-3, 0, -4.0),
}


@pytest.fixture
def make_lengths() -> Callable[..., LengthInput]:
    """Build a `LengthInput`; ``points`` adds or replaces points, ``status`` sets absent or not seen."""

    def make(*, points=None, status=None, noise: float = 0.1, settings=None, seed: int = 0, **given):  # type: ignore[no-untyped-def]
        angle = np.arange(12) * np.pi / 6
        rim = np.column_stack([np.zeros(12), 4.25 * np.sin(angle), 4.6 * np.cos(angle)])
        ring = tuple(Placement(tuple(map(float, p)), index=k) for k, p in enumerate(rim))
        status = status or {}
        placed = {k: v for k, v in {**POINTS, **(points or {})}.items() if k not in status}
        marks = [Landmark("annulus", "placed", ring)]
        marks += [Landmark(k, "placed", (Placement(tuple(map(float, v))),)) for k, v in placed.items()]
        marks += [Landmark(k, word) for k, word in status.items()]
        options = settings or Settings(placement_noise_mm=noise, draws_maximum=20_000, handle_placement_u_mm=0.1)
        return LengthInput(MeasureInput(LandmarkSet(marks), "left", settings=options, seed=seed), **given)

    return make
