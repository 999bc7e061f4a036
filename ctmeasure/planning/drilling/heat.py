"""Heat of a bur near the facial nerve: when to say something, and on what it rests."""

from __future__ import annotations

from typing import NamedTuple

HEAT_GAP_MM = 2.0
"""Below this gap to the facial canal heat is spoken of (our own choice, above the distances of `HEAT_BASIS`)."""
HEAT_FLAG = "heat: under 2 mm to the facial canal, irrigate and drill in short touches"


class Published(NamedTuple):
    """A published finding and where it stands."""

    finding: str
    source: str


HEAT_BASIS = (
    Published(
        "a 4 mm diamond bur at the facial recess warms the nerve significantly even under irrigation, and beyond "
        "what a nerve tolerates without",
        "Abbas and Jones 2001, Ann Otol Rhinol Laryngol 110(9):867-870",
    ),
    Published(
        "a dry bur can heat the nerve from 1 mm and more away; a diamond bur's heat follows pressure, not speed",
        "Call 1978, Ann Otol Rhinol Laryngol",
    ),
    Published(
        "dry diamond grinding of bovine bone: 50 degrees C about 3 mm sideways and 3 mm deep",
        "Zhang et al. 2013, Med Eng Phys 35(10):1391-1398, doi:10.1016/j.medengphy.2013.03.023",
    ),
)
"""Larger burs than ours and mostly dry: an upper end, not a prediction for a 0.6 mm bur under irrigation."""


def heat_words() -> str:
    """The note in full, with its sources.

    Example
    -------
    >>> "Abbas and Jones 2001" in heat_words()
    True
    """
    findings = "; ".join(f"{item.finding} ({item.source})" for item in HEAT_BASIS)
    return (
        f"Heat: a hole lies under {HEAT_GAP_MM:g} mm from the facial canal. Published with larger burs: {findings}. "
        "Irrigate all the time, drill in short touches without pressure."
    )
