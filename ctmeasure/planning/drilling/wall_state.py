"""State of the canal wall by sector: what the scan shows, what was entered, and which of the two counts."""

from __future__ import annotations

from ctmeasure.anatomy.clock import clock_range_words
from ctmeasure.anatomy.sectors import Sector, sectors
from ctmeasure.planning.drilling.scene import Scene
from ctmeasure.planning.drilling.zone import Zone
from ctmeasure.planning.results import WallSector, ZoneCell

RIM_ZONE_MM = 2.0
"""Within this of the rim the canal air may end before the bone does (a lateralised drum)."""
LOOKED_AT_MM = 5.0
"""How far out from the rim a wall is judged: farther out the bony canal may end."""
WHOLE_SHARE, HALF_SHARE = 0.9, 0.5
"""Shares of places with bone found from which on a wall counts as whole; below the second, as open."""
WHOLE, GAPS, OPEN = "whole", "not whole", "open or taken down"
NOT_SCANNED = "not in the scan"
UNDER_SOFT = "canal air ends before the bone at the rim"
ENTERED_WORDS = {
    "intact": "whole",
    "eroded_scutum": "scutum eroded",
    "taken_down": "taken down",
    "rebuilt": "rebuilt",
    "earlier_holes": "earlier holes",
    "not_seen": "",
}


def wall_sectors(scene: Scene, zone: Zone) -> tuple[WallSector, ...]:
    """The state of the wall, sector by sector.

    Parameters
    ----------
    scene, zone
        The ear and its map.

    Returns
    -------
    tuple of WallSector
        Empty without a map.

    Raises
    ------
    Nothing.

    Notes
    -----
    Read from the map's cells from the rim to 5 mm outside it: a place has bone when an edge was found there, bare or
    under soft tissue; one bridged from its neighbours has none. Bone that is missing and bone too thin to be resolved
    look alike, so "not whole" is a question to the surgeon and no finding; what was entered counts where it differs.
    """
    return tuple(_sector(scene, sector, zone.cells) for sector in sectors()) if zone.cells else ()


def _sector(scene: Scene, sector: Sector, cells: tuple[ZoneCell, ...]) -> WallSector:
    near = [c for c in cells if sector.contains(c.wall_angle_deg) and 0.0 <= c.rim_distance_mm <= LOOKED_AT_MM]
    scanned = [c for c in near if "outside scan" not in c.flags]
    found = [c for c in scanned if c.entry_lps is not None and "wall bridged from its neighbours" not in c.flags]
    rim = [c for c in scanned if c.rim_distance_mm <= RIM_ZONE_MM]
    soft = [c for c in rim if "under soft tissue" in c.flags]
    share = len(found) / len(scanned) if scanned else None
    shown = NOT_SCANNED if share is None else WHOLE if share >= WHOLE_SHARE else GAPS if share >= HALF_SHARE else OPEN
    entered = _entered(scene, sector)
    return WallSector(
        clock_range_words(sector.start_deg, sector.end_deg, scene.canal.side), sector.start_deg, sector.end_deg, shown,
        share, entered, entered or shown, len(soft) / len(rim) if rim else None,
        _differs(entered, shown),
    )  # fmt: skip


def _entered(scene: Scene, sector: Sector) -> str:
    """What was entered anywhere in a sector, in words."""
    width = (sector.end_deg - sector.start_deg) % 360.0
    angles = [(sector.start_deg + width * share) % 360.0 for share in (0.02, 0.25, 0.5, 0.75, 0.98)]
    words = [ENTERED_WORDS[state.finding] for angle in angles for state in scene.wall_findings(angle)]
    return ", ".join(dict.fromkeys(word for word in words if word))


def _differs(entered: str, shown: str) -> bool:
    if not entered or shown == NOT_SCANNED:
        return False
    return (entered == WHOLE) != (shown == WHOLE)


def wall_words(found: tuple[WallSector, ...]) -> tuple[str, ...]:
    """Sentences where entry and scan differ, where nothing was entered and bone is missing, and about the rim.

    Raises
    ------
    Nothing.
    """
    words = []
    for sector in found:
        if sector.differs:
            words.append(
                f"Canal wall {sector.clock}: entered as {sector.entered}, the scan shows it {sector.shown}; the entry "
                "counts."
            )
        elif not sector.entered and sector.shown in (GAPS, OPEN) and sector.bone_share is not None:
            words.append(
                f"Canal wall {sector.clock}: no bone edge found in {100 * (1 - sector.bone_share):.0f} % of places "
                "(missing or too thin to see); enter what is known of it."
            )
        if sector.rim_soft_share is not None and sector.rim_soft_share > 1.0 - HALF_SHARE:
            words.append(
                f"Canal wall {sector.clock}: {UNDER_SOFT}; its surface there is found under soft tissue and less sure."
            )
    return tuple(words)
