"""The table of measurands, and what a module gives for each: a recipe that works on a scene, or the reason why not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from ctmeasure.anatomy.frames import CLOCK_FLAG, CanalFrame, RimCurve, canal_frame, rim_curve
from ctmeasure.anatomy.structures import Patch, Tube
from ctmeasure.anatomy.tabledata import table_rows
from ctmeasure.errors import SettingsError
from ctmeasure.planning.measurands.batch import Floats
from ctmeasure.planning.measurands.draws import SCALE, JointDraws
from ctmeasure.planning.measurands.inputs import MeasureInput, needs_flag
from ctmeasure.planning.measurands.scene import FOOTPLATE_NORMAL, FOOTPLATE_RIM, Scene
from ctmeasure.planning.results import Measurement

Kind = Literal["distance", "signed", "angle"]
COARSE_FLAG = "coarse ring"
"""Carried by whatever comes from an annulus of four to seven points or without all quadrants."""
CANAL = ("canal_medial", "canal_lateral")
TUBES = ("facial_nerve", "chorda_tympani")
PATCHES = ("tegmen",)


@dataclass(frozen=True, slots=True)
class MeasurandTerm:
    """One row of the table: what an id means, from which inputs, in which unit, under which qualifiers."""

    id: str
    kind: str
    unit: str
    inputs: tuple[str, ...]
    qualifiers: tuple[str, ...]
    definition: str


@lru_cache(maxsize=1)
def measurand_terms() -> dict[str, MeasurandTerm]:
    """All measurands by id, in the order of the table.

    Example
    -------
    >>> measurand_terms()["stapes_height"].inputs
    ('stapes_head', 'footplate_centre')
    """
    return {
        row["id"]: MeasurandTerm(
            row["id"],
            row["kind"],
            row["unit"],
            tuple(i for i in row["inputs"].split(";") if i),
            tuple(q for q in row["qualifiers"].split(";") if q),
            row["definition"],
        )
        for row in table_rows("measurands.csv")
    }


def measurand_term(measurand_id: str) -> MeasurandTerm:
    """Look up one measurand.

    Raises
    ------
    SettingsError
        For an unknown id.
    """
    if measurand_id not in measurand_terms():
        raise SettingsError(f"unknown measurand '{measurand_id}'", expected="an id of the table of measurands")
    return measurand_terms()[measurand_id]


@dataclass(frozen=True, slots=True)
class Recipe:
    """How one measurand is computed on a scene.

    Parameters
    ----------
    id, qualifier
        Which measurand, and which of its numbers.
    kind
        "distance": ``compute`` gives vectors (draws, 3) in mm whose length is the measurand; "angle": rotation vectors
        (draws, 3) in degrees, likewise; "signed": numbers (draws,).
    sources
        Landmarks, structure surfaces and latent inputs that it depends on.
    compute
        The function.
    unit
        "mm" or "deg".
    flags
        What must be said beside it.
    published
        Whether the published range of the id is about this qualifier.
    ratio
        A quotient whose divisor can come near zero: the draws then have far tails and no stable variance, so that the
        spread is taken from quantiles.
    """

    id: str
    qualifier: str
    kind: Kind
    sources: tuple[str, ...]
    compute: Callable[[Scene], Floats]
    unit: str = "mm"
    flags: tuple[str, ...] = ()
    published: bool = True
    ratio: bool = False

    @property
    def all_sources(self) -> tuple[str, ...]:
        """The sources, with the scanner's scale where the result is a length."""
        own = tuple(dict.fromkeys(self.sources))
        return (*own, SCALE) if self.unit == "mm" else own


Found = Recipe | Measurement


class Context:
    """One ear while its recipes are gathered: what is there, what is missing, and the frames of the mean points.

    Raises
    ------
    LandmarkError
        When the canal axis contradicts the side.
    """

    def __init__(self, given: MeasureInput, draws: JointDraws) -> None:
        self.given = given
        self.draws = draws
        self.mean = Scene(given.landmarks, given.side, draws=draws)
        self.canal: CanalFrame | None = None
        self.rim: RimCurve | None = None
        if given.landmarks.placed(*CANAL):
            self.canal = canal_frame(given.landmarks, given.side)
            if given.landmarks.placed("annulus"):
                self.rim = rim_curve(given.landmarks, self.canal)

    def has(self, input_id: str) -> bool:
        """Whether one input (a landmark, or a structure that can be measured to) is there."""
        if input_id in TUBES:
            tube = self.given.structure(input_id)
            return isinstance(tube, Tube) and tube.has_radii
        if input_id in PATCHES:
            return isinstance(self.given.structure(input_id), Patch)
        return self.given.landmarks.placed(input_id)

    def first(self, alternatives: str) -> str | None:
        """The first of ``a|b|c`` that is there."""
        return next((one for one in alternatives.split("|") if self.has(one)), None)

    def missing(self, *wanted: str) -> tuple[str, ...]:
        """Those inputs (each possibly ``a|b``) of which nothing is there."""
        return tuple(item for item in wanted if self.first(item) is None)

    def footplate_missing(self) -> tuple[str, ...]:
        """What the footplate plane still needs: centre, canal, and three of its four rim points."""
        if self.draws.plane_found("footplate_centre") is not None:
            return self.missing(*CANAL, "footplate_centre")
        rim = tuple(i for i in FOOTPLATE_RIM if not self.has(i))
        return (*self.missing(*CANAL, "footplate_centre"), *(rim if len(rim) > 1 else ()))

    def tube(self, structure_id: str) -> tuple[Floats, Floats]:
        """Centre-line (m, 3) and radii (m,) of a tube that `has` confirmed."""
        tube = self.given.structure(structure_id)
        assert isinstance(tube, Tube)
        return tube.points_lps, tube.radii

    def canal_sources(self) -> tuple[str, ...]:
        """What the canal frame is made of."""
        ring = "lateral_semicircular_canal"
        return (*CANAL, ring) if self.has(ring) else CANAL

    def footplate_sources(self) -> tuple[str, ...]:
        """What the footplate plane is made of."""
        if self.draws.plane_found("footplate_centre") is not None:
            return ("footplate_centre", FOOTPLATE_NORMAL)
        return ("footplate_centre", *(i for i in FOOTPLATE_RIM if self.has(i)))

    def ring_flags(self) -> tuple[str, ...]:
        """Said of whatever comes from the annulus."""
        return (COARSE_FLAG,) if self.rim is not None and self.rim.coarse else ()

    def clock_flags(self) -> tuple[str, ...]:
        """Said of whatever depends on which way is up."""
        return (CLOCK_FLAG,) if self.canal is not None and CLOCK_FLAG in self.canal.flags else ()

    def not_measured(
        self, measurand_id: str, qualifier: str = "", *, needs: tuple[str, ...] = (), why: str = ""
    ) -> Measurement:
        """A measurand that cannot be given, with the reason."""
        flag = needs_flag(self.given, *needs) if needs else why
        term = measurand_term(measurand_id)
        return Measurement(measurand_id, qualifier, None, term.inputs, (flag,), term.definition)
