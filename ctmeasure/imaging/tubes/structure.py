"""Clicked tubes of a case turned into traced ones: the one call that planning and the window need."""

from __future__ import annotations

from dataclasses import dataclass, replace

from ctmeasure.anatomy.structures import TRACED_UP_TO_POINTS, Structure, Tube
from ctmeasure.errors import CtmeasureError
from ctmeasure.imaging.tubes.clicks import Side
from ctmeasure.imaging.tubes.kinds import KINDS
from ctmeasure.imaging.tubes.result import TracedTube
from ctmeasure.progress import Progress, no_progress
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume


@dataclass(frozen=True, slots=True, eq=False)
class TracedStructure:
    """What became of one structure.

    Parameters
    ----------
    structure
        Traced, or as it was marked when there was nothing to trace or it could not be traced.
    traced
        The full result; None when it was not traced.
    refused
        Why it could not be traced, in one line; empty otherwise.
    """

    structure: Structure
    traced: TracedTube | None = None
    refused: str = ""

    @property
    def warnings(self) -> tuple[str, ...]:
        """One line per thing to say, each naming the structure."""
        if self.refused:
            return (f"{self.structure.id} could not be traced: {self.refused}",)
        return tuple(f"{self.structure.id}: {flag}" for flag in self.traced.flags) if self.traced else ()


def is_traced(structure: Structure) -> bool:
    """Whether a structure is clicks to trace from: a facial canal or chorda of two to six points without any radius.

    Example
    -------
    >>> is_traced(Tube("facial_nerve", "placed", ((0.0, 0, 0), (0.0, 0, 9)), radii_mm=(None, None)))
    True
    """
    return (
        isinstance(structure, Tube)
        and structure.id in KINDS
        and structure.is_marked
        and 2 <= len(structure.points) <= TRACED_UP_TO_POINTS
        and all(radius is None for radius in structure.radii_mm)
    )


def trace_structure(
    volume: Volume,
    fitness: ScanFitness | None,
    structure: Structure,
    side: Side | None,
    *,
    progress: Progress = no_progress,
) -> TracedStructure:
    """Trace a structure of a case when it is clicks to trace from; give anything else back as it is.

    Parameters
    ----------
    volume, fitness
        The scan and what it is good for.
    structure
        As marked. ``confirmed_by`` confirms every segment.
    side
        Ear of the case.
    progress
        Listener; may cancel.

    Returns
    -------
    TracedStructure
        When tracing is refused, the structure stays without radii, which planning reads as not assessed, and
        ``refused`` says why. A ``surface_u_mm`` given by the user is kept when it is the larger one.

    Raises
    ------
    ctmeasure.errors.Cancelled
        When the listener asks to stop.
    """
    if not is_traced(structure):
        return TracedStructure(structure)
    assert isinstance(structure, Tube)
    from ctmeasure.imaging.tubes.trace import trace_tube

    try:
        tube = trace_tube(
            volume,
            structure.points_lps,
            structure_id=structure.id,
            side=side,
            fitness=fitness,
            confirmed=bool(structure.confirmed_by),
            progress=progress,
        )
    except CtmeasureError as error:
        return TracedStructure(structure, refused=str(error))
    found = tube.to_structure(confirmed_by=structure.confirmed_by)
    u = max(found.surface_u_mm or 0.0, structure.surface_u_mm or 0.0)
    status = "partial" if "partial" in (structure.status, found.status) else found.status
    return TracedStructure(replace(found, status=status, surface_u_mm=u), tube)
