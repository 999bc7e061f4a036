"""A hole while it is dragged: assessed where it is in the plan that was last computed, and said in one line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from ctmeasure.anatomy.vocabulary import structure_terms
from ctmeasure.case.model import SiteRequest
from ctmeasure.case.words import value_words
from ctmeasure.planning.results import VERDICT_WORDS, SiteResult

from .scene import HOLE_REF, point_label

if TYPE_CHECKING:
    from .workbench import Workbench

NO_PLAN = "assessed when it is let go"


def follow(bench: Workbench, site_id: str, point_lps: npt.ArrayLike) -> None:
    """Say how a hole stands where it is being dragged to; of several places asked for in a moment only the last."""
    x, y, z = (float(v) for v in np.asarray(point_lps))

    def tell() -> None:
        found = bench.assess_hole(SiteRequest(site_id, (x, y, z)))
        name = point_label((HOLE_REF + site_id, 0))
        bench.say(site_words(name, found) if found is not None else f"{name}: {NO_PLAN}")

    bench.later(tell)


def site_words(name: str, site: SiteResult) -> str:
    """Verdict, bone and the nearest structure of a hole, marked as preliminary.

    Parameters
    ----------
    name
        What the hole is called.
    site
        As assessed.
    """
    bone = site.wall.to_first_gap
    said = [f"{name}, preliminary: {VERDICT_WORDS[site.verdict]}"]
    said.append(f"bone {value_words(bone)} mm" if bone is not None else "bone not measured")
    known = [c for c in site.clearances if c.estimate is not None]
    if known:
        nearest = min(known, key=lambda c: c.estimate.value)  # type: ignore[union-attr]
        term = structure_terms().get(nearest.structure)
        label = term.label if term else nearest.structure.replace("_", " ")
        assert nearest.estimate is not None
        said.append(f"nearest: {label} {value_words(nearest.estimate)} mm")
    return "; ".join(said)
