"""What results were made from: hashes of every input of a case, kept with its results and checked when it is read."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from ctmeasure.anatomy.frames import check_side
from ctmeasure.case.model import Case
from ctmeasure.errors import CaseError, LandmarkError

INPUTS = "inputs"
"""Where the hashes stand in the provenance of results."""
INPUT_PARTS = ("side", "facts", "landmarks", "other_ear", "structures", "sites", "settings", "seed")
"""The parts of a saved case that results depend on, besides the voxels."""
LATER_PARTS = ("catalogues", "audiograms", "reader_model")
"""The same, of later versions: results of an earlier version keep no hash of them, and were made without any."""
HASH_LETTERS = 12
NOT_KEPT = "not kept by the version that saved this case"
UNCHECKED_WARNING = "results could not be checked against the marks and facts: the case was saved by an earlier version"


def input_hashes(document: Mapping[str, Any]) -> dict[str, str]:
    """Hash of each input part of a case in its JSON form.

    Parameters
    ----------
    document
        case.json as plain values. Taken as it stands in the file, so that a setting added by a later version does
        not count as a change.

    Returns
    -------
    dict
        Part to the first letters of the SHA-256 of its canonical JSON; ``scan`` is that of the voxels.

    Raises
    ------
    ValueError
        When a part holds a number JSON cannot write.

    Example
    -------
    >>> one = {"side": "left", "seed": 1}
    >>> input_hashes(one) == input_hashes(dict(reversed(one.items()))), len(input_hashes(one)["seed"])
    (True, 12)
    """
    hashes = {part: _hash(document.get(part)) for part in INPUT_PARTS}
    hashes |= {part: _hash(document.get(part) or None) for part in LATER_PARTS}
    scan = document.get("scan")
    return hashes | {"scan": _hash(scan.get("content_hash") if isinstance(scan, Mapping) else None)}


def _hash(value: Any) -> str:
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()[:HASH_LETTERS]


def refuse_other_inputs(kept: Mapping[str, Any], document: Mapping[str, Any]) -> None:
    """Refuse results that were made from other marks, facts or settings than those beside them.

    Parameters
    ----------
    kept
        From the provenance of the results.
    document
        The case in its JSON form.

    Raises
    ------
    CaseError
        With the parts that differ.
    """
    without = {part: _hash(None) for part in LATER_PARTS}
    changed = [part for part, found in input_hashes(document).items() if {**without, **kept}.get(part) != found]
    if changed:
        words = ", ".join(part.replace("_", " ") for part in changed)
        raise CaseError(
            f"its results were not made from its {words}",
            expected="results of the marks, facts and settings beside them",
            action='undo the change, or set "results" to null and plan again with the scan',
        )


def refuse_other_side(case: Case) -> None:
    """Refuse a case whose side its own facts, or the landmarks its results come from, contradict.

    Parameters
    ----------
    case
        As read. Without results only the facts are compared: a canal axis still being placed is checked when the case
        is computed.

    Raises
    ------
    CaseError
        When the facts name the other side.
    LandmarkError
        When the canal axis opens to the other side.
    """
    if case.facts.side is not None and case.facts.side != case.side:
        raise CaseError(
            f"the side is {case.side}, and the facts say {case.facts.side}",
            expected="one side",
            action="correct one of them",
        )
    if case.results is not None and case.landmarks.placed("canal_medial", "canal_lateral"):
        axis = case.landmarks.point_lps("canal_lateral") - case.landmarks.point_lps("canal_medial")
        length = float((axis @ axis) ** 0.5)
        if length == 0.0:
            raise LandmarkError("both canal centres are one point", expected="two centres some mm apart")
        check_side(axis / length, case.side)
