"""Malleus, incus and stapes arch: present, partial, absent or not seen, each with its evidence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.imaging.ossicles.look import Part, Sight, look_at
from ctmeasure.imaging.snaps.mean_ear import LaidEar
from ctmeasure.imaging.tubes.tissue import tube_levels
from ctmeasure.progress import Progress, no_progress
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume

Floats = NDArray[np.float64]

MARGIN_MM = 3.0
COARSEST_MM = 0.9
"""With a point spread wider than this, crura and handle drown: what is not seen is then "not seen"."""
MASSIVE, THIN, CRUS = 0.6, 0.35, 0.0
"""Levels that tell a massive part and a process, as shares of the way from their surroundings to bone."""
STUMP_WORDS = "no head, no crus; a stump shorter than a millimetre on the footplate would not be told"
MOVES_WITH = {
    "umbo": "malleus handle", "malleus_lateral_process": "malleus handle", "malleus_neck": "malleus head",
    "incus_long_process": "incus long process", "incus_contact": "incus long process",
    "incus_short_process": "incus body", "incudostapedial_joint": "incus long process", "stapes_head": "stapes head",
}  # fmt: skip
"""Which part tells that a landmark is there."""


@dataclass(frozen=True, slots=True)
class OssicleFinding:
    """One ossicle: state, evidence in words, and the sights it rests on."""

    id: str
    state: str
    evidence: str
    sights: tuple[Sight, ...]


def find_ossicles(
    volume: Volume, ear: LaidEar, *, fitness: ScanFitness, progress: Progress = no_progress
) -> tuple[OssicleFinding, ...]:
    """Say which ossicles are there.

    Parameters
    ----------
    volume, fitness
        The scan and what it is good for.
    ear
        The mean ear laid through the clicks: where each part is to be expected.
    progress
        May stop it.

    Returns
    -------
    tuple of OssicleFinding
        ``malleus``, ``incus``, ``stapes arch``; state ``present``, ``partial``, ``absent`` or ``not seen``.

    Raises
    ------
    ctmeasure.errors.ScanError
        When the place lies outside the scan.
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    A part that nothing shows is absent only where air lies around its place and the scan is fine enough; in a filled
    ear, beside metal, outside the scan or on a coarse scan it is "not seen". Of the stapes arch a stump may always be
    left that no scan tells from the niche: it is never called absent. CT does not show mobility, and a part that is
    there may be fixed or loose.
    """
    block = volume.crop_around(ear.points_lps[[ear.ear.at((name, 0)) for name in NEEDED]], margin_mm=MARGIN_MM)
    levels = tube_levels(block, fitness)
    sights: dict[str, Sight] = {}
    for number, part in enumerate(parts_of(ear)):
        progress("ossicles", number / 6.0)
        sights[part.name] = look_at(block, part, levels=levels)
    spread = fitness.point_spread_mm
    coarse = spread is None or max(spread) > COARSEST_MM
    progress("ossicles", 1.0)
    return (
        _finding("malleus", (sights["malleus head"], sights["malleus handle"]), coarse),
        _finding("incus", (sights["incus body"], sights["incus long process"]), coarse),
        _finding("stapes arch", (sights["stapes head"], sights["posterior crus"], sights["anterior crus"]), coarse),
    )


NEEDED = ("malleus_head", "umbo", "incus_body", "incus_long_process", "stapes_head", "footplate_centre")


def parts_of(ear: LaidEar) -> tuple[Part, ...]:
    """The parts that are looked for, where the mean ear has them."""
    at = ear.point_lps
    handle = 0.25 * at("malleus_neck") + 0.75 * at("malleus_lateral_process")
    knee = 0.35 * at("incus_body") + 0.65 * at("incus_long_process")
    top, plate = at("stapes_head"), at("footplate_centre")
    rise = top - plate
    crura = []
    for name, end in (("anterior crus", "footplate_anterior"), ("posterior crus", "footplate_posterior")):
        foot = plate + 0.75 * (at(end) - plate) + 0.2 * rise
        crura.append(Part(name, foot, plate + 0.45 * (at(end) - plate) + 0.6 * rise, 0.08, 0.4, CRUS))
    return (
        Part("malleus head", at("malleus_head"), at("malleus_head"), 0.5, 0.4, MASSIVE),
        Part("malleus handle", at("umbo") + 0.25 * (handle - at("umbo")), handle, 0.16, 0.6, THIN),
        Part("incus body", at("incus_body"), at("incus_body"), 0.5, 0.4, MASSIVE),
        Part("incus long process", knee, at("incus_long_process"), 0.16, 0.6, THIN),
        Part("stapes head", top - 0.12 * rise, top - 0.12 * rise, 0.2, 0.4, THIN),
        *crura,
    )


def _finding(name: str, sights: tuple[Sight, ...], coarse: bool) -> OssicleFinding:
    words = "; ".join(sight.words for sight in sights)
    seen = [sight.seen and not sight.metal for sight in sights]
    hidden = [s.outside or s.metal or ((s.filled or coarse) and not s.seen) for s in sights]
    whole = seen[0] and any(seen[1:])
    if whole:
        state = "present"
    elif any(seen):
        state = "not seen" if any(h and not s for h, s in zip(hidden[:2], seen[:2], strict=True)) else "partial"
    else:
        state = "not seen" if any(hidden) else "absent"
    if state == "not seen":
        why = "outside the scan" if any(s.outside for s in sights) else "metal" if any(s.metal for s in sights) else ""
        why = why or ("the scan is too coarse" if coarse else "soft tissue or fluid around it")
        words = f"not seen ({why}): it may be there; {words}"
    if name == "stapes arch" and state == "absent":
        state = "not seen"
        words = f"not seen ({STUMP_WORDS}): a rest of it may be there; {words}"
    return OssicleFinding(name, state, words, sights)
