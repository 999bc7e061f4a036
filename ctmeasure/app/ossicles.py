"""Ossicles of a case as the image shows them, beside what the person said; the person's word always counts."""

from __future__ import annotations

from ctmeasure.case.model import Case
from ctmeasure.errors import CtmeasureError
from ctmeasure.planning.results import OssicleRecord
from ctmeasure.volume.quality import ScanFitness
from ctmeasure.volume.volume import Volume


def case_ossicles(
    case: Case, volume: Volume, fitness: ScanFitness
) -> tuple[tuple[OssicleRecord, ...], tuple[str, ...]]:
    """What is there and what is not, and where the image disagrees with the marks.

    Parameters
    ----------
    case, volume, fitness
        Marks, scan, and what the scan is good for.

    Returns
    -------
    tuple of OssicleRecord, tuple of str
        Empty when too little is marked or the place lies outside the scan; warnings for people.

    Raises
    ------
    Nothing.

    Notes
    -----
    Nothing is computed from the records: lengths and measurands follow the person's own status.
    """
    from ctmeasure.imaging.ossicles.find import MOVES_WITH, STUMP_WORDS, find_ossicles
    from ctmeasure.imaging.snaps.mean_ear import lay_mean_ear

    try:
        found = find_ossicles(volume, lay_mean_ear(case.landmarks, case.side), fitness=fitness)
    except CtmeasureError:
        return (), ()
    records = tuple(OssicleRecord(item.id, item.state, item.evidence) for item in found)
    sights = {sight.part.name: (item, sight) for item in found for sight in item.sights}
    warnings = []
    for name, part in MOVES_WITH.items():
        item, sight = sights[part]
        status = case.landmarks.status(name)
        if status == "absent" and sight.seen and not sight.metal:
            warnings.append(f"'{name}' is marked as absent, and the image shows a {part} there: look again")
        gone = item.state == "absent" or STUMP_WORDS in item.evidence
        if status in ("placed", "partial") and gone:
            warnings.append(f"'{name}' is placed, and the image shows no {part} there: look again")
    return records, tuple(warnings)
