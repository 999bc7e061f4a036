"""When the scan cannot choose between sizes: said plainly, with what would narrow it and by how much."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ctmeasure.uncertainty.estimate import Estimate

ALONE_U_MM = 0.25
"""Above this standard uncertainty no step of 0.25 mm fits with better than about two in three: take sizers."""
SIZER_FLAG = "no size can be recommended alone: sizer on the table"
SPAN_WORDS = "the scan cannot choose"
"""How the plain statement begins."""
COUNTS = ("no size", "one size", "two sizes", "three sizes", "four sizes", "five sizes", "six sizes", "seven sizes",
          "eight sizes", "nine sizes")  # fmt: skip
BEYOND_WORDS = "needed length beyond the sizes listed"
"""How it begins when most of the needed lengths lie outside what the sizes reach: none of them is offered."""
MOSTLY = 0.5
"""Probability from which on the longest size is too short, or the shortest too long, for the list to be of use."""
WHAT_NARROWS = {
    "planned handle position": "a scan once the handle has settled",
    "mirrored healthy umbo": "a scan once the handle has settled",
    "planned holes": "a scan once the handle is in",
    "cartilage under the drum": "measuring the slice before it goes in",
    "footplate thickness (assumed)": "nothing on CT: it is below resolution",
    "scanner scale": "a reading of a phantom of known length",
    "seat of the device": "nothing on CT",
}
"""What would narrow each part of a budget that is not a placed point."""


def leaves_a_choice(needed: Estimate) -> bool:
    """Whether one size can be recommended alone: the length is known to `ALONE_U_MM` or better."""
    return needed.standard_uncertainty <= ALONE_U_MM


def spanned_sizes(needed: Estimate, functional_mm: Sequence[float]) -> int:
    """How many sizes lie inside the 95 % interval of the needed length.

    Example
    -------
    >>> spanned_sizes(Estimate(4.6, 0.25, 4.11, 5.09, "mm", ""), [4.0, 4.25, 4.5, 4.75, 5.0, 5.25])
    4
    """
    return sum(needed.low_95 <= size <= needed.high_95 for size in functional_mm)


def beyond_words(listed_mm: Sequence[float], *, p_short_of_longest: float, p_long_of_shortest: float) -> str:
    """That the needed length lies beyond the sizes listed, when it mostly does; else an empty string.

    Parameters
    ----------
    listed_mm
        Sizes of one implant, as on their labels.
    p_short_of_longest, p_long_of_shortest
        Probability that the longest is too short, and that the shortest is too long.

    Returns
    -------
    str

    Raises
    ------
    Nothing.

    Example
    -------
    >>> beyond_words([3.0, 8.0], p_short_of_longest=0.72, p_long_of_shortest=0.0)
    'needed length beyond the sizes listed (3.00 to 8.00 mm): none of them is offered'
    >>> beyond_words([3.0, 8.0], p_short_of_longest=0.4, p_long_of_shortest=0.0)
    ''
    """
    if max(p_short_of_longest, p_long_of_shortest) <= MOSTLY:
        return ""
    return f"{BEYOND_WORDS} ({min(listed_mm):.2f} to {max(listed_mm):.2f} mm): none of them is offered"


def choice_flags(needed: Estimate, functional_mm: Sequence[float], *, reconstruction: str = "total") -> tuple[str, ...]:
    """The plain statement that the scan cannot choose; nothing when it can.

    Parameters
    ----------
    needed
        Needed length with its budget.
    functional_mm
        Sizes of one implant.
    reconstruction
        A handle is not there yet, so no scan of it can narrow its own length.

    Returns
    -------
    tuple of str

    Raises
    ------
    Nothing.

    Example
    -------
    >>> choice_flags(Estimate(4.6, 0.27, 4.07, 5.13, "mm", ""), [4.25, 4.5, 4.75, 5.0])
    ('the scan cannot choose: the interval spans four sizes, take a sizer',)
    """
    if leaves_a_choice(needed):
        return ()
    count = spanned_sizes(needed, functional_mm)
    words = COUNTS[count] if count < len(COUNTS) else f"{count} sizes"
    statement = f"{SPAN_WORDS}: the interval spans {words}, take a sizer"
    narrows = narrowing_words(needed, reconstruction=reconstruction)
    return (statement, narrows) if narrows else (statement,)


def narrowing_words(needed: Estimate, *, reconstruction: str = "total") -> str:
    """The largest part of the budget, what would narrow it, and the uncertainty with that part halved.

    Example
    -------
    >>> from ctmeasure.uncertainty.estimate import Contribution
    >>> parts = (Contribution("placement of footplate_centre", 0.3), Contribution("scanner scale", 0.01))
    >>> narrowing_words(Estimate(4.6, 0.3002, 4.0, 5.2, "mm", "", parts)).split(" would")[0]
    'largest doubt: placement of footplate_centre (100 % of the variance); placing it again, or from the image,'
    """
    if not needed.budget or needed.standard_uncertainty <= 0.0:
        return ""
    largest = max(needed.budget, key=lambda part: part.standard_uncertainty)
    u, part = needed.standard_uncertainty, min(largest.standard_uncertainty, needed.standard_uncertainty)
    narrows = _what_narrows(largest.source, reconstruction)
    if narrows.startswith("nothing"):
        return f"largest doubt: {largest.source} ({100.0 * part**2 / u**2:.0f} % of the variance); {narrows}"
    halved = math.sqrt(max(u**2 - 0.75 * part**2, 0.0))
    return (
        f"largest doubt: {largest.source} ({100.0 * part**2 / u**2:.0f} % of the variance); {narrows} would narrow it: "
        f"halved, the standard uncertainty is {halved:.2f} instead of {u:.2f} mm"
    )


def _what_narrows(source: str, reconstruction: str) -> str:
    if reconstruction == "handle" and source in WHAT_NARROWS and "handle" in WHAT_NARROWS[source]:
        return "nothing on CT: it is how well the hand reaches the plan"
    if source.endswith("found in the image"):
        return "a sharper scan"
    return WHAT_NARROWS.get(source, "placing it again, or from the image,")
