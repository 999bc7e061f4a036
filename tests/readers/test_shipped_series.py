"""The shipped series: same voxels and places as SimpleITK, and the point spread they were scanned with."""

from __future__ import annotations

import numpy as np
import pytest
from ctmeasure_samples import sample_path, samples

from ctmeasure.io.dicom import load_series
from ctmeasure.volume.quality import assess_fitness

SIGMA_PER_VOXEL_FWHM = 2.354820 / np.sqrt(12.0)


@pytest.fixture(scope="module", params=list(samples()))
def shipped(request):
    return samples()[request.param], load_series(sample_path(request.param))


def test_against_simpleitk(shipped):
    import SimpleITK as sitk

    case, loaded = shipped
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(sample_path(case.name) / "dicom")))
    image = reader.Execute()
    volume = loaded.volume
    np.testing.assert_array_equal(volume.values, sitk.GetArrayFromImage(image))
    last = np.array(volume.values.shape) - 1
    for share in np.random.default_rng(1).uniform(0, 1, (40, 3)):
        place = share * last
        np.testing.assert_allclose(
            volume.geometry.to_lps(place),
            image.TransformContinuousIndexToPhysicalPoint(place[::-1].tolist()),
            atol=1e-6,
        )


def test_point_spread_is_the_scanners(shipped):
    """Between the bare point spread and that widened by a voxel's average, give or take two standard uncertainties."""
    case, loaded = shipped
    fitness = assess_fitness(loaded.volume)
    spacing = case.scanner.spacing_mm
    for value, u, truth, voxel in (
        (
            fitness.point_spread_in_plane_mm,
            fitness.point_spread_in_plane_u_mm,
            case.scanner.fwhm_in_plane_mm,
            spacing[1],
        ),
        (
            fitness.point_spread_through_plane_mm,
            fitness.point_spread_through_plane_u_mm,
            case.scanner.fwhm_through_plane_mm,
            spacing[0],
        ),
    ):
        assert truth - 2 * u < value < np.hypot(truth, SIGMA_PER_VOXEL_FWHM * voxel) + 2 * u
    # These scanners have smooth kernels.
    assert case.scanner.overshoot == 0.0
    assert fitness.overshoot_fraction < 0.04


def test_unit_and_pseudonym(shipped):
    case, loaded = shipped
    assert loaded.volume.source.intensity_unit == ("HU" if case.scanner.calibrated else "grey")
    assert loaded.volume.source.patient_pseudonym.startswith("SAMPLE-")
    assert loaded.volume.values.dtype == np.int16
