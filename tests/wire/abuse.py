"""Ways to try a decoder: examples that repeat, every cut and every flipped bit of a good message, and noise."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

from hypothesis import settings

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

# The same examples at each run: a suite that fails now and then is one that nobody believes.
repeatable = settings(max_examples=150, derandomize=True)


def spoilt(samples: Iterable[bytes]) -> Iterator[bytes]:
    """Give every truncation and every flip of one bit of each sample."""
    for sample in samples:
        for end in range(len(sample)):
            yield sample[:end]
        for at, octet in enumerate(sample):
            for bit in range(8):
                yield sample[:at] + bytes([octet ^ 1 << bit]) + sample[at + 1 :]


def noise(count: int, head: bytes = b"", longest: int = 400) -> Iterator[bytes]:
    """Give random octets, the same ones each time, behind a head that gets them past the first checks."""
    chance = random.Random(826)
    for _ in range(count):
        yield head + chance.randbytes(chance.randrange(longest))
