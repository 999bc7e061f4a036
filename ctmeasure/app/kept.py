"""`cache`: whether decoded scans are kept for the next time, and what is kept."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from ctmeasure.errors import SettingsError

if TYPE_CHECKING:
    from ctmeasure.io.dicom.cache import CacheState

ACTIONS = ("show", "on", "purge", "off")
"""What can be asked: look, begin to keep, delete what is kept, delete it and keep no more."""


def run_cache(action: str) -> CacheState:
    """Do one of `ACTIONS`.

    Parameters
    ----------
    action
        Which.

    Returns
    -------
    CacheState
        What there is afterwards.

    Raises
    ------
    SettingsError
        When the word is none of them.
    ctmeasure.errors.OutputError
        When the folder cannot be made, or something could not be deleted.
    """
    from ctmeasure.io.dicom import cache

    if action not in ACTIONS:
        raise SettingsError(f"'{action}'", expected=f"one of {', '.join(ACTIONS)}")
    if action == "on":
        cache.switch_on()
    elif action != "show":
        return cache.purge(switch_off=action == "off")
    return cache.state()


def cache_as_text(state: CacheState) -> str:
    """The state in words.

    Raises
    ------
    Nothing.
    """
    held = f"{state.volumes} scan(s), {state.size_bytes / 2**20:.0f} MiB, in {state.folder}"
    if state.on:
        return f"cache on: {held}\nvoxels are patient data: 'ctmeasure cache purge' deletes them"
    return f"cache off: nothing is kept ({held})" if state.volumes else "cache off: nothing is kept"


def cache_as_json(state: CacheState) -> str:
    """The state as one JSON object.

    Raises
    ------
    Nothing.
    """
    content = {
        "on": state.on,
        "folder": str(state.folder),
        "volumes": state.volumes,
        "size_bytes": state.size_bytes,
    }
    return json.dumps(content, ensure_ascii=False, allow_nan=False)
