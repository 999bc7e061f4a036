"""Published numbers as rows: a test with an argument `row_NAME` runs once per row of rows/NAME.csv.

Every row needs a `source`; a cell of one number becomes a float, of several numbers an array, anything else stays text.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

ROWS = Path(__file__).parent / "rows"


def _cell(text: str) -> object:
    parts = text.split()
    try:
        numbers = [float(part) for part in parts]
    except ValueError:
        return text.strip()
    if not numbers:
        return ""
    return numbers[0] if len(numbers) == 1 else np.array(numbers)


def _read(name: str) -> list[dict[str, object]]:
    with (ROWS / f"{name}.csv").open(newline="", encoding="utf-8") as file:
        rows = [{key: _cell(value or "") for key, value in row.items()} for row in csv.DictReader(file)]
    assert rows, f"rows/{name}.csv holds no row"
    for row in rows:
        assert row.get("source"), f"rows/{name}.csv, row {row.get('id')}: no source"
    return rows


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    for argument in metafunc.fixturenames:
        if argument.startswith("row_"):
            rows = _read(argument.removeprefix("row_"))
            metafunc.parametrize(argument, rows, ids=[str(row["id"]) for row in rows])
