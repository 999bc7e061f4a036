"""Catalogues of sizes: read several, check one, make one from a CSV table."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from ctmeasure.errors import OutputError
from ctmeasure.planning.lengths.catalogue import Catalogue, Implant


def read_catalogue(path: Path) -> Catalogue:
    """One catalogue from TOML, or from CSV when its name ends so.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    Catalogue

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        The first thing that is wrong, with its line.
    """
    from ctmeasure.io.toml import read_text
    from ctmeasure.planning.lengths.catalogue_csv import catalogue_from_csv
    from ctmeasure.planning.lengths.catalogue_toml import catalogue_from_toml

    text = read_text(path, "a catalogue of sizes")
    if path.suffix.lower() == ".csv":
        return catalogue_from_csv(text, name=path.stem, file=path.name)
    return catalogue_from_toml(text, file=path.name)


def read_catalogues(paths: Sequence[Path]) -> tuple[Catalogue, ...]:
    """Several catalogues, in the order given.

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        As `read_catalogue`, or when two have one name.
    """
    from ctmeasure.planning.lengths.catalogue_toml import refuse_same_catalogues

    found = tuple(read_catalogue(path) for path in paths)
    refuse_same_catalogues(found)
    return found


def run_import(table: Path, *, out: Path, name: str = "") -> Catalogue:
    """Make a catalogue in TOML from a CSV table.

    Parameters
    ----------
    table
        CSV with one line a size.
    out
        Where the TOML goes; an existing file is never overwritten.
    name
        Name of the catalogue; the table's file name when empty.

    Returns
    -------
    Catalogue

    Raises
    ------
    ctmeasure.errors.CtmeasureError
        When the table is wrong, with its line; when the file exists or cannot be written.
    """
    from ctmeasure.io.toml import read_text
    from ctmeasure.planning.lengths.catalogue_csv import catalogue_from_csv
    from ctmeasure.planning.lengths.catalogue_toml import catalogue_to_toml

    text = read_text(table, "a CSV table of sizes")
    found = catalogue_from_csv(text, name=name or table.stem, file=table.name)
    try:
        with out.open("x", encoding="utf-8", newline="\n") as file:
            file.write(catalogue_to_toml(found))
    except FileExistsError:
        raise OutputError(f"'{out.name}' exists", expected="a new file", action="choose another --out") from None
    except OSError as error:
        raise OutputError(
            f"'{out}' cannot be written ({error.strerror})", expected="a folder you may write to"
        ) from None
    return found


def catalogue_as_text(catalogue: Catalogue) -> str:
    """A catalogue as lines for people: one a row, then what was noticed."""
    lines = [f"{catalogue.name}: {len(catalogue.implants)} rows"]
    lines += [f"  {_row_words(implant)}" for implant in catalogue.implants]
    lines += [f"  noticed: {words}" for words in catalogue.warnings]
    return "\n".join(lines)


def _row_words(implant: Implant) -> str:
    labels = implant.labels_mm
    span = f"{labels[0]:g}" if len(labels) == 1 else f"{labels[0]:g} to {labels[-1]:g}, {len(labels)} sizes"
    name = f" '{implant.name}'" if implant.name else ""
    return f"{implant.reconstruction}{name}: {span}; {implant.conversion or 'label does not convert: gives no size'}"


def catalogue_as_json(catalogue: Catalogue) -> str:
    """A catalogue as one JSON object."""
    return json.dumps(asdict(catalogue), ensure_ascii=False, allow_nan=False)
