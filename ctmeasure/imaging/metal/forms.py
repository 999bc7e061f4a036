"""The forms of a prosthesis that are fitted: a bare rod, a rod with a flat head, a handle with two arms."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from ctmeasure.geometry.vectors import orthonormal_basis
from ctmeasure.imaging.metal.pieces import Pieces, head, rod

Floats = NDArray[np.float64]

USUAL_HEAD_MM, HEAD_LOG_SD = 1.2, 0.4
USUAL_THICKNESS_MM, THICKNESS_LOG_SD = 0.2, 0.4
HEAD_TILT_SD = 0.15
"""A head is about square to its shaft (radians; our choice)."""
USUAL_WIRE_MM, WIRE_LOG_SD = 0.2, 0.4
ARM_MM, ARM_SD_MM = 1.6, 0.5
"""The straight part of an arm that is fitted, from where it leaves the handle."""
ARM_SEEN_MM = 0.9
"""Voxels beside an arm count this far along it: further out it may bend."""


class Form(Protocol):
    """What a form adds to the two ends and the radius of the shaft."""

    def prior(self) -> tuple[list[float], list[float]]:
        """Its own numbers before looking, and their standard deviations."""
        ...

    def pieces(self, foot_lps: Floats, top_lps: Floats, *, radius_mm: float, own: Floats) -> Pieces:
        """All of its metal."""
        ...

    def seen(self, foot_lps: Floats, top_lps: Floats, *, radius_mm: float, own: Floats) -> Pieces:
        """The metal around which voxels count."""
        ...


@dataclass(frozen=True, slots=True)
class BareRod:
    """A flat-ended rod."""

    def prior(self) -> tuple[list[float], list[float]]:
        """Nothing of its own."""
        return [], []

    def pieces(self, foot_lps: Floats, top_lps: Floats, *, radius_mm: float, own: Floats) -> Pieces:
        """The rod."""
        return rod(foot_lps, top_lps, radius_mm=radius_mm)

    seen = pieces


@dataclass(frozen=True, slots=True)
class Headed:
    """A rod with a flat head whose outer face is the top; own: log radius, log thickness, two tilts."""

    def prior(self) -> tuple[list[float], list[float]]:
        """Usual sizes."""
        values = [math.log(USUAL_HEAD_MM), math.log(USUAL_THICKNESS_MM), 0.0, 0.0]
        return values, [HEAD_LOG_SD, THICKNESS_LOG_SD, HEAD_TILT_SD, HEAD_TILT_SD]

    def pieces(self, foot_lps: Floats, top_lps: Floats, *, radius_mm: float, own: Floats) -> Pieces:
        """Rod up to the inner face of the head, and the head: nothing counts twice."""
        thickness, length = math.exp(own[1]), float(np.linalg.norm(top_lps - foot_lps))
        inner = top_lps - min(thickness, 0.9 * length) * (top_lps - foot_lps) / length
        disc = head(top_lps, head_normal(top_lps - foot_lps, own), radius_mm=math.exp(own[0]), thickness_mm=thickness)
        return rod(foot_lps, inner, radius_mm=radius_mm) + disc

    seen = pieces


def head_normal(axis_lps: Floats, own: Floats) -> Floats:
    """Outward normal of a head whose own numbers are given."""
    basis = orthonormal_basis(axis_lps)
    normal = basis[2] + own[2] * basis[0] + own[3] * basis[1]
    return np.asarray(normal / np.linalg.norm(normal), dtype=np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class TwoArmed:
    """A handle from tip (foot) to where two arms leave it (top); own: log wire radius, the two arms' far points.

    ``arms_lps``, shape (2, 3): about where the arms are, `ARM_MM` from the top.
    """

    arms_lps: Floats

    def prior(self) -> tuple[list[float], list[float]]:
        """The arms as first seen."""
        return [math.log(USUAL_WIRE_MM), *self.arms_lps.ravel()], [WIRE_LOG_SD, *([ARM_SD_MM] * 6)]

    def pieces(self, foot_lps: Floats, top_lps: Floats, *, radius_mm: float, own: Floats) -> Pieces:
        """Shaft and both arms."""
        return self._with_arms(foot_lps, top_lps, radius_mm, own, 1.0)

    def seen(self, foot_lps: Floats, top_lps: Floats, *, radius_mm: float, own: Floats) -> Pieces:
        """Shaft and the beginning of both arms."""
        return self._with_arms(foot_lps, top_lps, radius_mm, own, ARM_SEEN_MM / ARM_MM)

    @staticmethod
    def _with_arms(foot: Floats, top: Floats, radius: float, own: Floats, share: float) -> Pieces:
        found = rod(foot, top, radius_mm=radius)
        for arm in own[1:].reshape(2, 3):
            found = found + rod(top, top + share * (arm - top), radius_mm=math.exp(own[0]))
        return found
