"""Does a traced canal look like one? Published lengths, angles and widths; they only ever raise a flag."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ctmeasure.imaging.tubes.result import Genu, Segment

SPREADS = 2.5
"""Standard deviations of the published distribution outside which a value is flagged (our choice)."""
LABYRINTHINE_WITH_FOSSA_MM = 8.5
"""Longest labyrinthine part when the geniculate fossa, which the first genu lies in, counts to it: 3.6 + 5.1 rounded
down (upper quartile and largest, same sources as below)."""


@dataclass(frozen=True, slots=True)
class Published:
    """Mean and standard deviation, or outright limits, of one quantity, with the source."""

    low: float
    high: float
    source: str


def _around(mean: float, sd: float, source: str) -> Published:
    return Published(mean - SPREADS * sd, mean + SPREADS * sd, source)


SEGMENT_LENGTH_MM = {
    "labyrinthine": Published(
        1.5, LABYRINTHINE_WITH_FOSSA_MM, "Fondjo et al., 194 bones, HRCT; DOI 10.15953/j.ctta.2026.163, 47 subjects"
    ),
    # Geniculate segment 2.52 (0.86) is counted with the tympanic one here: the first genu is its middle.
    "tympanic": _around(11.75, 2.16, "DOI 10.15953/j.ctta.2026.163, 47 subjects, CT"),
    "mastoid": _around(16.06, 2.07, "DOI 10.15953/j.ctta.2026.163, 47 subjects, CT"),
    # Chorda's canal 12.3 (3.8) long: McManus et al. 2012, DOI 10.1007/s00276-012-0941-z.
    "chorda": _around(12.3, 3.8, "McManus et al. 2012, DOI 10.1007/s00276-012-0941-z"),
}
GENU_ANGLE_DEG = {
    # General texts give 75 to 80 degrees (from memory); wide limits, because nobody published a spread.
    "first genu": Published(50.0, 130.0, "general texts, from memory"),
    "second genu": _around(115.0, 9.9, "Tanrivermis Sayit et al. 2019, Braz J Otorhinolaryngol 85:365-370"),
}
RADIUS_MM = {
    # 0.44 to 2.19 across in the labyrinthine part, up to 3.96 in the geniculate fossa.
    "facial_nerve": Published(0.22, 1.98, "Fondjo et al., 194 bones, HRCT"),
    "chorda_tympani": Published(0.1, 0.5, "0.3 to 0.6 mm across with its canal; from memory"),
}
FOSSA_MM = 2.5
"""Within this of the first genu the geniculate fossa's width is allowed; elsewhere half of it."""


def plausibility_flags(
    structure_id: str,
    *,
    segments: tuple[Segment, ...],
    genua: tuple[Genu, ...],
    arc_length_mm: NDArray[np.float64],
    radius_mm: NDArray[np.float64],
) -> tuple[str, ...]:
    """What lies outside published ranges.

    Parameters
    ----------
    structure_id
        The tube.
    segments, genua
        From `parts`.
    arc_length_mm, radius_mm
        Shape (n,).

    Returns
    -------
    tuple of str
        Too short is said only of segments whose both ends are known.

    Raises
    ------
    KeyError
        For a structure that is not traced.

    Example
    -------
    >>> part = Segment("mastoid", 0, 1, 30.0, False, True)
    >>> plausibility_flags("facial_nerve", segments=(part,), genua=(), arc_length_mm=np.array([0.0, 30.0]),
    ...     radius_mm=np.array([0.7, 0.7]))
    ('mastoid segment 30.0 mm long, outside published range (10.9 to 21.2)',)
    """
    flags: list[str] = []
    for part in segments:
        known = SEGMENT_LENGTH_MM.get(part.part)
        if known and (part.length_mm > known.high or (part.whole and part.length_mm < known.low)):
            flags.append(
                f"{part.part} segment {part.length_mm:.1f} mm long, outside published range "
                f"({known.low:.1f} to {known.high:.1f})"
            )
    for bend in genua:
        known = GENU_ANGLE_DEG[bend.name]
        if not known.low - 2.0 * bend.angle_u_deg <= bend.angle_deg <= known.high + 2.0 * bend.angle_u_deg:
            flags.append(
                f"{bend.name} {bend.angle_deg:.0f} deg (u {bend.angle_u_deg:.0f}), outside published range "
                f"({known.low:.0f} to {known.high:.0f})"
            )
    width = RADIUS_MM[structure_id]
    first = [arc_length_mm[bend.sample] for bend in genua if bend.name == "first genu"]
    fossa = np.zeros(len(radius_mm), np.bool_)
    for place in first:
        fossa |= np.abs(arc_length_mm - place) < FOSSA_MM
    high = np.where(fossa | (structure_id != "facial_nerve"), width.high, 0.6 * width.high)
    strange = (radius_mm < width.low) | (radius_mm > high)
    if strange.mean() > 0.05:
        flags.append(f"radius outside published range over {100 * strange.mean():.0f} percent of the course")
    return tuple(flags)
