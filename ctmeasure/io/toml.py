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
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise SettingsError(f"no file '{path.name}'", expected=f"{what} in TOML", action="check the path") from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"'{path.name}' cannot be read ({error})", expected=f"{what} in TOML, UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"'{path.name}' is not TOML: {error}", expected=f"{what} in TOML") from None
