"""What an object is, and which side it may be meant for, from its header alone."""

from __future__ import annotations

import re

from pydicom.uid import UID

from ctmeasure.io.dicom.headers import SliceHeader

CT_LIKE = {
    "1.2.840.10008.5.1.4.1.1.2": "CT image",
    "1.2.840.10008.5.1.4.1.1.2.1": "enhanced CT",
    "1.2.840.10008.5.1.4.1.1.2.2": "legacy converted enhanced CT",
    "1.2.840.10008.5.1.4.1.1.13.1.1": "angiographic cone beam",
    "1.2.840.10008.5.1.4.1.1.13.1.2": "craniofacial cone beam",
}
"""SOP classes that can be a volume (PS3.4 B.5; PS3.3 A.3, A.38, A.70, A.62, A.63)."""

LOCALISER_WORDS = frozenset({"LOCALIZER", "SCOUT", "TOPOGRAM"})
"""Values of Image Type of a localiser: value 3 of a CT image (PS3.3 C.8.2.1.1.1), and what scanners write as well."""

_BY_NAME = (
    ("secondary capture", "secondary capture"),
    ("radiation dose", "dose report"),
    (" sr", "report"),
    ("report", "report"),
    ("presentation state", "presentation state"),
    ("key object", "key object selection"),
    ("directory", "directory"),
    ("encapsulated", "document"),
    ("segmentation", "segmentation"),
    ("registration", "registration"),
    ("raw data", "raw data"),
)
"""A word in the name of a SOP class, and what such an object is called here."""


def kind_of(header: SliceHeader) -> str:
    """Say what kind of object a header belongs to.

    Parameters
    ----------
    header
        Any object's header.

    Returns
    -------
    str
        A word or two; the values of `CT_LIKE`, ``"localiser"`` and ``"dose sheet"`` among them.

    Raises
    ------
    ValueError
        Never.

    Notes
    -----
    A dose sheet is a picture (a screen capture of the exposure figures, told by its description or image type); a dose
    report is the structured object.

    References
    ----------
    DICOM PS3.3 C.7.6.1.1.2 (Image Type), C.8.2.1.1.1 (AXIAL and LOCALIZER), A.35.8 (dose report).
    """
    common = header.common
    name = UID(common.sop_class_uid).name.lower()
    words = {word.upper() for word in common.image_type}
    captured = "secondary capture" in name or "SCREEN SAVE" in words or common.samples != 1
    if captured and header.has_pixels:
        told = {*words, *re.findall(r"[A-Z]+", common.description.upper())}
        return "dose sheet" if told & {"DOSE", "DOSIS"} else "secondary capture"
    if common.sop_class_uid in CT_LIKE:
        return "localiser" if words & LOCALISER_WORDS else CT_LIKE[common.sop_class_uid]
    for word, kind in _BY_NAME:
        if word in name:
            return kind
    if not header.has_pixels:
        return "object without pixels"
    if common.modality != "CT":
        return f"{common.modality or 'unknown'} image"
    # A modality of CT in an object of another class is believed by nobody.
    known = name.endswith(" image storage")
    return f"{UID(common.sop_class_uid).name.removesuffix(' Image Storage')} image" if known else "unknown image"


def side_hint(laterality: str, description: str) -> str:
    """Guess the side a series is meant for, from its tags.

    Parameters
    ----------
    laterality
        DICOM (Image) Laterality.
    description
        Series description.

    Returns
    -------
    str
        ``"left"``, ``"right"``, ``"both"`` or empty.

    Raises
    ------
    ValueError
        Never.

    Example
    -------
    >>> side_hint("", "temporal bone LT 0.3"), side_hint("B", "")
    ('left', 'both')
    """
    if laterality in ("L", "R", "B"):
        return {"L": "left", "R": "right", "B": "both"}[laterality]
    words = set(re.findall(r"[a-z]+", description.lower()))
    left, right = bool(words & {"left", "lt", "l"}), bool(words & {"right", "rt", "r"})
    if (left and right) or words & {"both", "bilateral"}:
        return "both"
    return "left" if left else "right" if right else ""
