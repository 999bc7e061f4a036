"""Catalogue: steps, conversions, lines in messages, and a corpus of faults that must be refused or said."""

from __future__ import annotations

from itertools import pairwise

import pytest

from ctmeasure.errors import CtmeasureError, SettingsError
from ctmeasure.planning.lengths.catalogue import RECONSTRUCTIONS, generic_catalogue
from ctmeasure.planning.lengths.catalogue_csv import catalogue_from_csv
from ctmeasure.planning.lengths.catalogue_toml import (
    catalogue_from_mapping,
    catalogue_from_toml,
    catalogue_to_toml,
    refuse_same_catalogues,
)

ROW = '[[size]]\nreconstruction = "total"\n'


def test_generic_catalogue_steps_evenly_and_label_is_functional_length() -> None:
    sizes = generic_catalogue(0.25).of("total")
    assert sizes[0].label_mm == 2.5
    assert sizes[-1].label_mm == 8.0
    assert {round(b.label_mm - a.label_mm, 9) for a, b in pairwise(sizes)} == {0.25}
    assert all(s.functional_mm == s.label_mm for s in sizes)
    assert len(generic_catalogue(0.5).of("total")) == 12
    assert all(generic_catalogue(0.25).implants_of(kind) for kind in RECONSTRUCTIONS)


@pytest.mark.parametrize(
    ("lines", "functional"),
    [
        ("label_mm = [2.0, 2.5]\noffset_mm = -0.3", [1.7, 2.2]),
        ("label_mm = [2.5, 2.0]\nfunctional_mm = [2.9, 2.3]", [2.3, 2.9]),
        ('label_mm = 2.0\nlabel_is = "functional length"', [2.0]),
        (
            'label_mm = 2.0\nlabel_is = "length between head and shoe"\nhead_thickness_mm = 0.2\n'
            "shoe_thickness_mm = 0.3",
            [2.5],
        ),
        ("from_mm = 2.0\nto_mm = 3.0\nstep_mm = 0.5\noffset_mm = 0.1", [2.1, 2.6, 3.1]),
    ],
)
def test_label_converts_as_its_row_states(lines: str, functional: list[float]) -> None:
    found = catalogue_from_toml(ROW + lines).of("total")
    assert [s.functional_mm for s in found] == pytest.approx(functional)


def test_a_row_without_conversion_gives_no_size_and_says_so_with_its_line() -> None:
    catalogue = catalogue_from_toml('name = "shelf"\n\n' + ROW + "label_mm = 4.0", file="shelf.toml")
    assert catalogue.of("total") == ()
    assert catalogue.without_conversion("total")
    assert not catalogue.without_conversion("partial")
    assert catalogue.warnings == (
        "'shelf.toml' row 1, line 3: no conversion of the label to functional length, so it gives no size",
    )


def test_a_gap_between_sizes_is_said_and_nothing_else_changes() -> None:
    catalogue = catalogue_from_toml(ROW + "label_mm = [4.0, 4.25, 4.5, 5.0, 5.25]\noffset_mm = 0")
    assert len(catalogue.of("total")) == 5
    (words,) = catalogue.warnings
    assert "no size between 4.5 and 5 mm (steps of 0.25 mm elsewhere)" in words
    assert "line 3" in words


FAULTS = {
    "negative": (ROW + "label_mm = -1.0\noffset_mm = 0", "line 3 has a size of -1 mm"),
    "micrometres": (ROW + "label_mm = 4500.0\noffset_mm = 0", "line 3 has a size of 4500 mm.*check the unit"),
    "mixed units": (ROW + "label_mm = [0.45, 4.75, 5.0]\noffset_mm = 0", "line 3 .*sizes of one unit"),
    "no functional length left": (ROW + "label_mm = 1.0\noffset_mm = -1.0", "line 4 has a size of 0 mm"),
    "unknown reconstruction": ('[[size]]\nreconstruction = "tota"\nlabel_mm = 4.0', "line 2 is for 'tota'"),
    "unknown key": (ROW + "length = 4.0", "line 3 has 'length'"),
    "key in centimetres": (ROW + "label_cm = 0.4", "line 3 has 'label_cm'.*in millimetres"),
    "misspelt key": (ROW + "lable_mm = 4.0", "did you mean 'label_mm'"),
    "no length": (ROW, "lacks 'from_mm'"),
    "falling range": (ROW + "from_mm = 4.0\nto_mm = 3.0\nstep_mm = 0.25", "line 3 runs from 4 to 3"),
    "no step": (ROW + "from_mm = 3.0\nto_mm = 4.0\nstep_mm = 0.0", "steps of 0"),
    "step too small": (ROW + "from_mm = 3.0\nto_mm = 4.0\nstep_mm = 0.0001", "line 5 gives 10001 sizes"),
    "text for a number": (ROW + 'label_mm = "4.0"', "line 3 has label_mm"),
    "unit in a number": (ROW + 'label_mm = "4.0 mm"', "bare number"),
    "not a number": (ROW + "label_mm = nan", "label_mm = nan"),
    "true for a number": (ROW + "label_mm = true", "label_mm = True"),
    "no label": (ROW + "label_mm = []", "has no size"),
    "size twice": (ROW + "label_mm = [4.0, 4.0]", "size 4 given twice"),
    "size in two rows": (ROW + "label_mm = 4.0\n" + ROW + "label_mm = 4.0", "line 4: catalogue size total 4 given tw"),
    "name twice": (
        ROW + 'name = "a"\nlabel_mm = 4.0\n' + ROW + 'name = "a"\nlabel_mm = 5.0',
        r"line 7: name 'a' given twice \(first: catalogue row 1, line 3\)",
    ),
    "two conversions": (ROW + "label_mm = 4.0\noffset_mm = 0\nfunctional_mm = 4.0", "converts its label twice"),
    "functional lengths missing": (ROW + "label_mm = [4.0, 4.5]\nfunctional_mm = [4.1]", "1 functional lengths"),
    "unknown label": (ROW + 'label_mm = 4.0\nlabel_is = "overall"', "label_is = 'overall'"),
    "ends not given": (ROW + 'label_mm = 4.0\nlabel_is = "length between head and shoe"', "head_thickness_mm is not"),
    "absurd head": (ROW + "label_mm = 4.0\nhead_diameter_mm = 26", "line 4 has head_diameter_mm = 26"),
    "head under the shaft": (ROW + "label_mm = 4.0\nshaft_diameter_mm = 1.0\nhead_diameter_mm = 0.6", "wide as the"),
    "arms of no handle": (ROW + "label_mm = 4.0\narm_reach_mm = 2.0", "line 4 has arm_reach_mm for 'total'"),
    "span upside down": (
        '[[size]]\nreconstruction = "handle"\nlabel_mm = 4.0\nspan_low_mm = 5\nspan_high_mm = 3', "spans 5 to 3"
    ),
    "trimmable maybe": (ROW + 'label_mm = 4.0\ntrimmable = "maybe"', "line 4 has trimmable"),
    "number for a text": (ROW + "label_mm = 4.0\nmaterial = 3", "line 4 has material"),
    "nothing in it": ('name = "empty"', "has no row"),
    "later schema": ("schema = 7\n" + ROW + "label_mm = 4.0", "has schema 7"),
    "unknown top key": ('maker = "x"\n' + ROW + "label_mm = 4.0", "unknown catalogue key 'maker'"),
    "size is no table": ("size = [1, 2]", "no list of tables"),
    "no toml": ('name = "x"\n[[size\n', "line 2"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_refused_in_one_line_with_its_place(fault: str) -> None:
    text, words = FAULTS[fault]
    with pytest.raises(SettingsError, match=words) as refused:
        catalogue_from_toml(text)
    assert "\n" not in str(refused.value)


def test_a_catalogue_survives_its_own_text() -> None:
    rows = {
        "name": 'shelf "b" \\',
        "source": "counted by hand",
        "size": [
            {"reconstruction": "total", "name": "a", "label_mm": [4.0, 4.25], "offset_mm": 0.3, "trimmable": True,
             "head_diameter_mm": 2.6, "shaft_diameter_mm": 0.2, "material": "titanium", "mr_note": "see the leaflet"},
            {"reconstruction": "handle", "name": "h", "label_mm": 5.0, "arm_reach_mm": 2.5, "span_low_mm": 3.0},
        ],
    }  # fmt: skip
    first = catalogue_from_mapping(rows)
    again = catalogue_from_toml(catalogue_to_toml(first))
    assert again.name == first.name
    assert again.source == first.source
    for kind in ("total", "handle"):
        assert again.of(kind) == first.of(kind)
    one, other = first.implants[0], again.implants[0]
    assert (other.trimmable, other.head_diameter_mm, other.material, other.mr_note) == (
        one.trimmable, one.head_diameter_mm, one.material, one.mr_note
    )  # fmt: skip
    assert again.without_conversion("handle")


def test_catalogues_of_one_name_cannot_stand_side_by_side() -> None:
    one = catalogue_from_toml('name = "shelf"\n' + ROW + "label_mm = 4.0")
    with pytest.raises(SettingsError, match="two catalogues called 'shelf'"):
        refuse_same_catalogues((one, one))


CSV = "name,reconstruction,label_mm,offset_mm,material\n"


def test_csv_lines_of_one_name_become_one_implant() -> None:
    found = catalogue_from_csv(CSV + "A,total,4.5,0.2,titanium\nA,total,4.0,0.2,titanium\n\nB,partial,2,0,\n", name="x")
    assert [(i.name, i.reconstruction, i.labels_mm) for i in found.implants] == [
        ("A", "total", (4.0, 4.5)), ("B", "partial", (2.0,)),
    ]  # fmt: skip
    assert [s.functional_mm for s in found.of("total")] == pytest.approx([4.2, 4.7])
    assert found.implants[0].material == "titanium"


CSV_FAULTS = {
    "no header": ("", "has header"),
    "no label column": ("name,reconstruction\nA,total\n", "add label_mm"),
    "semicolons": ("name;reconstruction;label_mm\nA;total;4\n", "with commas between the cells"),
    "column twice": ("label_mm,label_mm,reconstruction\n1,1,total\n", "label_mm twice"),
    "column in inches": ("label_in,label_mm,reconstruction\n", "column 'label_in'"),
    "unit in one line": (CSV + "A,total,4.0,0,\nA,total,0.45 cm,0,\n", "line 3 has label_mm '0.45 cm'.*unit 'cm'"),
    "decimal comma": (CSV + 'A,total,"4,5",0,\n', "line 2 has label_mm '4,5'"),
    "too many cells": (CSV + "A,total,4,5,0,titanium\n", "line 2 has 6 cells"),
    "no reconstruction": (CSV + "A,,4.0,0,\n", "line 2 has no reconstruction"),
    "size twice": (CSV + "A,total,4.0,0,\nA,total,4.0,0,\n", "line 3: size 4 of 'A' given twice"),
    "material changes": (CSV + "A,total,4.0,0,gold\nA,total,4.5,0,titanium\n", "line 3 has material 'titanium'"),
    "offset missing in one": (CSV + "A,total,4.0,0.2,\nA,total,4.5,,\n", "line 3 has offset_mm"),
    "negative": (CSV + "A,total,-4.0,0.2,\n", "row 1, line 2 has a size of -4"),
    "micrometres among": (CSV + "A,total,4.0,0,\nA,total,4500,0,\n", "line 2 has a size of 4500"),
    "only a header": (CSV, "has no size"),
    "unknown word": (CSV.strip() + ",trimmable\nA,total,4.0,0,,maybe\n", "line 2 has trimmable 'maybe'"),
}


@pytest.mark.parametrize("fault", CSV_FAULTS)
def test_each_fault_of_a_table_is_refused_in_one_line(fault: str) -> None:
    text, words = CSV_FAULTS[fault]
    with pytest.raises(CtmeasureError, match=words) as refused:
        catalogue_from_csv(text, name="x")
    assert "\n" not in str(refused.value)
