"""What of a series description may be shown and kept: words of the trade, never a name that somebody typed into it."""

from __future__ import annotations

import re

LEFT_OUT = "..."

_WORDS = """
    a abdomen above adult after air and angio artefact arterial artifact average ax axial beam bilateral bone both
    brain canal capture cbct child clean cochlea cone contrast control cor coronal ct default delay derived dose
    dual dvt ear early ears energy face facial fbp felsenbein filter fine follow for fov head healthy helical high
    hr hrct hu iac image images implant in incus inner ir iterative kernel km knochen kv l late later laterality
    left li links localiser localizer low lt ma malleus mar mas mastoid metal middle minip mip mm monochromatic
    months mpr nativ native neck nerve nose oblique of old op original os outer paediatric pediatric petrosum
    petrous phase plain planning plus poschl post postop pre preop primary prosthesis protocol r re rechts recon
    reconstruction reduction reformat reformatted report res resolution revision right routine rt sag sagittal
    sample save scan scanogram scout screen secondary semicircular seq sequence series sharp sinus skull slice
    slices smooth soft spiral standard stapes std stenvers surview synthetic tb te temp temporal thick thin tissue
    to topogram trauma uhr ultra up venous vol volume vrt w weichteil window with without wo years zoom
"""
WORDS = frozenset(_WORDS.split())
"""What people who name series write (from memory)."""
NUMBER = re.compile(r"\d{1,3}(?:[.,]\d+)?(?:mm|kv|kvp|ma|mas|hu|s|d)?")
"""Sizes, tube settings; never four digits in a row: a year of birth is one."""
KERNEL = re.compile(r"[a-z]{1,2}\d\d[a-z]{0,2}")
DATE = re.compile(r"\d{1,4}[-./]\d{1,2}[-./]\d{1,4}")
PARTS = re.compile(r"[^\W_]+(?:[.,]\d+[^\W_]*)?|[\W_]+")


def plain_description(text: str) -> str:
    """A series description with everything left out that could be somebody's.

    Parameters
    ----------
    text
        As the header has it.

    Returns
    -------
    str
        Words of the trade, numbers and kernels; ``...`` where something else stood.

    Raises
    ------
    ValueError
        Never.

    Notes
    -----
    A list of what may stay, not of what must go: no list of names is complete (PS3.15 E.3 counts descriptors among
    what may hold identity).

    Example
    -------
    >>> plain_description("CT ear DOE JANE 1970-01-02 0.3mm H60s")
    'CT ear ... 0.3mm H60s'
    """
    kept = []
    for part in PARTS.findall(DATE.sub("someday", text)):
        low = part.lower()
        stays = low in WORDS or NUMBER.fullmatch(low) or KERNEL.fullmatch(low) or not part[0].isalnum()
        kept.append(part if stays else LEFT_OUT)
    return re.sub(r"\.\.\.(?:[\W_]*\.\.\.)+", LEFT_OUT, "".join(kept)).strip()
