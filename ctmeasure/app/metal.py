"""Metal of a case: the marked prosthesis measured, the halo of whatever metal there is, and what must be said of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ctmeasure.anatomy.frames import CanalFrame
from ctmeasure.case.model import Case
from ctmeasure.errors import ScanError
from ctmeasure.imaging.metal.halo import HALO_MM, Halo, find_halo
from ctmeasure.imaging.metal.prosthesis import Prosthesis, marked_axis_lps, measure_prosthesis, unmarked_metal_lps
from ctmeasure.progress import Progress, no_progress
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume


@dataclass(frozen=True, slots=True, eq=False)
class CaseMetal:
    """The measured prosthesis or why there is none, the halo, and warnings."""

    prosthesis: Prosthesis | None
    why: str
    halo: Halo
    warnings: tuple[str, ...] = ()


def case_metal(
    case: Case, volume: Volume, fitness: ScanFitness, *, canal: CanalFrame | None, progress: Progress = no_progress
) -> CaseMetal:
    """Measure the prosthesis that is marked, and find the metal of the scan.

    Parameters
    ----------
    case, volume, fitness
        Marks, scan, and what the scan is good for.
    canal
        The canal frame, to tell metal of this middle ear; None when it is not placed.
    progress
        May stop it.

    Returns
    -------
    CaseMetal

    Raises
    ------
    ctmeasure.errors.Cancelled
        When the listener asks to stop.

    Notes
    -----
    Metal that nobody marked is named in a warning and never measured: what it is, a person says.
    """
    mark = case.landmarks.get("old_prosthesis")
    prosthesis, why, warnings = None, "none marked", []
    if mark is not None and mark.is_placed:
        try:
            prosthesis = measure_prosthesis(volume, mark.points_lps, fitness=fitness, progress=progress)
            why = ""
        except ScanError as error:
            why = f"old_prosthesis marked, but {error.found}; {error.action}"
            warnings.append(why)
    elif mark is not None:
        why = f"old_prosthesis is {mark.status.replace('_', ' ')}"
    known = marked_axis_lps(prosthesis) if prosthesis is not None else None
    halo = find_halo(volume, fitness, known_lps=known)
    if prosthesis is None and canal is not None:
        places = unmarked_metal_lps(volume, canal, fitness=fitness)
        handle = [case.landmarks[i].points_lps for i in ("handle_tip", "handle_top") if case.landmarks.placed(i)]
        marked = np.concatenate(handle) if handle else np.zeros((0, 3))
        places = [p for p in places if not len(marked) or np.linalg.norm(marked - p, axis=1).min() > HALO_MM]
        if places:
            where = ", ".join(f"{v:.1f}" for v in places[0])
            contradicts = " although old_prosthesis is marked as absent" if mark is not None else ""
            warnings.append(f"metal in the middle ear that nobody marked, around ({where}) mm{contradicts}")
    if not halo.assessed:
        warnings.append("grey values without HU, air or bone: the halo of metal was not assessed")
    return CaseMetal(prosthesis, why, halo, tuple(warnings))
