"""A drill plan kept ready, so that one hole can be assessed again while it is dragged."""

from __future__ import annotations

from dataclasses import dataclass

from ctmeasure.planning.drilling.scene import DrillSite, Scene
from ctmeasure.planning.drilling.sites import reassess_site
from ctmeasure.planning.drilling.zone import Zone
from ctmeasure.planning.results import SiteResult


@dataclass(frozen=True, slots=True, eq=False)
class DrillSession:
    """Everything of a drill plan that does not depend on which holes are asked for; nothing in it changes.

    ``scene`` holds the wall, the marked structures ready for distances, the draws and the scan prepared for bone paths
    around the map; ``zone`` is the map.
    """

    scene: Scene
    zone: Zone

    def reassess(self, site: DrillSite) -> SiteResult:
        """One hole where it is now, from fewer draws; see `reassess_site`.

        Parameters
        ----------
        site
            Entry point on or near the wall, direction or None.

        Returns
        -------
        SiteResult

        Raises
        ------
        ctmeasure.errors.LandmarkError
            When a coordinate is not a finite number.
        """
        return reassess_site(self.scene, site)
