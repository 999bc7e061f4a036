"""State of the wall by sector: shown, entered, and which counts."""

from __future__ import annotations

from dataclasses import replace

import pytest

from ctmeasure.anatomy.facts import CaseFacts, WallState
from ctmeasure.planning.drilling.wall_state import wall_sectors, wall_words
from ctmeasure.planning.drilling.zone import Zone


def test_a_cylinder_of_bone_is_whole_all_round(scene, zone):
    found = wall_sectors(scene, zone)
    assert len(found) == 7
    assert {s.shown for s in found} == {"whole"}
    assert all(s.bone_share == 1.0 for s in found)
    assert {s.state for s in found} == {"whole"}


def test_missing_bone_is_a_question_and_an_entry_counts(make_scene, zone):
    def gone(cell):
        upper = cell.wall_angle_deg >= 330.0 or cell.wall_angle_deg < 30.0
        return replace(cell, entry_lps=None, flags=("no edge",)) if upper and cell.rim_distance_mm < 4.0 else cell

    holed = Zone(tuple(gone(c) for c in zone.cells), zone.rows, zone.places, zone.risks)
    facts = CaseFacts(side="right", canal_wall=(WallState(30.0, 75.0, "eroded_scutum"),))
    found = {s.start_deg: s for s in wall_sectors(make_scene(facts=facts), holed)}
    assert found[330.0].shown == "open or taken down"
    assert found[330.0].bone_share == pytest.approx(1.0 / 3.0, abs=0.01)
    assert found[30.0].state == "scutum eroded"
    assert found[30.0].differs
    words = wall_words(tuple(found.values()))
    assert any("enter what is known" in w for w in words)
    assert any("entered as scutum eroded, the scan shows it whole" in w for w in words)


def test_a_rim_under_soft_tissue_is_said(scene, zone):
    soft = tuple(
        replace(c, flags=(*c.flags, "under soft tissue")) if c.rim_distance_mm <= 2.0 else c for c in zone.cells
    )
    found = wall_sectors(scene, Zone(soft, zone.rows, zone.places, zone.risks))
    assert all(s.rim_soft_share == 1.0 for s in found)
    assert sum("canal air ends before the bone" in w for w in wall_words(found)) == 7


def test_without_a_map_there_is_nothing_to_say(scene):
    assert wall_sectors(scene, Zone((), None, None, ())) == ()
