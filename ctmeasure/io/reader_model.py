"""Read and write a reader's measured placement doubt (JSON)."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from ctmeasure.errors import CtmeasureError, OutputError, SettingsError
from ctmeasure.planning.reader_model import ReaderModel

FORMAT = "ctmeasure reader model"


def write_new(path: Path, text: str) -> None:
    """Write a text file that is not there yet.

    Raises
    ------
    OutputError
        When it is there already or cannot be written.
    """
    try:
        with path.open("x", encoding="utf-8") as stream:
            stream.write(text)
    except FileExistsError:
        raise OutputError(f"'{path}' exists", expected="a new file", action="choose another --out") from None
    except OSError as error:
        raise OutputError(f"'{path}' cannot be written ({error.strerror})", expected="a place to write") from None


def write_reader_model(model: ReaderModel, path: Path) -> None:
    """Write a reader model; an existing file is never replaced.

    Raises
    ------
    OutputError
        As `write_new`.
    """
    write_new(
        path, json.dumps({"format": FORMAT, "version": 1, "model": asdict(model)}, indent=1, sort_keys=True) + "\n"
    )


def read_reader_model(path: Path) -> ReaderModel:
    """Read a reader model.

    Raises
    ------
    SettingsError
        When it is missing, damaged, or rests on too few placements.
    """
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        raise SettingsError(f"no reader model at '{path.name}'", expected="a file of practice export") from None
    if not isinstance(data, dict) or data.get("format") != FORMAT or data.get("version") != 1:
        raise SettingsError(f"'{path.name}' is no reader model", expected=f"format '{FORMAT}', version 1")
    try:
        return TypeAdapter(ReaderModel).validate_python(data.get("model"))
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise SettingsError(f"'{path.name}': {where}: {first['msg']}", action="export it again") from None
    except CtmeasureError as error:
        raise SettingsError(f"'{path.name}': {error}") from None
