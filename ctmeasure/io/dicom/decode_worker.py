"""A helper process that decodes frames: started by path, speaks over its pipes, keeps and writes nothing.

None of pydicom's decoders lets go of the interpreter lock, so threads do not help and processes do. A job
is a line of JSON (the options of pydicom's decoder, and the number of bytes) and the encoded bytes; the answer is a
line of JSON (the shape and type, or the error) and the decoded bytes. A decoder that crashes takes only this process
with it.
"""

import json
import sys
import warnings
from typing import Any, BinaryIO

READY = b"ready\n"
"""Said once when the decoders are loaded."""


PANIC = "PanicException"
"""What a decoder written in Rust raises when it meets bytes it did not expect."""


def decoded(options: dict[str, Any], data: bytes) -> Any:
    """Decode one frame of encapsulated pixel data.

    Parameters
    ----------
    options
        ``syntax``, ``plugin``, ``index``, and under ``pixels`` what pydicom's decoder must know of the image.
    data
        The value of Pixel Data, item tags included (PS3.5 A.4).

    Returns
    -------
    numpy.ndarray
        Stored values, as the decoder gives them.

    Raises
    ------
    Exception
        Whatever a decoder raises on damaged bytes.
    """
    from pydicom.pixels import get_decoder
    from pydicom.uid import UID

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        decoder = get_decoder(UID(options["syntax"]))
        try:
            return decoder.as_array(
                data, index=options["index"], raw=True, decoding_plugin=options["plugin"], **options["pixels"]
            )[0]
        except BaseException as error:
            # A panic of a compiled decoder is no Exception to Python, yet only says that the bytes are damaged.
            if type(error).__name__ == PANIC:
                raise ValueError(f"the decoder gave up: {error}") from None
            raise


def serve(jobs: BinaryIO, answers: BinaryIO) -> None:
    """Answer jobs until the other end closes.

    Parameters
    ----------
    jobs, answers
        Binary streams.

    Raises
    ------
    OSError
        When the other end is gone.
    """
    import numpy  # noqa: F401  (loaded before READY is said)
    import pydicom.pixels  # noqa: F401

    answers.write(READY)
    answers.flush()
    while line := jobs.readline():
        options = json.loads(line)
        data = jobs.read(options["bytes"])
        try:
            array = decoded(options, data)
            said, body = {"shape": array.shape, "dtype": array.dtype.str}, array.tobytes()
        except Exception as error:  # told to the other side, which names the slice
            text = str(error).splitlines()
            said, body = {"error": text[0] if text else type(error).__name__}, b""
        answers.write(json.dumps(said).encode() + b"\n")
        answers.write(body)
        answers.flush()


if __name__ == "__main__":
    serve(sys.stdin.buffer, sys.stdout.buffer)
