"""Suggested landmarks: proposed from the image, never placed, and in no computation until a person accepts them."""

from __future__ import annotations

from dataclasses import dataclass

from ctmeasure.anatomy.landmarks import PointLps

STATUS = "suggested"
"""The word in tables; no landmark can have this status."""


@dataclass(frozen=True, slots=True)
class Suggestion:
    """One proposed landmark, or points along a structure (``structure`` True).

    ``u_mm``: standard uncertainty per point, per axis on average. ``from_image`` is False where the image showed
    nothing and the place is that of a mean ear laid through the clicks. ``evidence`` says it in words.
    """

    id: str
    points_lps: tuple[PointLps, ...]
    u_mm: tuple[float, ...]
    evidence: str
    from_image: bool
    structure: bool = False


@dataclass(frozen=True, slots=True)
class NotProposed:
    """What could not be proposed, and why."""

    id: str
    why: str
