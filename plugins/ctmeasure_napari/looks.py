"""How the window looks: colours, sizes and the few words that are its own."""

from __future__ import annotations

RGBA = tuple[float, float, float, float]

INK: RGBA = (1.0, 1.0, 1.0, 1.0)
SHADOW: RGBA = (0.0, 0.0, 0.0, 0.85)
"""Under every line and word, so that they read on white bone and on black air."""
LANDMARK: RGBA = (1.0, 0.83, 0.30, 1.0)
STRUCTURE: RGBA = (0.50, 0.83, 1.0, 1.0)
HOLE: RGBA = (1.0, 1.0, 1.0, 1.0)
DRAFT: RGBA = (1.0, 0.97, 0.80, 1.0)
"""Clicks that are not enough yet for what they are clicked for."""
NEUTRAL: RGBA = (0.72, 0.72, 0.72, 0.75)
"""Crosshair: one neutral grey in every plane."""

SMALLEST_TYPE_PT = 11
LETTER_PT = 15
WORD_PT = 11
LINE_PX = 1.9
SHADOW_PX = 4.0

CROSS_MM = 0.55
"""Half arm of a landmark's cross."""
SELECTED_CROSS_MM = 1.1
"""Half arm of the selected one: larger, not only brighter."""
CROSSHAIR_GAP_MM = 1.6
"""The crosshair leaves its middle free, so that it never covers what it points at."""

FULL_WITHIN_MM = 0.3
"""A landmark this close to the plane is drawn at full strength: about the placement noise."""
HIDDEN_BEYOND_MM = 1.5
"""Further from the plane than this, a landmark is not drawn."""
FAINTEST = 0.25
"""Strength just before a landmark is hidden."""
FADE_WORDS = f"Crosses fade and hide {HIDDEN_BEYOND_MM:g} mm off the plane."

SOFT_TISSUE_HU = (-160.0, 240.0)
"""Soft-tissue window: level 40, width 400 HU (common practice, no source)."""
MIDDLE_EAR_HU = (-1000.0, 600.0)
"""Wide window for thin soft tissue against air: level -200, width 1600 HU (common practice, no source)."""

STEP_MM = 0.2
"""One notch of the wheel moves the plane by this much."""
NUDGE_MM = 0.1
"""One arrow key moves the selected point by this much; with shift, `LARGE_NUDGE_MM`."""
LARGE_NUDGE_MM = 0.5
PICK_PX = 11.0
"""A click this close to a cross takes hold of it."""


def strength(distance_mm: float) -> float:
    """How strongly a landmark is drawn at a distance from the plane: 1 near it, 0 when hidden.

    Parameters
    ----------
    distance_mm
        From the plane, either sign.

    Returns
    -------
    float
        0 to 1.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> strength(-0.2), strength(1.6), 0.5 < strength(0.8) < 0.8
    (1.0, 0.0, True)
    """
    distance = abs(distance_mm)
    if distance > HIDDEN_BEYOND_MM:
        return 0.0
    part = max(0.0, distance - FULL_WITHIN_MM) / (HIDDEN_BEYOND_MM - FULL_WITHIN_MM)
    return 1.0 - (1.0 - FAINTEST) * part


def faded(colour: RGBA, by: float) -> RGBA:
    """A colour at a part of its strength.

    Raises
    ------
    Nothing.

    Example
    -------
    >>> faded((1.0, 0.0, 0.0, 1.0), 0.5)
    (1.0, 0.0, 0.0, 0.5)
    """
    return (*colour[:3], colour[3] * by)
