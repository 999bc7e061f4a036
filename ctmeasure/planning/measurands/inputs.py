"""What the measurands of one ear are computed from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ctmeasure.anatomy.clock import checked_side
from ctmeasure.anatomy.landmarks import LandmarkSet, PointLps
from ctmeasure.anatomy.structures import Structure
from ctmeasure.anatomy.vocabulary import STATUS_WORDS, Side
from ctmeasure.imaging.metal.prosthesis import Prosthesis
from ctmeasure.planning.reader_model import ReaderModel
from ctmeasure.planning.results import CanalWallMap, RefinedRecord, SiteResult
from ctmeasure.planning.settings import Settings
from ctmeasure.uncertainty.estimate import Estimate
from ctmeasure.volume.geometry import Geometry
from ctmeasure.volume.volume import Volume


@dataclass(frozen=True, slots=True)
class DrumSheet:
    """The drum as found in the scan by image analysis.

    ``thickness`` None with ``thickness_class`` "below resolution": the sheet is there and thinner than can be read.
    ``lateral_face_lps`` lies on the face towards the canal, opposite ``drum_centre``; ``lateral_face_u_mm`` is its
    standard uncertainty per axis. ``anterior_blunting`` is how far the anterior angle is filled.
    """

    lateral_face_lps: PointLps | None = None
    lateral_face_u_mm: float = 0.1
    thickness: Estimate | None = None
    thickness_class: str = "not assessed"
    anterior_blunting: Estimate | None = None


@dataclass(frozen=True, slots=True)
class NicheRims:
    """The two rims of the oval-window niche found in the scan, in the plane across the niche; ``u_mm`` per axis."""

    facial_rim_lps: PointLps
    promontory_rim_lps: PointLps
    u_mm: float = 0.1


@dataclass(frozen=True, eq=False)
class MeasureInput:
    """Everything that `measure` looks at.

    Parameters
    ----------
    landmarks, side
        The ear's landmarks and side.
    structures
        Marked tubes, patches and balls; tubes without radii are not measured to.
    settings, seed
        Adjustable numbers; the seed of the one joint set of draws.
    geometry
        Grid of the scan (None: no voxel term, for points that come from no scan).
    psf_fwhm_mm
        Point spread of the scan, FWHM mm, in plane and through plane; None when it could not be estimated.
    wall_map
        Canal wall found in the scan; without it the canal diameters and overhang are not measured.
    sites
        Assessed holes; their wall thickness and clearances are listed, and their exits give the bridge at the exit.
    drum, niche
        Image analysis of the drum and of the oval-window niche, where somebody has done it.
    refined
        Landmarks found in the image beside the placed ones; those that are used take their place.
    volume
        The scan itself; used only to look along the annulus normal through the drum when ``drum`` is not given.
    prosthesis, prosthesis_why
        An old prosthesis as measured in the scan; why there is none.

    Raises
    ------
    LandmarkError
        When the side is neither left nor right.
    """

    landmarks: LandmarkSet
    side: Side
    structures: Sequence[Structure] = ()
    settings: Settings = field(default_factory=Settings)
    seed: int = 0
    geometry: Geometry | None = None
    psf_fwhm_mm: tuple[float, float] | None = None
    wall_map: CanalWallMap | None = None
    sites: tuple[SiteResult, ...] = ()
    drum: DrumSheet | None = None
    niche: NicheRims | None = None
    volume: Volume | None = None
    prosthesis: Prosthesis | None = None
    prosthesis_why: str = "none marked or found"
    refined: tuple[RefinedRecord, ...] = ()
    reader_model: ReaderModel | None = None

    def __post_init__(self) -> None:
        checked_side(self.side)

    def structure(self, structure_id: str) -> Structure | None:
        """The marked structure of that id, or None."""
        for item in self.structures:
            if item.id == structure_id and item.is_marked:
                return item
        return None

    def state_words(self, input_id: str) -> str:
        """Why an input cannot be used: absent, not seen, not placed, or (a tube) without radii."""
        if input_id in self.landmarks:
            return STATUS_WORDS[self.landmarks[input_id].status]
        for item in self.structures:
            if item.id == input_id:
                return "without radii" if item.is_marked else STATUS_WORDS[item.status]
        return "not placed"


def needs_flag(given: MeasureInput, *missing: str) -> str:
    """The flag of a measurand whose inputs are missing; absent and not seen read differently.

    Parameters
    ----------
    given
        The inputs.
    missing
        Input ids; alternatives joined by ``|``.

    Returns
    -------
    str

    Example
    -------
    >>> from ctmeasure.anatomy.landmarks import Landmark
    >>> given = MeasureInput(LandmarkSet([Landmark("umbo", "absent"), Landmark("stapes_head", "not_seen")]), "left")
    >>> needs_flag(given, "umbo", "stapes_head", "drum_contact|drum_centre")
    'needs: umbo (absent), stapes_head (not seen), drum_contact (not placed) or drum_centre (not placed)'
    """
    words = [" or ".join(f"{one} ({given.state_words(one)})" for one in item.split("|")) for item in missing]
    return "needs: " + ", ".join(words)


def as_point(point_lps: PointLps) -> np.ndarray:
    """A stored triple as an array of shape (3,)."""
    return np.asarray(point_lps, dtype=np.float64)
