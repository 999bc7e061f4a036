"""Options, shafts, staged lengths, scores and hearing on paper, and what the sheet for the room has of them."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from ctmeasure.case.document import case_from_json, case_to_json
from ctmeasure.planning.hearing import Audiogram, Threshold
from ctmeasure.planning.lengths.shaft import FACIAL_GAP, NICHE_GAP, SHOE_ROOM
from ctmeasure.planning.results import OptionsFound, ReconstructionOption, ShaftCheck, StagedLength
from ctmeasure.report.figures.hearing import audiogram_chart
from ctmeasure.report.length_tables import length_groups
from ctmeasure.report.plan_json import plan_mapping
from ctmeasure.report.sections import tables
from ctmeasure.report.sheet import operating_sheet
from ctmeasure.uncertainty.estimate import Estimate

SPAN = ("total", "as planned", "handle contact", "footplate centre")


def estimate(value: float, u: float = 0.3, unit: str = "mm") -> Estimate:
    return Estimate(value, u, value - 1.96 * u, value + 1.96 * u, unit, "given")


def with_results(case, **changes):  # type: ignore[no-untyped-def]
    return replace(case, results=replace(case.results, **changes))


def test(air: dict[int, float | None], bone: dict[int, float | None], when: str) -> Audiogram:
    levels = [("air", f, v) for f, v in air.items()] + [("bone", f, v) for f, v in bone.items()]
    return Audiogram(when, tuple(Threshold(c, f, v) for c, f, v in levels), "supra-aural")  # type: ignore[arg-type]


AIR = {500: 55.0, 1000: 50.0, 2000: 45.0, 3000: 50.0}
BONE = {500: 15.0, 1000: 20.0, 2000: 25.0, 3000: 25.0}
AUDIOGRAMS = (test(AIR, BONE, "before"), test({**AIR, 500: 30.0, 4000: None}, {}, "after"))
del test


def bare(case):  # type: ignore[no-untyped-def]
    """The case as just computed: no hashes of its inputs yet."""
    return with_results(case, provenance={"software": "x"})


def table(case, name: str):  # type: ignore[no-untyped-def]
    return next(t for t in tables(case, "x") if t.id == name)


def test_options_print_state_needs_gates_and_contradictions(case) -> None:  # type: ignore[no-untyped-def]
    options = OptionsFound(
        (
            ReconstructionOption(
                "piston", "a piston", "needs", ("a dry ear",), ("only hearing ear",), ("niche: absent",)
            ),
            ReconstructionOption("no operation", "no operation: hearing aid or bone-conduction device", "always"),
        ),
        "D: nothing left", "somebody 1994", ("umbo placed and absent",),
    )  # fmt: skip
    found = table(with_results(case, options=options), "options")
    assert found.rows[0] == ("a piston", "open once", "a dry ear", "against: only hearing ear; gate, niche: absent")
    assert found.rows[-1][:2] == ("no operation: hearing aid or bone-conduction device", "always open")
    assert found.note.startswith("CONTRADICTORY FINDINGS: umbo placed and absent.")
    assert "D: nothing left (somebody 1994)" in found.note
    checks = operating_sheet(with_results(case, options=options)).checks
    assert checks[0] == "CONTRADICTION in the case, settle it first: umbo placed and absent."


def test_what_was_not_assessed_along_a_shaft_never_looks_clear(case) -> None:  # type: ignore[no-untyped-def]
    checks = (
        ShaftCheck(*SPAN, FACIAL_GAP, estimate(1.4), 0.0002, "touches"),
        ShaftCheck(*SPAN, NICHE_GAP, None, flags=("not assessed: the rims were not found",)),
        ShaftCheck(*SPAN, SHOE_ROOM, estimate(0.4), 0.09, "shoe wider than the niche"),
    )
    changed = with_results(case, shafts=checks)
    (row,) = table(changed, "shafts").rows
    assert "1.40 mm (0.81 to 1.99); P(touches) <1 in 1000" in row
    assert row[-1] == "not assessed"
    assert "not assessed: the rims were not found" in table(changed, "shafts").note
    assert table(changed, "niche").rows[0][2] == "P(shoe wider than the niche) 0.09"
    line = next(line for line in operating_sheet(changed).sizes if line.startswith("Along the shaft"))
    assert "gap to the facial canal 1.4 mm (0.8 to 2.0), P(touches) <1 in 1000" in line
    assert "not assessed: gap to the niche rims" in line


def test_staged_lengths_stand_side_by_side_with_their_assumption(case) -> None:  # type: ignore[no-untyped-def]
    staged = (
        StagedLength(
            "total", "planned handle tip", "footplate_centre", estimate(5.0, 0.5), estimate(5.0, 0.4), "assumed"
        ),
        StagedLength("total", "umbo", "footplate_centre", estimate(4.0, 0.4), None, "read anew"),
    )  # fmt: skip
    rows = table(with_results(case, staged=staged), "staged").rows
    assert rows[0][1:] == ("5.00 (4.02 to 5.98)", "0.50", "5.00 (4.22 to 5.78)", "0.40", "assumed")
    assert rows[1][3:5] == ("none", "none")


def test_scores_print_items_and_both_maxima(case) -> None:  # type: ignore[no-untyped-def]
    states = {"otorrhoea": "dry", "perforation": "absent", "cholesteatoma": "absent", "ossicles": "d"}
    states |= {"granulation": "no", "surgery": "revision", "smoking": "no"}
    items = {f"meri.{item}": state for item, state in states.items()}
    whole = replace(case, facts=replace(case.facts, risk_items=items))
    found = table(whole, "score-meri")
    assert len(found.rows) == 8
    assert found.rows[-1] == ("Sum", "6 of 16 or 12", "6")
    assert "add up to 16" in found.note
    del items["meri.smoking"]
    part = table(replace(case, facts=replace(case.facts, risk_items=items)), "score-meri")
    assert part.rows[-1] == ("Sum", "not given: items missing, 1", "")
    assert table(case, "scores").rows == ()


def test_hearing_prints_what_there_is_and_is_marked_incomplete(case) -> None:  # type: ignore[no-untyped-def]
    heard = replace(case, audiograms=AUDIOGRAMS)
    numbers = {row[0]: row for row in table(heard, "hearing").rows}
    assert numbers["air-bone gap"][1].startswith("28.8 (")
    assert numbers["air-bone gap"][1].endswith("band 21 to 30 dB")
    assert numbers["air-bone gap"][2] == "not given"
    assert table(heard, "hearing").note.startswith("INCOMPLETE.")
    rows = {row[0]: row[1:] for row in table(heard, "audiograms").rows}
    assert rows["after, air conduction"][-1] == "no response"
    assert set(rows["after, bone conduction"]) == {"not tested"}
    assert not [t for t in tables(case, "x") if t.id in ("hearing", "audiograms")]


def test_chart_is_the_same_for_the_same_audiogram_and_marks_the_side(case) -> None:  # type: ignore[no-untyped-def]
    right, left = (audiogram_chart(AUDIOGRAMS, side=side) for side in ("right", "left"))
    assert right == audiogram_chart(AUDIOGRAMS, side="right")
    assert right != left
    assert right != audiogram_chart(AUDIOGRAMS[:1], side="right")


def test_audiograms_and_catalogues_are_kept_with_the_case(case) -> None:  # type: ignore[no-untyped-def]
    from ctmeasure.planning.lengths.catalogue import generic_catalogue

    kept = replace(bare(case), audiograms=AUDIOGRAMS, catalogues=(generic_catalogue(0.5),))
    again = case_from_json(case_to_json(kept))
    assert again.audiograms == kept.audiograms
    assert again.catalogues == kept.catalogues


def test_results_of_another_catalogue_are_refused(case) -> None:  # type: ignore[no-untyped-def]
    from ctmeasure.errors import CaseError
    from ctmeasure.planning.lengths.catalogue import generic_catalogue

    data = json.loads(case_to_json(replace(bare(case), catalogues=(generic_catalogue(0.5),))))
    data["catalogues"][0]["implants"][0]["labels_mm"][0] = 2.6
    with pytest.raises(CaseError, match="catalogues"):
        case_from_json(json.dumps(data))


def test_a_case_of_an_earlier_version_without_either_still_loads(case) -> None:  # type: ignore[no-untyped-def]
    data = json.loads(case_to_json(bare(case)))
    for part in ("catalogues", "audiograms"):
        del data[part]
        del data["results"]["provenance"]["inputs"][part]
    again = case_from_json(json.dumps(data))
    assert again.catalogues == ()
    assert again.results is not None


def test_plan_json_holds_hearing_and_scores(case) -> None:  # type: ignore[no-untyped-def]
    found = plan_mapping(replace(case, audiograms=AUDIOGRAMS))
    assert found["hearing"]["before"][2]["estimate"]["value"] == 28.75
    assert found["hearing"]["missing"]
    assert {score["id"] for score in found["risk_scores"]} == {"oops", "meri", "severity"}


def test_the_sheet_carries_scan_date_and_case_version(case) -> None:  # type: ignore[no-untyped-def]
    assert operating_sheet(case, fingerprint="abc123").identity == ("Scan of 2024-03-11", "Case abc123, schema 1")


def test_the_implants_of_a_catalogue_have_groups_of_their_own(case) -> None:  # type: ignore[no-untyped-def]
    rows = tuple(replace(row, catalogue="shelf", implant=name) for name in "ab" for row in case.results.lengths[:3])
    keys = list(length_groups(rows))
    assert [key[4] for key in keys] == ["shelf, a", "shelf, b"]
    needs, sizes = table(with_results(case, lengths=rows), "lengths"), table(with_results(case, lengths=rows), "sizes")
    assert len(needs.rows) == 1
    assert {row[1] for row in sizes.rows} == {"total, shelf, a", "total, shelf, b"}
