"""Read the input tables (CSV, UTF-8, LPS mm): landmarks, structures, sites. A wrong row is named by its line."""

from __future__ import annotations

import csv
import math
import unicodedata
from collections.abc import Iterable, Iterator
from pathlib import Path

import numpy as np

from ctmeasure.anatomy.landmarks import Landmark, LandmarkSet, Placement, PointLps
from ctmeasure.anatomy.structures import Ball, Patch, Structure, Tube
from ctmeasure.anatomy.suggestions import STATUS as SUGGESTED
from ctmeasure.anatomy.vocabulary import STATUSES, Status, landmark_term, structure_term
from ctmeasure.case.model import SiteRequest
from ctmeasure.errors import GeometryError, LandmarkError, TableError
from ctmeasure.geometry.patches import triangulate_patch

FARTHEST_MM = 5000.0
"""No patient coordinate is farther than this from the scanner's origin; more is a unit or column mistake."""
Row = dict[str, str]


def table_lines(path: Path, required: Iterable[str]) -> Iterator[tuple[int, Row]]:
    """Non-empty rows with their line number, cells stripped; the header is checked first."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise TableError(f"no file '{path.name}'", expected="a CSV table", action="check the path") from None
    except (OSError, UnicodeDecodeError) as error:
        raise TableError(f"'{path.name}' cannot be read ({error})", expected="a CSV table in UTF-8") from None
    _refuse_invisible(path, text)
    reader = csv.reader(text.splitlines())
    header = [name.strip() for name in next(reader, [])]
    missing = [name for name in required if name not in header]
    if missing:
        _refuse_other_separator(path, header, required)
        raise TableError(
            f"'{path.name}' has header {','.join(header) or '(none)'}",
            expected=f"columns {','.join(required)}",
            action=f"add {','.join(missing)}",
        )
    repeated = [name for name in header if header.count(name) > 1]
    if repeated:
        raise TableError(f"'{path.name}' has column {repeated[0]} twice", expected="each column once")
    for number, cells in enumerate(reader, 2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) > len(header):
            raise TableError(
                f"'{path.name}' line {number} has {len(cells)} cells",
                expected=f"{len(header)} as in the header",
                action="use a decimal point, not a comma",
            )
        yield number, dict(zip(header, (cell.strip() for cell in cells), strict=False))


OTHER_SEPARATORS = {";": "';'", "\t": "tabs", "|": "'|'"}
"""What spreadsheets of other languages put between cells, and how a message calls it."""


def _refuse_other_separator(path: Path, header: list[str], required: Iterable[str]) -> None:
    """A table separated otherwise has all its columns; only the file has to be saved another way."""
    line = ",".join(header)
    for separator, words in OTHER_SEPARATORS.items():
        if separator in line:
            raise TableError(
                f"'{path.name}' is separated by {words}",
                expected=f"columns {','.join(required)} separated by commas",
                action="save it with commas between the cells and a decimal point",
            )


def _refuse_invisible(path: Path, text: str) -> None:
    """Characters nobody sees would make an id unknown that reads right; they are named by line and code instead."""
    for at, character in enumerate(text):
        if unicodedata.category(character) == "Cc" and character not in "\t\r\n":
            name = "NUL byte" if character == "\0" else "control character"
            raise TableError(
                f"'{path.name}' line {text.count(chr(10), 0, at) + 1} holds a {name} (U+{ord(character):04X})",
                expected="plain text in UTF-8",
                action="save the table again as CSV in UTF-8",
            )


def _number(path: Path, line: int, row: Row, column: str) -> float:
    text = row.get(column, "")
    try:
        value = float(text)
    except ValueError:
        comma = "," in text
        raise TableError(
            f"'{path.name}' line {line}: {column} is '{text}'",
            expected="a number with a decimal point",
            action="save it with a decimal point" if comma else "",
        ) from None
    if not math.isfinite(value) or abs(value) > FARTHEST_MM:
        raise TableError(
            f"'{path.name}' line {line}: {column} is {text}", expected="finite LPS millimetres", action="correct it"
        )
    return value


def _whole(path: Path, line: int, row: Row, column: str) -> int:
    text = row.get(column, "") or "0"
    if not text.isdecimal():
        raise TableError(f"'{path.name}' line {line}: {column} is '{text}'", expected="0, 1, 2, ...")
    return int(text)


def _point(path: Path, line: int, row: Row) -> PointLps:
    return (
        _number(path, line, row, "x_mm"),
        _number(path, line, row, "y_mm"),
        _number(path, line, row, "z_mm"),
    )


def _status(path: Path, line: int, row: Row) -> Status:
    text = row.get("status", "") or "placed"
    for status in STATUSES:
        if text == status:
            return status
    if text == SUGGESTED:
        raise TableError(
            f"'{path.name}' line {line}: '{row.get('id', '')}' is a suggestion that nobody has accepted",
            expected="a status that a person gave",
            action="look at it, then set its status to placed, or delete the row",
        )
    raise TableError(f"'{path.name}' line {line}: status is '{text}'", expected=" or ".join(STATUSES))


def _has_coordinates(row: Row) -> bool:
    return any(row.get(column) for column in ("x_mm", "y_mm", "z_mm"))


def _at_line(path: Path, line: int, error: LandmarkError) -> TableError:
    return TableError(f"'{path.name}' line {line}: {error.found}", expected=error.expected, action=error.action)


def read_landmarks(path: Path) -> LandmarkSet:
    """Landmarks table: ``id,index,x_mm,y_mm,z_mm`` and optional ``observer,repeat,status``.

    Parameters
    ----------
    path
        CSV file. The same id and index with another observer or repeat is a repeated placement.

    Returns
    -------
    LandmarkSet

    Raises
    ------
    TableError
        A missing file or column, an unknown id or status, a coordinate that is not a number, a row given twice, a ring
        with too few points; the line is named.
    """
    statuses: dict[str, tuple[Status, int]] = {}
    placements: dict[str, list[Placement]] = {}
    seen: dict[tuple[str, int, str, int], int] = {}
    for line, row in table_lines(path, ("id", "index", "x_mm", "y_mm", "z_mm")):
        name = row["id"]
        try:
            landmark_term(name)
        except LandmarkError as error:
            raise _at_line(path, line, error) from None
        status = _status(path, line, row)
        before, first_line = statuses.setdefault(name, (status, line))
        if before != status:
            raise TableError(
                f"'{path.name}' line {line}: '{name}' is {status}, line {first_line} says {before}",
                expected="one status a landmark",
            )
        if status in ("absent", "not_seen"):
            if _has_coordinates(row):
                raise TableError(
                    f"'{path.name}' line {line}: '{name}' is {status} and has coordinates",
                    expected="empty coordinates",
                    action="delete them or set the status to placed",
                )
            continue
        key = (name, _whole(path, line, row, "index"), row.get("observer", ""), _whole(path, line, row, "repeat"))
        if key in seen:
            raise TableError(
                f"'{path.name}' line {line}: '{name}' index {key[1]} given again (line {seen[key]})",
                expected="each id and index once",
                action="give repeated placements their own observer or repeat",
            )
        seen[key] = line
        placements.setdefault(name, []).append(Placement(_point(path, line, row), key[1], key[2], key[3]))
    landmarks = []
    for name, (status, line) in statuses.items():
        try:
            landmarks.append(Landmark(name, status, tuple(placements.get(name, ()))))
        except LandmarkError as error:
            raise _at_line(path, line, error) from None
    return LandmarkSet(landmarks)


def read_structures(path: Path) -> tuple[Structure, ...]:
    """Structures table: ``id,index,x_mm,y_mm,z_mm,radius_mm`` and optional ``shape,confirmed_by,u_mm,status``.

    Parameters
    ----------
    path
        CSV file; the shape defaults by id.

    Returns
    -------
    tuple of Structure

    Raises
    ------
    TableError
        As `read_landmarks`; also a radius that is not above zero, two statuses or shapes for one structure, and a patch
        whose points lie on one line.
    """
    groups: dict[str, list[tuple[int, Row]]] = {}
    for line, row in table_lines(path, ("id", "index", "x_mm", "y_mm", "z_mm", "radius_mm")):
        try:
            structure_term(row["id"])
        except LandmarkError as error:
            raise _at_line(path, line, error) from None
        groups.setdefault(row["id"], []).append((line, row))
    return tuple(_structure(path, name, rows) for name, rows in groups.items())


def _same(path: Path, rows: list[tuple[int, Row]], column: str, default: str) -> str:
    first_line, first = rows[0]
    value = first.get(column, "") or default
    for line, row in rows[1:]:
        other = row.get(column, "") or default
        if other != value:
            raise TableError(
                f"'{path.name}' line {line}: {column} of '{first['id']}' is '{other}', at {first_line} '{value}'",
                expected=f"one {column} a structure",
            )
    return value


def _structure(path: Path, name: str, rows: list[tuple[int, Row]]) -> Structure:
    line = rows[0][0]
    status = _status(path, line, {"status": _same(path, rows, "status", "placed")})
    shape = _same(path, rows, "shape", structure_term(name).shape)
    confirmed = _same(path, rows, "confirmed_by", "")
    surface_u = _same(path, rows, "u_mm", "")
    u_mm = _number(path, line, {"u_mm": surface_u}, "u_mm") if surface_u else None
    points: dict[int, PointLps] = {}
    radii: dict[int, float | None] = {}
    if status in ("placed", "partial"):
        for at, row in rows:
            index = _whole(path, at, row, "index")
            if index in points:
                raise TableError(
                    f"'{path.name}' line {at}: '{name}' index {index} given again", expected="each index once"
                )
            points[index] = _point(path, at, row)
            radii[index] = _number(path, at, row, "radius_mm") if row.get("radius_mm") else None
    elif any(_has_coordinates(row) for _, row in rows):
        raise TableError(
            f"'{path.name}' line {line}: '{name}' is {status} and has coordinates", expected="empty coordinates"
        )
    order = sorted(points)
    common = (name, status, tuple(points[i] for i in order), u_mm, confirmed)
    try:
        if shape == "tube":
            return Tube(*common, radii_mm=tuple(radii[i] for i in order))
        if shape == "patch" or (shape == "ball" and len(order) > 1):
            patch = Patch(*common)
            _refuse_flat(path, line, patch)
            return patch
        if shape == "ball":
            return Ball(*common, radius_mm=radii[order[0]] if order else None)
    except LandmarkError as error:
        raise _at_line(path, line, error) from None
    raise TableError(f"'{path.name}' line {line}: shape is '{shape}'", expected="tube, patch or ball")


def _refuse_flat(path: Path, line: int, patch: Patch) -> None:
    """A patch whose points span no surface is refused here, where its file and line are known."""
    if patch.is_marked:
        try:
            triangulate_patch(patch.points_lps)
        except GeometryError as error:
            raise TableError(
                f"'{path.name}' line {line}: patch '{patch.id}': {error.found}",
                expected=error.expected,
                action=error.action or "mark points spread over its surface",
            ) from None


def read_sites(path: Path) -> tuple[SiteRequest, ...]:
    """Sites table: ``id,x_mm,y_mm,z_mm,dx,dy,dz``.

    Parameters
    ----------
    path
        CSV file: an entry point on or near the canal wall and a drill direction of any length.

    Returns
    -------
    tuple of SiteRequest
        With unit directions.

    Raises
    ------
    TableError
        As `read_landmarks`; also a zero direction and a site id given twice.
    """
    sites: dict[str, SiteRequest] = {}
    for line, row in table_lines(path, ("id", "x_mm", "y_mm", "z_mm", "dx", "dy", "dz")):
        name = row["id"]
        if not name or name in sites:
            raise TableError(
                f"'{path.name}' line {line}: site id '{name}' " + ("given again" if name else "is empty"),
                expected="an id of its own",
            )
        direction = np.array([_number(path, line, row, column) for column in ("dx", "dy", "dz")])
        length = float(np.linalg.norm(direction))
        if length == 0.0:
            raise TableError(
                f"'{path.name}' line {line}: drill direction of '{name}' is zero",
                expected="a direction into the bone",
                action="give dx,dy,dz",
            )
        x, y, z = (float(c) for c in direction / length)
        sites[name] = SiteRequest(name, _point(path, line, row), (x, y, z))
    return tuple(sites.values())
