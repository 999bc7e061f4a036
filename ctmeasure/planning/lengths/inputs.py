"""What candidate lengths are computed from."""

from __future__ import annotations

from dataclasses import dataclass, field

from ctmeasure.anatomy.facts import CaseFacts
from ctmeasure.anatomy.landmarks import PointLps
from ctmeasure.planning.lengths.catalogue import Catalogue
from ctmeasure.planning.measurands.inputs import MeasureInput


@dataclass(frozen=True, eq=False)
class LengthInput:
    """Everything that `candidate_lengths` looks at.

    Parameters
    ----------
    measure
        Landmarks, side, settings, seed: the same as for the measurands, so that both see the same draws.
    facts
        What the user knows: only hearing ear, mobility found earlier, findings.
    catalogues
        Sizes, each catalogue ranked by itself; empty for the generic steps of the settings.
    mirrored_umbo_lps
        The other ear's healthy umbo, mirrored into this ear (LPS mm), when there is one.
    pair_entries_lps
        Entry points of the chosen pair of holes, when one is chosen; else ``anchor_1`` and ``anchor_2`` where placed.
    """

    measure: MeasureInput
    facts: CaseFacts = field(default_factory=CaseFacts)
    catalogues: tuple[Catalogue, ...] = ()
    mirrored_umbo_lps: PointLps | None = None
    pair_entries_lps: tuple[PointLps, PointLps] | None = None
