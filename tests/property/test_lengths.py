"""Lengths and what lies along a shaft do not depend on where the head lies or on which side the ear is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement
from ctmeasure.anatomy.structures import Tube
from ctmeasure.planning.lengths.inputs import LengthInput
from ctmeasure.planning.lengths.sizes import LengthsFound, plan_lengths
from ctmeasure.planning.measurands.inputs import MeasureInput, NicheRims
from ctmeasure.planning.settings import Settings

EAR = {
    "canal_medial": (0.0, 0.0, 0.0),
    "canal_lateral": (7.0, 0.4, 0.3),
    "drum_centre": (0.8, 0.1, -0.2),
    "drum_contact": (0.3, 0.8, 1.0),
    "footplate_centre": (-4.0, 2.1, 1.4),
    "footplate_anterior": (-4.2, 0.8, 1.3),
    "footplate_posterior": (-4.1, 3.6, 1.4),
    "footplate_superior": (-4.3, 2.2, 2.2),
    "footplate_inferior": (-4.0, 2.3, 0.8),
    "stapes_head": (-0.9, 2.3, 0.9),
    "promontory": (-2.2, 0.6, -1.1),
    "incus_contact": (-0.5, 1.8, 2.0),
}
FACIAL = np.array([(-6.0, -3.0, 4.5), (-4.2, 2.2, 3.6), (-2.8, 6.5, 0.0)])
RIMS = np.array([(-3.4, 2.2, 2.5), (-3.4, 2.1, 0.5)])
TURNS = st.tuples(*(st.floats(-180.0, 180.0) for _ in range(3)))
SHIFTS = st.tuples(*(st.floats(-60.0, 60.0) for _ in range(3)))


def lengths_of(matrix: np.ndarray, shift: np.ndarray, side: str) -> LengthsFound:
    """The ear moved as a whole."""

    def move(points: np.ndarray) -> tuple[tuple[float, float, float], ...]:
        return tuple((x, y, z) for x, y, z in (np.atleast_2d(points) @ matrix.T + shift).tolist())

    turn = np.arange(12) * np.pi / 6
    rings = {
        "annulus": np.column_stack([0.6 * np.cos(turn), 4.25 * np.sin(turn), 4.6 * np.cos(turn)]),
        "lateral_semicircular_canal": np.column_stack([-8 + 3 * np.cos(turn), 4 + 3 * np.sin(turn), 5 + 0 * turn]),
        **{name: np.array(point) for name, point in EAR.items()},
    }
    marks = [
        Landmark(name, "placed", tuple(Placement(p, i) for i, p in enumerate(move(points))))
        for name, points in rings.items()
    ]
    rims = move(RIMS)
    measure = MeasureInput(
        LandmarkSet(marks), side, structures=(Tube("facial_nerve", "placed", move(FACIAL), 0.1, "R", (0.6,) * 3),),
        settings=Settings(draws_maximum=20_000), niche=NicheRims(rims[0], rims[1]),
    )  # type: ignore[arg-type]  # fmt: skip
    return plan_lengths(LengthInput(measure))


def values(found: LengthsFound) -> dict[tuple[str, ...], float | None]:
    rows = {(r.reconstruction, r.geometry, r.lateral_contact): r.needed.value if r.needed else None for r in found.rows}
    checks = {
        (c.reconstruction, c.geometry, c.lateral_contact, c.what): c.estimate.value if c.estimate else None
        for c in found.shafts
    }
    return {**rows, **checks}


STILL = values(lengths_of(np.eye(3), np.zeros(3), "left"))


def same(found: dict[tuple[str, ...], float | None]) -> None:
    assert found.keys() == STILL.keys()
    for key, value in STILL.items():
        assert (found[key] is None) == (value is None)
        if value is not None:
            assert found[key] == pytest.approx(value, abs=1e-7), key


@settings(max_examples=4, deadline=None)
@given(TURNS, SHIFTS)
def test_moving_the_head_changes_nothing(
    turn_deg: tuple[float, float, float], shift: tuple[float, float, float]
) -> None:
    """Small turns only, so that the canal still opens to the side that was entered."""
    matrix = Rotation.from_euler("xyz", np.array(turn_deg) / 6.0, degrees=True).as_matrix()
    same(values(lengths_of(matrix, np.array(shift), "left")))


def test_the_mirrored_ear_has_the_same_lengths_and_gaps() -> None:
    same(values(lengths_of(np.diag([-1.0, 1.0, 1.0]), np.array([3.0, 0.0, 0.0]), "right")))


def test_every_kind_of_check_is_in_it() -> None:
    whats = {key[3] for key in STILL if len(key) == 4}
    assert len(whats) == 7
    assert all(STILL[key] is not None for key in STILL if len(key) == 4)
