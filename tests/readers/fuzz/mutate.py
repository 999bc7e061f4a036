"""A small fuzzer of our own, for machines without a coverage-guided one: mutations of seeds, led by new outcomes."""

from __future__ import annotations

import random
import struct
import time
from collections.abc import Callable

NUMBERS = (0, 1, 2, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)
WORDS = (b"nan", b"inf", b"-1", b"0", b"1e300", b"\\", b"PK\x03\x04", b"DICM", b"\xfe\xff\x00\xe0", b"\xfe\xff\xdd\xe0")


def mutated(data: bytes, pool: list[bytes], dice: random.Random) -> bytes:
    """Change an input in one to four ways."""
    out = bytearray(data)
    for _ in range(dice.randint(1, 4)):
        at = dice.randrange(1, len(out)) if len(out) > 1 else 0
        span = min(dice.choice((1, 2, 4, 16, 100)), len(out) - at)
        match dice.randrange(8):
            case 0 | 1:
                out[at : at + 1] = bytes([(out[at] if at < len(out) else 0) ^ (1 << dice.randrange(8))])
            case 2:
                del out[at : at + span]
            case 3:
                out[at:at] = out[at : at + span]
            case 4:
                out[at : at + span] = dice.randbytes(span)
            case 5:
                code = dice.choice("BHI")
                value = dice.choice(NUMBERS) & (256 ** struct.calcsize(code) - 1)
                out[at : at + struct.calcsize(code)] = struct.pack(f"<{code}", value)
            case 6:
                word = dice.choice(WORDS)
                out[at : at + len(word)] = word
            case 7:
                other = dice.choice(pool)
                start = dice.randrange(len(other))
                out[at:] = other[start:]
    return bytes(out[: 2**16]) or b"\0"


def fuzz(
    target: Callable[[bytes], str], seeds: list[bytes], *, seconds: float, seed: int, failed: Callable[..., None]
) -> tuple[int, int]:
    """Run until the time is over; an input with an outcome not seen before joins the pool.

    Returns
    -------
    tuple of int
        Inputs tried, and different outcomes seen.
    """
    dice = random.Random(seed)
    pool, seen, tried = list(seeds), set(), 0
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        data = pool[tried] if tried < len(seeds) else mutated(dice.choice(pool), pool, dice)
        tried += 1
        try:
            outcome = target(data)
        except Exception as error:
            failed(data, error)
            continue
        if outcome not in seen:
            seen.add(outcome)
            if tried > len(seeds):
                pool.append(data)
    return tried, len(seen)
