"""What must be marked before a hole in a sector of the wall can be anything but "not assessed"."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from ctmeasure.anatomy.clock import in_stretch
from ctmeasure.anatomy.tabledata import table_rows


@dataclass(frozen=True, slots=True)
class Need:
    """One structure a sector needs; ``part`` narrows the facial canal to a segment or demands a confirmed one."""

    structure: str
    part: str = ""


@dataclass(frozen=True, slots=True)
class Sector:
    """A range of wall angles, start included and end excluded, with what it needs."""

    start_deg: float
    end_deg: float
    needs: tuple[Need, ...]

    @property
    def name(self) -> str:
        """The range as written in tables, for example ``330-30``."""
        return f"{self.start_deg:g}-{self.end_deg:g}"

    def contains(self, wall_angle_deg: float) -> bool:
        """Whether a wall angle lies in this sector."""
        return in_stretch(wall_angle_deg, self.start_deg, self.end_deg)


@lru_cache(maxsize=1)
def sectors() -> tuple[Sector, ...]:
    """All sectors; together they cover the circle once.

    Example
    -------
    >>> sectors()[0].name, [need.structure for need in sectors()[2].needs]
    ('330-30', ['chorda_tympani', 'facial_nerve'])
    """
    found = []
    for row in table_rows("sectors.csv"):
        pairs = (text.partition(":") for text in row["needed"].split(";"))
        needs = tuple(Need(structure, part) for structure, _, part in pairs)
        found.append(Sector(float(row["start_deg"]), float(row["end_deg"]), needs))
    return tuple(found)


def sector_of(wall_angle_deg: float) -> Sector:
    """The sector of a wall angle.

    Example
    -------
    >>> sector_of(0.0).name, sector_of(330.0).name, sector_of(329.9).name
    ('330-30', '330-30', '285-330')
    """
    return next(s for s in sectors() if s.contains(wall_angle_deg))
