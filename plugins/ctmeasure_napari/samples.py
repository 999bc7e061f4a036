"""The shipped synthetic scans as samples of the plain viewer, in millimetres."""

from __future__ import annotations

from typing import Any

from ctmeasure.app.opened import open_sample

from .greys import grey_windows
from .plain import volume_layer

LayerTuple = tuple[Any, dict[str, Any], str]


def sample_layers(name: str) -> list[LayerTuple]:
    """One shipped scan as a layer.

    Parameters
    ----------
    name
        Name of the sample.

    Returns
    -------
    list
        One image layer: values, keywords, type.

    Raises
    ------
    ctmeasure.errors.ScanError
        When no sample of that name is shipped.
    """
    case, volume = open_sample(name)
    title = f"{case.scan.pseudonym or name}, synthetic"
    return [volume_layer(volume, name=title, window=next(iter(grey_windows(volume).values())))]


def revision_ear() -> list[LayerTuple]:
    """The ear operated on before, for the toolkit's sample menu.

    Raises
    ------
    ctmeasure.errors.ScanError
        When the sample is not shipped with this installation.
    """
    return sample_layers("revision_ear")


def revision_ear_later() -> list[LayerTuple]:
    """The same ear some months later, for the toolkit's sample menu.

    Raises
    ------
    ctmeasure.errors.ScanError
        When the sample is not shipped with this installation.
    """
    return sample_layers("revision_ear_later")


def cone_beam_ear() -> list[LayerTuple]:
    """The cone-beam ear, for the toolkit's sample menu.

    Raises
    ------
    ctmeasure.errors.ScanError
        When the sample is not shipped with this installation.
    """
    return sample_layers("cone_beam_ear")
