"""plan.json: every result with budgets and flags, for other tools."""

from __future__ import annotations

import dataclasses
from typing import Any

from ctmeasure.anatomy.facts import facts_to_mapping
from ctmeasure.case.answers import five_answers, header_line, not_assessed_lines
from ctmeasure.case.json_lines import json_lines
from ctmeasure.case.model import Case
from ctmeasure.errors import OutputError
from ctmeasure.planning.cautions import cautions
from ctmeasure.planning.hearing import hearing_sheet
from ctmeasure.planning.risk_scores import risk_scores
from ctmeasure.planning.settings import setting_rows
from ctmeasure.report.plain import case_fingerprint, plain

LEFT_OUT = ("wall_map", "provenance")
"""The wall's surface is in case.json and its cells in ``zone``; the provenance stands beside the results."""


def plan_mapping(case: Case, *, fingerprint: str = "") -> dict[str, Any]:
    """The content of plan.json as plain values.

    Parameters
    ----------
    case
        With results.
    fingerprint
        `case_fingerprint` of the case where it is known already; computed when empty.

    Returns
    -------
    dict

    Raises
    ------
    OutputError
        When the case has no results.
    """
    result = case.results
    if result is None:
        raise OutputError("a case without results", expected="a case that was planned", action="run the plan")
    return {
        "side": case.side,
        "case": {"schema_version": case.schema_version, "fingerprint": fingerprint or case_fingerprint(case)},
        "header": header_line(case),
        "answers": plain(five_answers(case)),
        "not_assessed_lines": list(not_assessed_lines(case)),
        "plan_void": case.facts.plan_is_void,
        "scan": plain(case.scan),
        "fitness": plain(case.fitness),
        "facts": plain(facts_to_mapping(case.facts)),
        **{f.name: plain(getattr(result, f.name)) for f in dataclasses.fields(result) if f.name not in LEFT_OUT},
        "catalogues": plain(case.catalogues),
        "audiograms": plain(case.audiograms),
        "hearing": plain(hearing_sheet(case.audiograms, case.settings)),
        "risk_scores": plain(risk_scores(case.facts.risk_items)),
        "settings": plain(setting_rows(case.settings)),
        "provenance": plain(result.provenance),
        "cautions": list(cautions()),
    }


def plan_json(case: Case, *, fingerprint: str = "") -> str:
    """The text of plan.json; strict JSON, the same for equal cases, one record a line.

    Raises
    ------
    OutputError
        When the case has no results.
    """
    return json_lines(plan_mapping(case, fingerprint=fingerprint))
