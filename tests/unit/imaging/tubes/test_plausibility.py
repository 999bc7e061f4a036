"""Published ranges raise flags and nothing else."""

from __future__ import annotations

import numpy as np

from ctmeasure.imaging.tubes.plausibility import plausibility_flags
from ctmeasure.imaging.tubes.result import Genu, Segment

ALONG = np.linspace(0.0, 30.0, 121)


def flags(parts, bends=(), radius=0.65, structure_id="facial_nerve"):
    radii = np.broadcast_to(radius, ALONG.shape)
    return plausibility_flags(structure_id, segments=parts, genua=bends, arc_length_mm=ALONG, radius_mm=radii)


def part(name, length, whole=True):
    return Segment(name, 0, 10, length, whole, True)


def test_published_means_raise_nothing():
    # 2.89, 11.75, 16.06 mm: DOI 10.15953/j.ctta.2026.163; 115 degrees: Tanrivermis Sayit et al. 2019.
    parts = (part("labyrinthine", 2.89, False), part("tympanic", 11.75), part("mastoid", 16.06, False))
    bends = (Genu("first genu", 10, 80.0, 3.0), Genu("second genu", 60, 115.0, 3.0))
    assert flags(parts, bends) == ()


def test_too_long_is_always_said_and_too_short_only_of_whole_parts():
    assert len(flags((part("tympanic", 4.0),))) == 1
    assert flags((part("mastoid", 4.0, False),)) == ()
    assert len(flags((part("mastoid", 25.0, False),))) == 1


def test_a_sharp_second_genu():
    assert "second genu 80 deg" in flags((), (Genu("second genu", 60, 80.0, 2.0),))[0]
    assert flags((), (Genu("second genu", 60, 88.0, 3.0),)) == ()


def test_wide_is_allowed_in_the_geniculate_fossa_only():
    wide = np.where(np.abs(ALONG - 5.0) < 2.0, 1.6, 0.6)
    bends = (Genu("first genu", int(np.argmin(np.abs(ALONG - 5.0))), 80.0, 3.0),)
    assert flags((), bends, wide) == ()
    assert "radius outside" in flags((), (), wide)[0]
    assert "radius outside" in flags((), (), 0.7, "chorda_tympani")[0]
