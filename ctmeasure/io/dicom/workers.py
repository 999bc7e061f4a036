"""Helper processes for slow decoders: as many as there are cores, started only when they are worth their start.

For what `ctmeasure.io.dicom.unlocked` cannot decode in threads: members of a ZIP, files of many frames, odd rescales.
"""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydicom.uid import (
    HTJ2K,
    JPEG2000,
    UID,
    HTJ2KLossless,
    HTJ2KLosslessRPCL,
    JPEG2000Lossless,
    JPEGExtended12Bit,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    JPEGLSNearLossless,
)

from ctmeasure.io.dicom import decode_worker

MS_PER_MEGAPIXEL: dict[UID, float] = {
    JPEGLossless: 40.0,
    JPEGLosslessSV1: 40.0,
    JPEGExtended12Bit: 40.0,
    JPEGLSLossless: 45.0,
    JPEGLSNearLossless: 45.0,
    JPEG2000Lossless: 160.0,
    JPEG2000: 160.0,
    HTJ2KLossless: 60.0,
    HTJ2KLosslessRPCL: 60.0,
    HTJ2K: 60.0,
}
"""What a decoder takes, roughly, as measured by tests/bench/bench_decode.py; syntaxes not named are quick."""

WORTH_S = 1.5
"""Decoding that takes less than this in one process is done there: starting helpers takes about half a second."""


class DecoderCrashedError(Exception):
    """A helper process ended in the middle of a frame."""


class _Helper:
    """One process and its pipes."""

    def __init__(self) -> None:
        # By path and with -P: neither this package nor the folder of the caller's script is on its import path.
        self._process = subprocess.Popen(
            [sys.executable, "-P", str(Path(decode_worker.__file__))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        self._ready: bool | None = None

    def decode(self, options: dict[str, Any], data: bytes) -> NDArray[Any] | None:
        """Decode there; None when the process could not even start."""
        jobs, answers = self._process.stdin, self._process.stdout
        assert jobs is not None
        assert answers is not None
        if self._ready is None:
            self._ready = answers.readline() == decode_worker.READY
        if not self._ready:
            return None
        try:
            jobs.write(json.dumps({**options, "bytes": len(data)}).encode() + b"\n")
            jobs.write(data)
            jobs.flush()
            said = json.loads(answers.readline() or b"null")
        except (OSError, ValueError) as error:
            raise DecoderCrashedError from error
        if said is None:
            raise DecoderCrashedError
        if "error" in said:
            raise ValueError(said["error"])
        array = np.empty(said["shape"], np.dtype(said["dtype"]))
        if answers.readinto(array.data.cast("B")) != array.nbytes:  # type: ignore[attr-defined]
            raise DecoderCrashedError
        return array

    def close(self) -> None:
        """End the process; it holds nothing that could be lost."""
        self._process.kill()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                with suppress(OSError):
                    stream.close()
        self._process.wait()


class Decoders:
    """Where frames are decoded: in helper processes when there are any, else here."""

    def __init__(self, count: int) -> None:
        self._idle: queue.SimpleQueue[_Helper | None] = queue.SimpleQueue()
        self._all: list[_Helper] = []
        self._lock = threading.Lock()
        for _ in range(count):
            try:
                helper = _Helper()
            except OSError:
                break
            self._all.append(helper)
            self._idle.put(helper)
        self.count = len(self._all)

    def decode(self, options: dict[str, Any], data: bytes) -> NDArray[Any]:
        """Decode one frame; called from several threads.

        Parameters
        ----------
        options, data
            As `decode_worker.decoded` takes them.

        Returns
        -------
        numpy.ndarray
            Stored values.

        Raises
        ------
        Exception
            Whatever the decoder raises; `DecoderCrashedError` when its process ended.
        """
        if not self._all:
            return decode_worker.decoded(options, data)
        helper = self._idle.get()
        try:
            array = helper.decode(options, data) if helper is not None else None
        except DecoderCrashedError:
            helper = None
            raise
        finally:
            self._idle.put(helper)
        return decode_worker.decoded(options, data) if array is None else array

    def close(self) -> None:
        """End all helpers."""
        for helper in self._all:
            helper.close()


@contextmanager
def decoders_for(syntax: str, *, frames: int, pixels: int) -> Iterator[Decoders]:
    """Give decoders for a series, with helper processes when it will take long.

    Parameters
    ----------
    syntax
        Transfer syntax of its slices.
    frames, pixels
        Number of slices, and pixels in each.

    Yields
    ------
    Decoders
        Ended with the block.

    Raises
    ------
    ValueError
        Never.
    """
    seconds = MS_PER_MEGAPIXEL.get(UID(syntax), 0.0) * frames * pixels / 1e9
    cores = os.cpu_count() or 1
    helpers = cores if seconds > WORTH_S and cores > 1 and sys.executable and not getattr(sys, "frozen", False) else 0
    decoders = Decoders(min(helpers, frames))
    try:
        yield decoders
    finally:
        decoders.close()
