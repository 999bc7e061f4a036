"""What is known beforehand about the tubes that are traced: how wide they are, and how far a click may be off."""

from __future__ import annotations

from dataclasses import dataclass

from ctmeasure.errors import LandmarkError


@dataclass(frozen=True, slots=True)
class TubeKind:
    """A traced structure; lengths mm.

    Parameters
    ----------
    structure_id
        Id in the structures' vocabulary.
    radius_mm, radius_sd_mm
        Usual radius, and how much it varies along and between ears: a weak prior, overruled by any closed wall.
    ridge_radii_mm
        Radii whose dark-tube response finds the route.
    grid_mm
        Step of the grid on which the route is found.
    snap_mm
        How far a click may be moved to the ridge.
    bulge_mm
        Allowance added to the radius where the bony wall is open.
    bridge_mm
        Longest stretch without any canal that a route may bridge.
    """

    structure_id: str
    radius_mm: float
    radius_sd_mm: float
    ridge_radii_mm: tuple[float, ...]
    grid_mm: float
    snap_mm: float
    bulge_mm: float
    bridge_mm: float


KINDS = {
    kind.structure_id: kind
    for kind in (
        # Canal 0.97 (0.35) across in its labyrinthine part, 2.07 (0.42) in the geniculate fossa: Fondjo et al., HRCT of
        # 194 bones. The nerve as small as 1.0 across, the chorda 0.3 to 0.6 across (from memory). A bare stretch is 0.4
        # to 2.64 long: Takahashi & Sando 1992, Ann Otol Rhinol Laryngol 101:925-930. Bulge, grid, snap: our choice.
        TubeKind("facial_nerve", 0.65, 0.25, (0.5, 0.75), 0.3, 0.6, 0.2, 3.0),
        TubeKind("chorda_tympani", 0.27, 0.10, (0.3,), 0.2, 0.6, 0.0, 1.0),
    )
}


def tube_kind(structure_id: str) -> TubeKind:
    """What is known of a structure that can be traced.

    Parameters
    ----------
    structure_id
        ``"facial_nerve"`` or ``"chorda_tympani"``.

    Returns
    -------
    TubeKind

    Raises
    ------
    LandmarkError
        When it is neither.

    Example
    -------
    >>> tube_kind("facial_nerve").grid_mm
    0.3
    """
    if structure_id not in KINDS:
        raise LandmarkError(
            f"structure '{structure_id}' cannot be traced", expected=" or ".join(KINDS), action="give radii"
        )
    return KINDS[structure_id]
