"""Read the TOML inputs: facts, settings, catalogue. A damaged file is named with its line."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from ctmeasure.errors import SettingsError


def read_toml(path: Path, what: str) -> dict[str, Any]:
    """Parse one TOML file.

    Parameters
    ----------
    path
        The file.
    what
        What it holds, for the message: "facts", "settings", "catalogue".

    Returns
    -------
    dict

    Raises
    ------
    SettingsError
        When the file is missing, unreadable or not TOML.
    """
    try:
        return tomllib.loads(read_text(path, f"{what} in TOML"))
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"'{path.name}' is not TOML: {error}", expected=f"{what} in TOML") from None


def read_text(path: Path, expected: str) -> str:
    """The text of an input file in UTF-8.

    Parameters
    ----------
    path
        The file.
    expected
        What it should hold, for the message.

    Returns
    -------
    str

    Raises
    ------
    SettingsError
        When the file is missing or unreadable.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise SettingsError(f"no file '{path.name}'", expected=expected, action="check the path") from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"'{path.name}' cannot be read ({error})", expected=f"{expected}, UTF-8") from None
