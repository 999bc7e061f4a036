"""A length in two stages: how sure it is now, and how sure it is expected to be once the handle has settled."""

from __future__ import annotations

import math
from dataclasses import replace

from ctmeasure.planning.lengths.spans import AS_PLANNED, Span
from ctmeasure.planning.measurands.draws import NORMAL_95
from ctmeasure.planning.results import StagedLength
from ctmeasure.uncertainty.estimate import Contribution, Estimate

SETTLED = "placement of the settled handle on a later scan (assumed)"
MEASURED = " (measured on "
"""What follows a source whose reader has been measured."""


def staged_length(span: Span, needed: Estimate, placed_u_mm: float) -> StagedLength:
    """Uncertainty now, and expected after the handle has settled.

    Parameters
    ----------
    span
        A span of a straight device.
    needed
        Its needed length now.
    placed_u_mm
        Standard uncertainty per axis of placing the settled handle's contact.

    Returns
    -------
    StagedLength

    Raises
    ------
    Nothing.

    Notes
    -----
    The assumption: on a scan like this one the settled handle's contact is placed as well as any landmark, and it lies
    where it was planned. Then what the plan of the handle contributes now (the rim, the canal, the mirrored umbo, how
    well the hand reaches it) goes, and one placement comes in its stead; what comes from the medial contact, the
    scanner and the seat stays. A follow-up scan replaces all of it, value included.
    """
    later_contact = span.geometry == AS_PLANNED and span.lateral_kind == "handle"
    if not later_contact:
        return StagedLength(
            span.reconstruction, span.lateral, span.medial, needed, None,
            "the lateral contact was placed on this scan or is the drum: a later scan is read anew",
        )  # fmt: skip
    gone = [source for source in span.sources if source != span.medial]
    goes = {words for source in gone for words in source_names(source)}
    stays = [part for part in needed.budget if part.source.partition(MEASURED)[0] not in goes]
    parts = (*stays, Contribution(SETTLED, placed_u_mm))
    u = math.hypot(*(part.standard_uncertainty for part in parts))
    later = replace(
        needed, standard_uncertainty=u, low_95=needed.value - NORMAL_95 * u, high_95=needed.value + NORMAL_95 * u,
        method="expected: budget of now with the plan of the handle replaced by one placement; normal", budget=parts,
        draws=0, seed=None,
    )  # fmt: skip
    return StagedLength(
        span.reconstruction, span.lateral, span.medial, needed, later,
        f"assumed: the handle settles where it was planned and its contact is placed to "
        f"{placed_u_mm:.2g} mm per axis on a scan like this one, which replaces this line",
    )  # fmt: skip


def source_names(source: str) -> tuple[str, str]:
    """A source as the budget names it, placed or found in the image."""
    from ctmeasure.planning.measurands.evaluate import source_words

    return source_words(source), source_words(source, found=frozenset((source,)))
