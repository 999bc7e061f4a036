"""Input tables: what is read, and what is refused with its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from ctmeasure.anatomy.structures import Ball, Patch, Tube
from ctmeasure.errors import TableError
from ctmeasure.io.tables import read_landmarks, read_sites, read_structures

HEADER = "id,index,x_mm,y_mm,z_mm"


def write(folder: Path, text: str) -> Path:
    path = folder / "table.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_landmarks_with_repeats_and_statuses(tmp_path: Path) -> None:
    marks = read_landmarks(
        write(
            tmp_path,
            f"{HEADER},observer,repeat,status\numbo,0,1,2,3,a,0,\numbo,0,1.2,2,3,b,0,placed\nscutum,,,,,,,not_seen\n",
        )
    )
    assert marks["umbo"].point_lps.round(6).tolist() == [1.1, 2.0, 3.0]
    assert marks.status("scutum") == "not_seen"


def test_a_byte_order_mark_and_blank_lines_do_no_harm(tmp_path: Path) -> None:
    assert read_landmarks(write(tmp_path, f"﻿{HEADER}\n\numbo,0,1,2,3\n\n")).placed("umbo")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "header"),
        ("id,x,y,z\n", "columns"),
        (f"{HEADER}\numbo,0,1,2,nan\n", "finite"),
        (f"{HEADER}\numbo,0,1,2,inf\n", "finite"),
        (f"{HEADER}\numbo,0,1,2,9e9\n", "finite"),
        (f"{HEADER}\numbo,0,1,2,\n", "number"),
        (f"{HEADER}\numbo,0,1,5,2,3\n", "decimal point"),
        (f"{HEADER}\numbo,0,1,2,3\numbo,0,4,5,6\n", r"line 3.*given again"),
        (f"{HEADER}\numbo,x,1,2,3\n", "index"),
        (f"{HEADER}\numbo,\u00b2,1,2,3\n", "index"),
        (f"{HEADER}\nnavel,0,1,2,3\n", "unknown landmark"),
        (f"{HEADER}\nannulus,0,1,2,3\nannulus,1,4,5,6\n", "ring 'annulus' of 2"),
        (f"{HEADER},status\numbo,0,1,2,3,gone\n", "status"),
        (f"{HEADER},status\numbo,0,1,2,3,absent\n", "coordinates"),
    ],
)
def test_wrong_landmark_tables_are_refused_in_one_line(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(TableError, match=words) as refusal:
        read_landmarks(write(tmp_path, text))
    assert "\n" not in str(refusal.value)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(TableError, match=r"no file 'nothing\.csv'"):
        read_landmarks(tmp_path / "nothing.csv")


def test_structures_take_their_shape_from_the_vocabulary(tmp_path: Path) -> None:
    table = (
        f"{HEADER},radius_mm,confirmed_by,status\n"
        "facial_nerve,1,0,0,1,0.6,reader-1,\nfacial_nerve,0,0,0,0,0.5,reader-1,\n"
        "tegmen,0,0,0,0,,,\ntegmen,1,1,0,0,,,\ntegmen,2,0,1,0,,,\n"
        "jugular_bulb,0,0,0,-9,4,,\nchorda_tympani,,,,,,,absent\n"
    )
    nerve, tegmen, bulb, chorda = read_structures(write(tmp_path, table))
    assert isinstance(nerve, Tube)
    assert nerve.radii_mm == (0.5, 0.6), "rows are put in index order"
    assert nerve.confirmed_by == "reader-1"
    assert isinstance(tegmen, Patch)
    assert isinstance(bulb, Ball)
    assert chorda.status == "absent"
    assert not chorda.is_marked


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("facial_nerve,0,0,0,0,0\nfacial_nerve,1,0,0,1,0.5", "above zero"),
        ("facial_nerve,0,0,0,0,0.5", "one point"),
        ("tegmen,0,0,0,0,\ntegmen,1,0,0,1,", "patch"),
        ("liver,0,0,0,0,1", "unknown structure"),
    ],
)
def test_wrong_structures_are_refused(tmp_path: Path, rows: str, words: str) -> None:
    with pytest.raises(TableError, match=words):
        read_structures(write(tmp_path, f"{HEADER},radius_mm\n{rows}\n"))


def test_sites_need_a_direction_and_an_id_of_their_own(tmp_path: Path) -> None:
    header = "id,x_mm,y_mm,z_mm,dx,dy,dz"
    (site,) = read_sites(write(tmp_path, f"{header}\na,1,2,3,0,0,-4\n"))
    assert site.direction_lps == (0.0, 0.0, -1.0)
    with pytest.raises(TableError, match="direction of 'a' is zero"):
        read_sites(write(tmp_path, f"{header}\na,1,2,3,0,0,0\n"))
    with pytest.raises(TableError, match="given again"):
        read_sites(write(tmp_path, f"{header}\na,1,2,3,0,0,1\na,1,2,3,0,0,1\n"))


@pytest.mark.parametrize(("separator", "words"), [(";", "';'"), ("\t", "tabs"), ("|", r"'\|'")])
@pytest.mark.parametrize("decimal", [".", ","])
def test_another_separator_is_named_with_what_to_do(tmp_path: Path, separator: str, words: str, decimal: str) -> None:
    table = f"{HEADER}\numbo,0,1.5,2.5,3.5\n".replace(",", separator).replace(".", decimal)
    with pytest.raises(TableError, match=f"separated by {words}") as refusal:
        read_landmarks(write(tmp_path, table))
    assert refusal.value.action == "save it with commas between the cells and a decimal point"
    assert "add " not in str(refusal.value)


def test_a_decimal_comma_in_a_quoted_cell_is_named(tmp_path: Path) -> None:
    with pytest.raises(TableError, match=r"line 2: x_mm is '1,5'.*save it with a decimal point"):
        read_landmarks(write(tmp_path, f'{HEADER}\numbo,0,"1,5",2,3\n'))


@pytest.mark.parametrize(
    ("character", "words"), [("\0", r"NUL byte \(U\+0000\)"), ("\x0b", r"U\+000B"), ("\x1f", r"U\+001F")]
)
def test_an_invisible_character_is_named_by_line_and_code(tmp_path: Path, character: str, words: str) -> None:
    with pytest.raises(TableError, match=f"line 3 holds a .*{words}"):
        read_landmarks(write(tmp_path, f"{HEADER}\nscutum,0,1,2,3\num{character}bo,0,1,2,3\n"))


def test_a_table_saved_in_two_byte_letters_is_named(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    path.write_bytes(f"{HEADER}\numbo,0,1,2,3\n".encode("utf-16-le"))
    with pytest.raises(TableError, match=r"line 1 holds a NUL byte.*UTF-8"):
        read_landmarks(path)


@pytest.mark.parametrize(
    "points", [((0, 0, 0), (1, 1, 1), (2, 2, 2), (5, 5, 5)), ((1, 2, 3),) * 4], ids=["on a line", "all the same"]
)
def test_a_patch_that_spans_no_surface_is_refused_with_its_id_and_line(
    tmp_path: Path, points: tuple[tuple[int, int, int], ...]
) -> None:
    rows = "".join(f"tegmen,{i},{x},{y},{z},\n" for i, (x, y, z) in enumerate(points))
    table = f"{HEADER},radius_mm\nchorda_tympani,0,0,0,0,0.3\nchorda_tympani,1,0,0,5,0.3\n{rows}"
    with pytest.raises(TableError, match=r"'table\.csv' line 4: patch 'tegmen'") as refusal:
        read_structures(write(tmp_path, table))
    assert refusal.value.action
