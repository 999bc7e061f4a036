"""Where a hole can go: directions, swept envelope, clearance, probability, verdict, map and pairs."""

from __future__ import annotations

from ctmeasure.planning.drilling.plan import DrillInput, DrillOutput, plan_drilling, plan_sites, prepare_drilling
from ctmeasure.planning.drilling.session import DrillSession

__all__ = ["DrillInput", "DrillOutput", "DrillSession", "plan_drilling", "plan_sites", "prepare_drilling"]
