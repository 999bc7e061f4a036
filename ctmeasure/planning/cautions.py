"""The cautions that every screen, report and export carries, word for word the same everywhere."""

from __future__ import annotations

SHORT_CAUTION = "Research and education software, not a medical device. It measures and warns; licensed people decide."
"""One line for the foot of a page, a picture or a window."""

CAUTIONS = (
    "Research and education software, not a medical device.",
    "Measurements depend on the scan and on where points were placed.",
    '"Margin kept" holds only within the stated margin and confidence, for the structures that were marked.',
    "CT shows the canal, not the nerve.",
    "Soft tissue on CT may be scar, fluid or disease; mobility is not visible.",
    "Accuracy figures come from synthetic ears, not patients.",
    "A plan is void after any operation since the scan.",
    "A wish for a measurement is no reason to scan.",
    "Verify in the ear: sizing, monitoring, direct vision.",
    "Local codes, the manufacturer's instructions and the judgement of the licensed surgeon and radiologist "
    "come first.",
)
"""Every caution, in order."""


def cautions() -> tuple[str, ...]:
    """Every caution, in order.

    Example
    -------
    >>> cautions()[0]
    'Research and education software, not a medical device.'
    """
    return CAUTIONS
