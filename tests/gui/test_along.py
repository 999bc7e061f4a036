"""The pictures along the nerve: every place on them is a place in the patient, to a twentieth of a millimetre."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import window_phantom
from ctmeasure_napari.along import flat_at, lps_at
from scipy.spatial.transform import Rotation

from ctmeasure.anatomy.structures import Tube
from ctmeasure.app.curved import along_tube
from ctmeasure.case.model import scan_reference
from ctmeasure.errors import LandmarkError
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.volume import Volume

PRECISION_MM = 0.05
BEND_MM, RADIUS_MM = 8.0, 0.7


def bent(turn: Rotation, side: str) -> np.ndarray:
    """A quarter circle of 8 mm: where its middle runs at any angle is known."""
    angle = np.radians(np.arange(0.0, 90.1, 1.5))
    offset = np.stack([np.zeros_like(angle), BEND_MM * np.sin(angle), BEND_MM * np.cos(angle)], axis=1) - [0, 4, 4]
    return turn.apply([window_phantom.place(o, side) for o in offset])


@pytest.fixture(params=[("right", 0.0), ("left", 0.0), ("right", 17.0), ("left", 17.0)])
def ear(request):
    side, tilt_deg = request.param
    turn = Rotation.from_euler("xy", [tilt_deg, 0.5 * tilt_deg], degrees=True)
    volume = window_phantom.phantom_volume(side)
    affine = volume.geometry.affine_lps.copy()
    affine[:3, :3] = turn.as_matrix() @ affine[:3, :3]
    affine[:3, 3] = turn.apply(affine[:3, 3])
    points = bent(turn, side)
    # a ramp across the bend: a picture that shows the wrong place shows the wrong value
    grid = Geometry(volume.geometry.shape_kji, affine, "1.2.3")
    index = np.stack(np.meshgrid(*[np.arange(n) for n in grid.shape_kji], indexing="ij"), axis=-1)
    ramp = (10.0 * (turn.inv().apply(grid.to_lps(index).reshape(-1, 3)) @ [1.0, 2.0, 3.0])).reshape(grid.shape_kji)
    turned = Volume(grid, ramp.astype(np.float32), volume.source)
    nerve = Tube("facial_nerve", "placed", tuple(map(tuple, points)), radii_mm=(RADIUS_MM,) * len(points))
    case = replace(
        window_phantom.phantom_case(volume, side), structures=(nerve,), scan=scan_reference(turned), results=None
    )
    return case, turned, points, turn


@pytest.mark.parametrize("turn_deg", [0.0, 90.0])
def test_places_on_the_curved_picture_are_places_in_the_patient(ear, turn_deg) -> None:
    case, volume, points, turn = ear
    picture = along_tube(case, volume, "facial_nerve", turn_deg=turn_deg)
    half = (picture.image.shape[0] - 1) / 2.0 * picture.pixel_mm
    assert 2.0 * half == pytest.approx(BEND_MM * np.pi / 2.0, abs=0.15)
    for point in points[3:-3:7]:
        (across, along), off = flat_at(picture, point)
        assert abs(across) < PRECISION_MM
        assert abs(off) < PRECISION_MM
        np.testing.assert_allclose(lps_at(picture, (across, along)), point, atol=PRECISION_MM)
    # beside the middle: as far from the circle's middle line as the picture says, in the patient's own millimetres
    for at in ((1.3, -2.0), (-0.75, 3.1), (2.05, 0.0)):
        there = lps_at(picture, at)
        assert np.linalg.norm(points[:, None] - there, axis=-1).min() == pytest.approx(abs(at[0]), abs=PRECISION_MM)
        (across, along), off = flat_at(picture, there)
        assert (across, along, off) == pytest.approx((*at, 0.0), abs=PRECISION_MM)
        row = round(at[1] / picture.pixel_mm + (picture.image.shape[0] - 1) / 2.0)
        column = round(at[0] / picture.pixel_mm + (picture.image.shape[1] - 1) / 2.0)
        shown = lps_at(picture, ((column - (picture.image.shape[1] - 1) / 2.0) * picture.pixel_mm,
                                 (row - (picture.image.shape[0] - 1) / 2.0) * picture.pixel_mm))  # fmt: skip
        wanted = 10.0 * float(turn.inv().apply(shown) @ [1.0, 2.0, 3.0])
        assert picture.image[row, column] == pytest.approx(wanted, abs=10.0 * 3.8 * PRECISION_MM)


def test_a_tube_that_is_not_marked_is_said(ear) -> None:
    case, volume, _, _ = ear
    with pytest.raises(LandmarkError, match="not marked"):
        along_tube(case, volume, "chorda_tympani")
    bare = replace(case, structures=(replace(case.structures[0], radii_mm=(None,) * len(case.structures[0].points)),))
    assert np.isnan(along_tube(bare, volume, "facial_nerve").edges_mm).all()
