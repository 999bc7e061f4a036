"""Cells of the map that may hold a hole, and in words how many each limit removed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ctmeasure.planning.drilling.clearances import NO_END_FLAG
from ctmeasure.planning.drilling.envelope import opening_width_mm
from ctmeasure.planning.drilling.scene import SLICE_FLAG, TAKEN_DOWN_FLAG, VOID_FLAG, Scene
from ctmeasure.planning.drilling.sites import NOT_MARKED
from ctmeasure.planning.drilling.zone import Zone
from ctmeasure.planning.results import ZoneCell

Floats = NDArray[np.float64]

WHOLE_CELL_FLAGS = (NO_END_FLAG, TAKEN_DOWN_FLAG, SLICE_FLAG, VOID_FLAG)
"""Flags that by themselves leave a cell not assessed, besides what is not marked."""
OTHER_SUPERIOR_DEG = (270.0, 90.0)
"""Cells of the upper half of the wall may be used with a caution; the rest only where the user places a hole."""


@dataclass(frozen=True, slots=True, eq=False)
class Feasible:
    """Feasible cells as arrays; ``rows`` index the zone's places, ``cells`` its cells."""

    rows: NDArray[np.intp]
    cells: tuple[ZoneCell, ...]
    entry: Floats
    exit: Floats
    width: Floats
    p_any: Floats
    clearance: Floats
    thickness: Floats
    to_exit: Floats
    direction: Floats
    preferred: NDArray[np.bool_]

    def with_hole(self, entry: Floats, to_exit: Floats, *, direction: Floats, width: Floats) -> Feasible:
        """The same with one more hole at the end of the arrays that bridges and arms are computed from."""
        return replace(
            self,
            entry=np.concatenate([self.entry, entry]),
            exit=np.concatenate([self.exit, entry + to_exit[:, None] * direction]),
            width=np.concatenate([self.width, width]),
            to_exit=np.concatenate([self.to_exit, to_exit]),
            direction=np.concatenate([self.direction, direction]),
        )


def feasible_cells(scene: Scene, zone: Zone) -> tuple[Feasible | None, str]:
    """Cells that may hold a hole, and in words how many each limit removed; None when there are fewer than two.

    Parameters
    ----------
    scene, zone
        The ear and its map.

    Returns
    -------
    cells, words

    Raises
    ------
    Nothing.
    """
    settings = scene.settings
    if zone.places is None:
        if not zone.cells:
            return None, "No pair: the ring is too coarse for rim distances, so there is no map to choose from."
        return None, "No pair: no canal wall was found in the scan."
    index = np.array([-1] * len(zone.cells))
    index[zone.rows] = np.arange(len(zone.rows))
    left = list(zone.cells)
    removed: list[str] = []

    def keep(words: str, test: Callable[[ZoneCell], bool], why: Callable[[list[ZoneCell]], str] | None = None) -> None:
        nonlocal left
        kept = [cell for cell in left if test(cell)]
        if len(kept) < len(left):
            reason = why([cell for cell in left if not test(cell)]) if why else ""
            removed.append(f"{words} {len(left) - len(kept)}{reason}")
        left = kept

    low, high = settings.rim_distance_low_mm, settings.rim_distance_high_mm
    keep("outside the upper half of the wall", lambda c: in_sector(c.wall_angle_deg, *OTHER_SUPERIOR_DEG))
    keep(f"rim distance outside {low:g} to {high:g} mm", lambda c: low - 1e-9 <= c.rim_distance_mm <= high + 1e-9)
    keep("no wall found", lambda c: c.entry_lps is not None)
    keep(
        f"drill angle above {settings.angle_refused_deg:g} degrees",
        lambda c: c.angle_to_normal_deg is not None and c.angle_to_normal_deg <= settings.angle_refused_deg,
    )
    keep("not reachable with this instrument", lambda c: c.reachable is True)
    keep("not assessed", lambda c: c.verdict != "not assessed", _why_not_assessed)
    keep("keep out", lambda c: c.verdict != "keep out")
    keep(
        f"bone thinner than {settings.thickness_low_mm:g} mm",
        lambda c: c.thickness_mm is not None and c.thickness_mm >= settings.thickness_low_mm,
    )
    keep(
        f"more than {settings.thickness_high_mm:g} mm to the exit",
        lambda c: c.to_exit_mm is not None and c.to_exit_mm <= settings.thickness_high_mm,
    )
    story = f"Of {len(zone.cells)} map cells removed: " + (", ".join(removed) if removed else "none")
    if len(left) < 2:
        kept = "no cell" if not left else "one cell"
        return None, f"No pair: {kept} left. {story}."
    position = {id(cell): int(i) for cell, i in zip(zone.cells, index, strict=True)}
    rows = np.array([position[id(cell)] for cell in left])
    places = zone.places
    exits = places.entry_lps[rows] + places.paths.to_exit_mm[rows, None] * places.direction_lps[rows]
    below = np.array([risk.p_below[rows] for risk in zone.risks if risk.obstacle.measured])
    p_any = np.minimum(np.nansum(below, axis=0), 1.0) if len(below) else np.zeros(len(rows))
    cells = Feasible(
        rows, tuple(left), places.entry_lps[rows], exits,
        opening_width_mm(places.angle_to_normal_deg[rows], settings=settings), p_any,
        _least_clearance(zone, rows), np.array([c.thickness_mm for c in left], dtype=np.float64),
        places.paths.to_exit_mm[rows], places.direction_lps[rows],
        np.array([in_sector(c.wall_angle_deg, settings.sector_start_deg, settings.sector_end_deg) for c in left]),
    )  # fmt: skip
    return cells, f"{story}; {len(left)} left"


def _why_not_assessed(cells: list[ZoneCell]) -> str:
    """Why cells are not assessed, each reason with the number of cells that carry it; a cell may carry several."""
    reasons: dict[str, int] = {}
    for cell in cells:
        for flag in cell.flags:
            if flag.startswith(NOT_MARKED) or flag in WHOLE_CELL_FLAGS:
                reasons[flag] = reasons.get(flag, 0) + 1
    if not reasons:
        return ""
    several = "a cell may have several reasons: " if sum(reasons.values()) > len(cells) else ""
    return f" ({several}{'; '.join(f'{flag}, {n} cells' for flag, n in reasons.items())})"


def in_sector(angle_deg: float, start_deg: float, end_deg: float) -> bool:
    """Whether a wall angle lies in a sector, both ends included.

    Example
    -------
    >>> in_sector(0.0, 315.0, 60.0), in_sector(61.0, 315.0, 60.0)
    (True, False)
    """
    return (angle_deg - start_deg) % 360.0 <= (end_deg - start_deg) % 360.0 + 1e-9


def _least_clearance(zone: Zone, rows: NDArray[np.intp]) -> Floats:
    gaps = [risk.central_mm[rows] for risk in zone.risks if risk.obstacle.measured]
    return np.min(gaps, axis=0) if gaps else np.full(len(rows), np.inf)
