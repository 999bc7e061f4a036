"""The contact stack: what lies between the two contact surfaces and is not the device, and what reaches past them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ctmeasure.errors import SettingsError
from ctmeasure.planning.settings import Settings

FOOTPLATE_THICKNESS_U_MM = 0.05
"""Half the spread between histology (0.12 mm) and micro-CT (0.30 mm), as a rectangular standard uncertainty."""


@dataclass(frozen=True, slots=True)
class StackLine:
    """One part of the stack; ``effect_mm`` is added to the distance (negative: it takes room from the device)."""

    name: str
    effect_mm: float
    u_mm: float


@dataclass(frozen=True, slots=True)
class ContactStack:
    """All parts for one pair of contacts."""

    lines: tuple[StackLine, ...]

    @property
    def effect_mm(self) -> float:
        """What is added to the distance between the contact points to get the functional length."""
        return sum(line.effect_mm for line in self.lines)

    @property
    def u_mm(self) -> float:
        """Standard uncertainty of that sum; the parts are independent."""
        return math.sqrt(sum(line.u_mm**2 for line in self.lines))


def contact_stack(settings: Settings, *, reconstruction: str, lateral: str) -> ContactStack:
    """The stack of a reconstruction under a lateral contact.

    Parameters
    ----------
    settings
        Thicknesses and their uncertainties.
    reconstruction
        ``handle``, ``total``, ``partial`` or ``piston``.
    lateral
        ``drum``, ``umbo``, ``handle``, ``incus``, ``malleus neck`` or ``holes``. Under a drum lies cartilage; under a
        handle, an umbo or an ossicle nothing does (the cartilage lies outside it).

    Returns
    -------
    ContactStack

    Raises
    ------
    SettingsError
        For a contact that no stack is known for.

    Example
    -------
    >>> contact_stack(Settings(), reconstruction="total", lateral="drum").effect_mm
    -0.5
    >>> contact_stack(Settings(), reconstruction="total", lateral="handle").effect_mm
    0.0
    """
    if lateral not in ("drum", "umbo", "handle", "incus", "malleus neck", "holes"):
        raise SettingsError(f"no contact stack for '{lateral}'", expected="drum, umbo, handle, incus or malleus neck")
    lines = [StackLine("seat of the device", 0.0, settings.seat_u_mm)]
    if lateral == "drum":
        lines.append(StackLine("cartilage under the drum", -settings.cartilage_under_drum_mm, settings.cartilage_u_mm))
    if reconstruction == "piston":
        lines.append(
            StackLine("footplate thickness (assumed)", settings.footplate_thickness_mm, FOOTPLATE_THICKNESS_U_MM)
        )
        lines.append(StackLine("protrusion past the footplate", settings.piston_protrusion_mm, 0.0))
    return ContactStack(tuple(lines))
