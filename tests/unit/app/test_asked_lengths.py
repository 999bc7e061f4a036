"""What was asked of lengths, catalogues and hearing and could not be given: one line each; nothing when all is well."""

from __future__ import annotations

from dataclasses import replace

import window_phantom

from ctmeasure.app.compute import asked_lengths
from ctmeasure.planning.hearing import Audiogram, Threshold
from ctmeasure.planning.lengths.catalogue_toml import catalogue_from_toml
from ctmeasure.planning.results import OptionsFound

ROW = '[[size]]\nreconstruction = "total"\nname = "{}"\nlabel_mm = 4.0\n'
AIR = tuple(Threshold("air", hz, 40.0) for hz in (500, 1000, 2000, 3000, 4000))
BONE = tuple(Threshold("bone", hz, 20.0) for hz in (500, 1000, 2000, 3000, 4000))


def case():  # type: ignore[no-untyped-def]
    return window_phantom.phantom_case(window_phantom.phantom_volume("right"), "right")


def test_nothing_is_said_when_all_was_given() -> None:
    catalogue = catalogue_from_toml(ROW.format("a") + "offset_mm = 0")
    whole = replace(case(), catalogues=(catalogue,), audiograms=(Audiogram("before", AIR + BONE),))
    assert asked_lengths(whole, "", OptionsFound()) == ()


def test_each_thing_that_could_not_be_given_is_one_line() -> None:
    catalogue = catalogue_from_toml('name = "shelf"\n' + ROW.format("a") + ROW.format("b") + "offset_mm = 0")
    asked = replace(case(), catalogues=(catalogue,), audiograms=(Audiogram("before", AIR),))
    found = asked_lengths(asked, "chosen: handle, and no size can be given", OptionsFound(contradictions=("a and b",)))
    assert [item.kind for item in found] == ["length", "length", "hearing", "contradiction"]
    assert found[0].what.startswith("chosen: handle")
    assert found[1].what == "catalogue 'shelf': no size from a, its label does not convert"
    assert "no bone conduction was entered" in found[2].what
    assert found[3].what == "a and b"
    assert not any("\n" in item.what + item.action for item in found)
