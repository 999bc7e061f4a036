"""Scan fitness on spheres blurred by a known point spread (the truth is the blur that was put in)."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from ctmeasure.volume import Geometry, ScanSource, Volume
from ctmeasure.volume.quality import assess_fitness, noise_sd

FWHM = 2.354820


def ball(spacing, fwhm, *, noise, sharpening=0.0, shape=(64, 110, 110), unit="HU", slab=False) -> Volume:
    """Bone in air, drawn twice as fine, blurred, averaged over voxels. `slab`: a plate across the slices only."""
    fine = 2
    centre = (np.array(shape) - 1) / 2
    z, y, x = (
        (((np.arange(n * fine) + 0.5) / fine - 0.5) - c) * s for n, c, s in zip(shape, centre, spacing, strict=True)
    )
    radius = 0.8 * min(centre * spacing)
    if slab:
        solid = np.broadcast_to(np.abs(x)[None, None, :] < radius / 2, (len(z), len(y), len(x)))
    else:
        solid = z[:, None, None] ** 2 + y[:, None] ** 2 + x**2 < radius**2
    values = np.where(solid, 1200.0, -1000.0).astype(np.float32)
    sigma = np.array((fwhm[1], fwhm[0], fwhm[0])) / FWHM / np.array(spacing) * fine
    blurred = gaussian_filter(values, sigma)
    if sharpening:
        blurred += sharpening * (blurred - gaussian_filter(values, 2 * sigma))
    k, j, i = shape
    voxels = blurred.reshape(k, fine, j, fine, i, fine).mean(axis=(1, 3, 5))
    voxels = voxels + np.random.default_rng(8).normal(0, noise, voxels.shape)
    geometry = Geometry(shape, np.diag([*spacing, 1.0])[[2, 1, 0, 3]], "1.2.3")
    return Volume(geometry, np.rint(voxels).astype(np.int16), ScanSource(intensity_unit=unit))


@pytest.mark.parametrize(
    ("spacing", "fwhm", "noise"),
    [((0.3, 0.2, 0.2), (0.5, 0.6), 30), ((0.3, 0.2, 0.2), (0.5, 0.6), 80), ((0.2, 0.15, 0.15), (0.35, 0.35), 60)],
)
def test_point_spread_is_found(spacing, fwhm, noise):
    """Within two standard uncertainties, and within 12 percent, of the blur put in (voxel average included)."""
    fitness = assess_fitness(ball(spacing, fwhm, noise=noise))
    for value, u, put_in, voxel in (
        (fitness.point_spread_in_plane_mm, fitness.point_spread_in_plane_u_mm, fwhm[0], spacing[1]),
        (fitness.point_spread_through_plane_mm, fitness.point_spread_through_plane_u_mm, fwhm[1], spacing[0]),
    ):
        whole = np.hypot(put_in, FWHM * voxel / np.sqrt(12))
        assert abs(value - whole) < 2 * u
        assert value == pytest.approx(whole, rel=0.12)
    assert fitness.noise_hu == pytest.approx(noise, rel=0.05)
    assert fitness.gates == ()
    assert fitness.point_spread_mm == (fitness.point_spread_in_plane_mm, fitness.point_spread_through_plane_mm)


def test_direction_that_is_not_there_is_not_guessed():
    fitness = assess_fitness(ball((0.3, 0.2, 0.2), (0.5, 0.6), noise=30, slab=True))
    assert fitness.point_spread_in_plane_mm == pytest.approx(0.518, rel=0.12)
    assert fitness.point_spread_through_plane_mm is None
    assert fitness.point_spread_mm is None
    assert "through plane not estimable" in fitness.point_spread_words
    assert any("not resolved" in gate for gate in fitness.gates)


def test_sharp_kernel_overshoot():
    """2 Phi(z) - Phi(z / 2) peaks at 1.093 (z about 1.5)."""
    fitness = assess_fitness(ball((0.3, 0.2, 0.2), (0.5, 0.6), noise=40, sharpening=1.0))
    assert fitness.overshoot_fraction == pytest.approx(0.093, abs=0.03)
    assert any("overshoot" in text for text in fitness.warnings)
    plain = assess_fitness(ball((0.3, 0.2, 0.2), (0.5, 0.6), noise=40))
    assert plain.overshoot_fraction < 0.02


def test_thick_slices_are_gated():
    fitness = assess_fitness(ball((0.8, 0.3, 0.3), (0.7, 1.0), noise=30, shape=(30, 80, 80)))
    assert any("0.80 mm" in gate and "no drill plan" in gate for gate in fitness.gates)


def test_one_limit_decides_gate_and_support():
    """A limit the user raised must not leave words behind that deny what is then given, nor the other way round."""
    scan = ball((0.8, 0.3, 0.3), (0.7, 1.0), noise=30, shape=(30, 80, 80))
    barred, let_pass = assess_fitness(scan), assess_fitness(scan, thickest_slice_mm=1.0)
    assert any(words.startswith("drill plan: not supported") for words in barred.supports)
    assert not any("no drill plan" in gate for gate in let_pass.gates)
    assert not any(words.startswith("drill plan: not supported") for words in let_pass.supports)


def test_metal_and_clipping():
    scan = ball((0.3, 0.2, 0.2), (0.5, 0.6), noise=30)
    assert assess_fitness(scan).metal is False
    values = scan.values.copy()
    values[30:33, 50:54, 50:54] = 3071
    fitness = assess_fitness(dataclasses.replace(scan, values=values))
    assert fitness.metal is True
    assert fitness.clipped
    assert any("metal" in text for text in fitness.warnings)


def test_grey_values_leave_metal_unassessed():
    fitness = assess_fitness(ball((0.3, 0.2, 0.2), (0.5, 0.6), noise=30, unit="grey"))
    assert fitness.metal is None
    assert any("not assessed" in text for text in fitness.warnings)
    assert fitness.point_spread_in_plane_mm == pytest.approx(0.518, rel=0.12)


def test_no_frame_of_reference():
    scan = ball((0.3, 0.2, 0.2), (0.5, 0.6), noise=30)
    bare = Volume(Geometry(scan.geometry.shape_kji, scan.geometry.affine_lps, ""), scan.values, scan.source)
    assert any("no frame of reference" in gate for gate in assess_fitness(bare).gates)


@pytest.mark.parametrize("sd", [0.0, 20.0, 120.0])
def test_noise_beside_structure(sd):
    rng = np.random.default_rng(9)
    values = np.zeros((20, 96, 96))
    values[:, 48:] = 1500 * np.sin(np.arange(96) / 2.0)
    noisy = np.rint(values + rng.normal(0, sd, values.shape)).astype(np.int16)
    assert noise_sd(Volume(Geometry((20, 96, 96), np.eye(4), ""), noisy)) == pytest.approx(sd, rel=0.05, abs=0.3)


def test_same_scan_same_answer_and_plain_numbers():
    scan = ball((0.3, 0.2, 0.2), (0.5, 0.6), noise=30)
    first = assess_fitness(scan)
    assert assess_fitness(scan) == first
    json.dumps(dataclasses.asdict(first), allow_nan=False)
