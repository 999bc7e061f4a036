"""Risk scores: items, not only sums, and never a sum with an item missing."""

from __future__ import annotations

import pytest

from ctmeasure.anatomy.facts import facts_from_mapping, facts_to_mapping, risk_item_states
from ctmeasure.errors import SettingsError
from ctmeasure.planning.risk_scores import risk_scores


def test_a_score_with_a_missing_item_has_no_total() -> None:
    found = {s.id: s for s in risk_scores({"oops.drainage": "none", "oops.mucosa": "fibrotic"})}
    assert found["oops"].total is None
    assert found["oops"].missing == ("ossicles", "type of surgery", "revision")
    assert not found["meri"].entered


def test_items_are_entered_as_facts_nested_or_dotted_and_kept() -> None:
    nested = facts_from_mapping({"risk_items": {"oops": {"revision": True, "mucosa": "normal"}}})
    dotted = facts_from_mapping({"risk_items": {"oops.revision": "yes", "oops.mucosa": "normal"}})
    assert nested == dotted
    assert facts_from_mapping(facts_to_mapping(nested)) == nested


@pytest.mark.parametrize(
    "items", [{"oops": {"revisions": "yes"}}, {"oops": {"revision": "maybe"}}, {"meri": {"ossicles": "g"}}, "yes"]
)
def test_unknown_items_and_states_are_refused(items: object) -> None:
    with pytest.raises(SettingsError):
        facts_from_mapping({"risk_items": items})


def test_every_score_of_the_table_has_items() -> None:
    assert {key.split(".")[0] for key in risk_item_states()} == {score.id for score in risk_scores({})}
