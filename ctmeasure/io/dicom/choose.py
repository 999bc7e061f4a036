"""Which of several series is taken, by stated rules."""

from __future__ import annotations

import re

from pydicom.uid import UID

from ctmeasure.errors import ScanError
from ctmeasure.io.dicom.find import Found, SeriesRow, Survey
from ctmeasure.io.dicom.kinds import CT_LIKE
from ctmeasure.volume.gates import LEAST_COVERAGE_MM, THICKEST_SLICE_MM

BONE_WORDS = frozenset({"bone", "os", "knochen", "ear", "temporal", "petrous", "petrosum", "mastoid", "inner", "iac"})
"""Words in a description or kernel that promise a bone reconstruction of the ear (from memory)."""

MOST_STRAYS = 3
"""A series of no more slices than this may be a part that was torn off another (our own choice)."""

RULES = (
    "usable",
    "not said to be of the other side",
    f"at least {LEAST_COVERAGE_MM:g} mm covered",
    "the scanner's own slices before derived ones",
    "no gantry tilt",
    f"slices at most {THICKEST_SLICE_MM:g} mm apart",
    "a description or kernel that says bone or ear",
    "thinnest slice spacing",
    "smallest pixel",
    "most slices",
    "lowest UID",
)
"""In this order: a rule decides only where all before it are equal."""


def choose(everything: Survey, *, series_uid: str | None = None, side: str | None = None) -> tuple[Found, str]:
    """Pick the series to load by `RULES`, in their order.

    Parameters
    ----------
    everything
        What was found.
    series_uid
        Take this one; ``UID:2`` takes the second part of a series that holds several acquisitions, the bare UID the
        best of its parts.
    side
        ``"left"`` or ``"right"``.

    Returns
    -------
    tuple
        The series, and a sentence that says why.

    Raises
    ------
    ScanError
        When there is no usable series, or the one asked for is absent or not usable.
    """
    if series_uid is not None:
        return _asked(everything, series_uid, side)
    usable = [found for found in everything.series if found.row.usable]
    if not usable:
        ct = [found for found in everything.series if found.error is not None]
        if len(ct) == 1:
            raise _refusal(ct[0], everything)
        reasons = "; ".join(dict.fromkeys(found.row.reason.split(";")[0] for found in ct))
        raise ScanError(f"none of {len(ct)} series is usable ({reasons[:300]})", expected="a CT series")
    best, rule = _best(usable, side)
    text = _describe(best.row)
    if len(usable) == 1:
        return best, f"the only usable series: {text}"
    if rule == RULES[-1]:
        return best, f"one of several equal series ({text}), first by UID; name another with its UID"
    return best, f"best of {len(usable)} usable series: {text}; decided by: {rule}"


def set_aside(everything: Survey, taken: Found) -> tuple[str, ...]:
    """Say whether slices of the same scan lie in other series that are no stacks: they may be missing from this one.

    Parameters
    ----------
    everything
        What was found.
    taken
        The series that is loaded.

    Returns
    -------
    tuple of str
        One sentence, or none.

    Raises
    ------
    ValueError
        Never.
    """
    strays = sum(len(found.headers) for found in everything.series if _may_be_torn_off(found, taken.row))
    if not strays:
        return ()
    return (
        f"{strays} object(s) of other series or kinds may be slices of this scan and were set aside: check that none "
        "belongs here",
    )


def _may_be_torn_off(found: Found, taken: SeriesRow) -> bool:
    row = found.row
    if row.usable or len(found.headers) > MOST_STRAYS:
        return False
    if row.study_uid != taken.study_uid:
        return not row.study_uid or not row.series_uid  # a wrong length may have swallowed what names the slice
    is_picture = row.kind in CT_LIKE.values() or (row.modality == "CT" and row.kind.endswith(" image"))
    nameless = not row.series_uid or not UID(found.headers[0].common.sop_class_uid).is_valid
    return is_picture or nameless or (row.series_uid == taken.series_uid and row.kind != "localiser")


def _asked(everything: Survey, series_uid: str, side: str | None) -> tuple[Found, str]:
    asked = [found for found in everything.series if series_uid in (found.row.series_uid, found.row.selector)]
    usable = [found for found in asked if found.row.usable]
    if usable:
        best, rule = _best(usable, side)
        if len(usable) == 1:
            return best, "asked for by its UID"
        return best, f"asked for by its UID; the best of its {len(usable)} usable parts ({best.row.selector}): {rule}"
    if asked:
        raise _refusal(asked[0], everything)
    raise ScanError(
        f"no series {series_uid} here",
        expected=f"one of the {len(everything.series)} that are",
        action="list them with `ctmeasure series SCAN`",
    )


def _best(usable: list[Found], side: str | None) -> tuple[Found, str]:
    """Give the best, and the rule that put it before the second."""
    ranked = sorted(usable, key=lambda found: (*_merit(found, side), found.row.selector))
    if len(ranked) == 1:
        return ranked[0], RULES[0]
    pairs = zip(_merit(ranked[0], side), _merit(ranked[1], side), RULES[1:], strict=False)
    return ranked[0], next((rule for one, other, rule in pairs if one != other), RULES[-1])


def _refusal(found: Found, everything: Survey) -> ScanError:
    """Give the series' own fault, and what was skipped on the way: the second is often the cause of the first."""
    error = found.error or ScanError(found.row.reason)
    skipped = f" ({'; '.join(everything.notes)})" if everything.notes else ""
    return ScanError(error.found + skipped, expected=error.expected, action=error.action)


def _merit(found: Found, side: str | None) -> tuple[object, ...]:
    """Give what each of `RULES` but the first and the last compares; less is better."""
    row = found.row
    derived = bool(found.headers and "DERIVED" in found.headers[0].common.image_type)
    words = set(re.findall(r"[a-z]+", f"{row.description} {row.kernel}".lower()))
    return (
        side is not None and row.side_hint not in ("", "both", side),
        (row.coverage_mm or 0.0) < LEAST_COVERAGE_MM,
        derived,
        row.tilt_deg > 0,
        (row.slice_spacing_mm or 0.0) > THICKEST_SLICE_MM,
        not words & BONE_WORDS,
        round(row.slice_spacing_mm or 0.0, 4),
        round(max(row.spacing_mm or (0.0, 0.0)), 4),
        -row.slices,
    )


def _describe(row: SeriesRow) -> str:
    pixel = max(row.spacing_mm or (0.0, 0.0))
    return (
        f"{row.slices} slices {row.slice_spacing_mm or 0.0:.3g} mm apart, {pixel:.3g} mm pixels, "
        f"{row.coverage_mm or 0.0:.0f} mm covered" + (f", kernel {row.kernel}" if row.kernel else "")
    )
