"""How fast lines are held against each other, all pairs of them, and in what memory.

Random levels of 128 lines in 10 million rows, with pairs planted that are tied, that imply each
other, and that differ in a few rows only; all of them must be told, and no others. Prints for
both ways, compiled and plain, seconds, rows a second, the most memory held, and by how much that
grows from 1 million rows to 10 million; and the ratio to a named reference measured in the same
run, with the same result: numpy's product of the matrix of unpacked levels with itself, block by
block, which counts in how many rows two lines are both high.

Each way runs in a process of its own, so that the memory of one is not laid to another.
Run: ``python benchmarks/line_pairs.py [ROWS]``.
"""

from __future__ import annotations

import multiprocessing
import os
import resource
import sys
from time import perf_counter
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy as np
    from numpy.typing import NDArray

    Ints = NDArray[np.int64]
    Words = NDArray[np.uint64]

CHUNK = 1 << 18
"""Rows made at once, as a capture file comes in chunks."""
LINES = 128
PLANTED = {"tied": (3, 77), "low follows": (5, 90), "opposed": (8, 9), "rarely differs": (20, 64)}
RARELY = 100_003
"""In one of so many rows the last pair differs."""


def chunks(rows: int) -> Iterator[Words]:
    """Make the rows, chunk by chunk, with what is planted."""
    import numpy as np

    random = np.random.default_rng(1)
    one = np.uint64(1)

    def level(words: Words, line: int) -> Words:
        bits: Words = (words[:, line // 64] >> np.uint64(line % 64)) & one
        return bits

    def put(words: Words, line: int, levels: Words) -> None:
        words[:, line // 64] &= ~(one << np.uint64(line % 64))
        words[:, line // 64] |= levels << np.uint64(line % 64)

    (tied, other), (above, below), (against, opposed), (rare, rarely) = PLANTED.values()
    for first in range(0, rows, CHUNK):
        count = min(CHUNK, rows - first)
        words = random.integers(0, 2**64, (count, LINES // 64), dtype=np.uint64)
        put(words, other, level(words, tied))
        put(words, below, level(words, below) & level(words, above))
        put(words, opposed, one - level(words, against))
        is_rare = np.arange(first, first + count) % RARELY == 0
        put(words, rarely, level(words, rare) ^ is_rare.astype(np.uint64))
        yield words


def by_pairs(rows: int) -> tuple[float, Ints]:
    """Count by `Pairs`; the making of the rows is not timed."""
    from busdecode.compare.pairs import Pairs

    pairs = Pairs(LINES)
    took = 0.0
    for chunk in chunks(rows):
        start = perf_counter()
        pairs.feed(chunk, None)
        took += perf_counter() - start
    told = {
        "tied": pairs.equal(),
        "low follows": pairs.follows(0, 0),
        "opposed": pairs.follows(0, 1),
        "rarely differs": pairs.differing() == -(-rows // RARELY),
    }
    for what, pair in PLANTED.items():
        found = {(a, b) for a, b in zip(*told[what].nonzero(), strict=True) if a < b}
        # Of lines that are tied each is low where the other is.
        assert found == {pair} | ({PLANTED["tied"]} if what == "low follows" else set()), what
    return took, pairs.counts(1, 1)


def by_product(rows: int) -> tuple[float, Ints]:
    """Count by products of matrices; float32 holds the counts of a block exactly."""
    import numpy as np

    counts = np.zeros((LINES, LINES), dtype=np.int64)
    took = 0.0
    for chunk in chunks(rows):
        start = perf_counter()
        for first in range(0, len(chunk), 1 << 14):
            octets = chunk[first : first + (1 << 14)].astype("<u8", copy=False).view(np.uint8)
            bits = np.unpackbits(octets, axis=1, bitorder="little").astype(np.float32)
            counts += (bits.T @ bits).astype(np.int64)
        took += perf_counter() - start
    return took, counts


def measured(way: str, rows: int) -> tuple[float, float, Ints]:
    """Give seconds, the most memory held in MB, and the counts of one way."""
    from busdecode.capture import SWITCH

    os.environ[SWITCH] = "0" if way == "compiled" else "1"
    count = by_product if way == "matrix product" else by_pairs
    count(2 * CHUNK)
    took, counts = count(rows)
    return took, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, counts


def main() -> None:
    """Measure both ways and the reference at a tenth of the rows, and at all."""
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    # One core, before numpy comes in.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
    fresh = multiprocessing.get_context("spawn")
    results = {}
    for way in ("matrix product", "compiled", "plain"):
        for size in (rows // 10, rows):
            with fresh.Pool(1) as pool:
                results[way, size] = pool.apply(measured, (way, size))
    reference = results["matrix product", rows]
    print(f"{LINES} lines, {LINES * (LINES - 1) // 2:,} pairs, {rows:,} rows, one core")
    print(f"{'way':16}{'seconds':>9}{'rows/s':>14}{'memory':>10}{'growth':>10}{'x product':>11}")
    for way in ("matrix product", "compiled", "plain"):
        took, memory, counts = results[way, rows]
        assert (counts == reference[2]).all(), way
        grown = memory - results[way, rows // 10][1]
        ratio = took / reference[0]
        print(
            f"{way:16}{took:>9.2f}{rows / took:>14,.0f}{memory:>7.0f} MB{grown:>7.1f} MB"
            f"{ratio:>11.2f}"
        )


if __name__ == "__main__":
    main()
