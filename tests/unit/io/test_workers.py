"""Decoding in helper processes: the same voxels, and a crash is an error, not an end."""

from __future__ import annotations

import io
import json
import os
import signal

import numpy as np
import pytest
from pydicom.encaps import encapsulate
from pydicom.pixels import get_encoder
from pydicom.uid import JPEG2000Lossless, JPEGLSLossless

from ctmeasure.io.dicom import decode_worker
from ctmeasure.io.dicom.workers import MS_PER_MEGAPIXEL, DecoderCrashedError, Decoders, decoders_for

STORED = np.random.default_rng(2).integers(-1000, 2000, (64, 48)).astype(np.int16)
PIXELS = {
    "rows": 64,
    "columns": 48,
    "samples_per_pixel": 1,
    "photometric_interpretation": "MONOCHROME2",
    "bits_allocated": 16,
    "bits_stored": 16,
    "pixel_representation": 1,
}


def job(syntax, plugin=""):
    frame = get_encoder(syntax).encode(STORED, **PIXELS, number_of_frames=1)
    more = {"number_of_frames": 1, "pixel_keyword": "PixelData"}
    return {"syntax": syntax, "plugin": plugin, "index": 0, "pixels": {**PIXELS, **more}}, encapsulate([frame])


@pytest.mark.parametrize("syntax", [JPEGLSLossless, JPEG2000Lossless])
@pytest.mark.parametrize("count", [0, 2])
def test_same_voxels_here_and_there(syntax, count):
    decoders = Decoders(count)
    try:
        assert decoders.count == count
        for _ in range(3):
            np.testing.assert_array_equal(decoders.decode(*job(syntax)), STORED)
    finally:
        decoders.close()


@pytest.mark.parametrize("count", [0, 1])
def test_damage_is_told_in_words(count):
    decoders = Decoders(count)
    options, data = job(JPEGLSLossless)
    try:
        with pytest.raises(Exception, match=r"\w"):
            decoders.decode(options, data[: len(data) // 2])
        np.testing.assert_array_equal(decoders.decode(options, data), STORED)
    finally:
        decoders.close()


def test_a_crash_in_the_decoder_is_an_error():
    decoders = Decoders(1)
    try:
        np.testing.assert_array_equal(decoders.decode(*job(JPEGLSLossless)), STORED)
        os.kill(decoders._all[0]._process.pid, signal.SIGTERM)
        with pytest.raises(DecoderCrashedError):
            decoders.decode(*job(JPEGLSLossless))
        # The next frame is decoded here.
        np.testing.assert_array_equal(decoders.decode(*job(JPEGLSLossless)), STORED)
    finally:
        decoders.close()


def test_helpers_end_with_the_block():
    with decoders_for(JPEG2000Lossless, frames=400, pixels=512 * 512) as decoders:
        processes = [helper._process for helper in decoders._all]
        assert len(processes) == (os.cpu_count() if (os.cpu_count() or 1) > 1 else 0)
    assert all(process.poll() is not None for process in processes)


@pytest.mark.parametrize(("syntax", "frames"), [("1.2.840.10008.1.2.1", 4000), (JPEGLSLossless, 20)])
def test_no_helpers_where_they_are_not_worth_their_start(syntax, frames):
    with decoders_for(syntax, frames=frames, pixels=512 * 512) as decoders:
        assert decoders.count == 0


def test_the_protocol_by_hand():
    options, data = job(JPEGLSLossless)

    line = json.dumps({**options, "bytes": len(data)}).encode() + b"\n"
    answers = io.BytesIO()
    decode_worker.serve(io.BytesIO(line + data), answers)
    answers.seek(0)
    assert answers.readline() == decode_worker.READY
    said = json.loads(answers.readline())
    np.testing.assert_array_equal(np.frombuffer(answers.read(), said["dtype"]).reshape(said["shape"]), STORED)


def test_every_slow_syntax_has_a_decoder_on_a_plain_install():
    from pydicom.pixels import get_decoder
    from pydicom.uid import JPEGBaseline8Bit, RLELossless

    for syntax in (*MS_PER_MEGAPIXEL, RLELossless, JPEGBaseline8Bit):
        assert get_decoder(syntax).is_available, syntax.name
