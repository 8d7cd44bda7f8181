"""The writes and reads that would tell most of what is still possible.

A step is a few accesses that tell something whatever was done before: each reads only what it
wrote itself. So what a candidate makes of it is worked out once, and serves all the way.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from busdecode.access import Access, split_access
from busdecode.errors import RequestError
from busdecode.plan import VECTOR_SETS, backgrounds, legal_parts, open_window
from busdecode.predict import Foreteller

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from busdecode.plan import Window
    from busdecode.predict import FaultRows, Model
    from busdecode.protocol import Bus

__all__ = [
    "Outcomes",
    "Step",
    "entropy",
    "expected_gains",
    "next_steps",
    "reached_window",
    "steps_of",
]

_WORDS = ("true-complement", "walking-ones", "walking-zeros")


@dataclass(frozen=True)
class Step:
    """Accesses that tell something together: writes, then one read or more.

    Parameters
    ----------
    accesses : tuple of Access
        Reads have no data yet.
    purpose : str
    """

    accesses: tuple[Access, ...]
    purpose: str


def steps_of(window: Window, offset: int = 0) -> list[Step]:
    """Give the steps that can be made in a window, those that tell of data lines first.

    Addresses are those that software uses: `offset` less than the window's.

    Words written and read at once; words written over their complement; one word at each
    address that differs in one line from the first, with another word written to that in
    between; words at addresses that differ in half of the lines; parts of a word written into it.

    Examples
    --------
    >>> from busdecode.plan import open_window
    >>> from busdecode.protocol import load_bus
    >>> steps = steps_of(open_window(load_bus("z80"), 0x8000, 4))
    >>> len(steps), steps[0].purpose
    (36, '0xAA written and read')
    """
    return [
        Step(tuple(replace(a, address=a.address - offset) for a in step.accesses), step.purpose)
        for step in _steps(window)
    ]


def _steps(window: Window) -> Iterator[Step]:
    size, full = window.size, (1 << window.bits) - 1
    first = window.anchor
    words = dict.fromkeys(word for name in _WORDS for word in VECTOR_SETS[name](window.bits))

    def name(word: int) -> str:
        return f"0x{word:0{2 * size}X}"

    def write(address: int, word: int) -> Access:
        return Access("write", address, size, word)

    def read(address: int) -> Access:
        return Access("read", address, size, None)

    for word in words:
        yield Step((write(first, word), read(first)), f"{name(word)} written and read")
    for word in VECTOR_SETS["true-complement"](window.bits):
        yield Step(
            (write(first, word ^ full), write(first, word), read(first)),
            f"{name(word)} written over {name(word ^ full)}",
        )
    for line, address in window.address_lines.items():
        for word in (backgrounds(window.bits)[-1], full ^ backgrounds(window.bits)[-1]):
            yield Step(
                (write(first, word), write(address, word ^ full), read(first)),
                f"a write with {line} the other way, which must not reach the same word",
            )
        for word in (0, full):
            yield Step(
                (write(address, word), read(address)),
                f"{name(word)} written and read with {line} the other way",
            )
    for lines, address in _halves(window):
        for word in (0, full):
            yield Step(
                (write(address, word), read(address)),
                f"{name(word)} written and read with {lines} the other way",
            )
    yield from _parts(window)


def _halves(window: Window) -> Iterator[tuple[str, int]]:
    """Give addresses at which half of the lines differ from the first one, and how to say so.

    Each two lines differ in one of them at least: which line is at fault is found by halving.
    """
    lines, first = list(window.address_lines.items()), window.anchor
    for bit in range((len(lines) - 1).bit_length()):
        for half in (1, 0):
            some = [each for at, each in enumerate(lines) if at >> bit & 1 == half]
            address = first
            for _, alone in some:
                address ^= alone ^ first
            if len(some) > 1 and window.base <= address <= window.base + window.span - window.size:
                yield ", ".join(name for name, _ in some), address


def _parts(window: Window) -> Iterator[Step]:
    """Give the steps that write parts of a whole word of the bus."""
    bus, whole = window.bus, window.bus.word_bytes
    word = -(-window.base // whole) * whole
    if word + whole > window.base + window.span or whole not in (1, 2, 4, 8):
        return
    filled = sum(0x96 << 8 * at for at in range(whole))
    for size, offset in legal_parts(bus, is_natural=True):
        if size == whole:
            continue
        part = sum(0x69 << 8 * at for at in range(size))
        yield Step(
            (
                Access("write", word, whole, filled),
                Access("write", word + offset, size, part),
                Access("read", word, whole, None),
                Access("read", word + offset, size, None),
            ),
            f"a part of {size} bytes written at word + {offset}"
            if size > 1
            else f"a byte written at word + {offset}",
        )


def reached_window(bus: Bus, accesses: Sequence[Access], offset: int = 0) -> Window | None:
    """Give the window of the addresses that a log has written to; None where it tells none.

    `offset` is added to every address of the log.
    """
    written = [each for each in accesses if each.op == "write"]
    if not written:
        return None
    try:
        size = open_window(bus, 0, bus.word_bytes).size
        first = (min(each.address for each in written) + offset) // size * size
        last = max(each.address + each.size for each in written) + offset
        return open_window(bus, first, -(-(last - first) // size) * size)
    except RequestError:
        return None


@dataclass(frozen=True, eq=False)
class Outcomes:
    """What S steps return with F candidates.

    Parameters
    ----------
    steps : tuple of Step
    number : ndarray of int32, shape (S, F)
        Candidates with one number in a step return the same.
    unknown : ndarray of int64, shape (S, F)
        How many bits of what the step returns are not foretold.
    """

    steps: tuple[Step, ...]
    number: NDArray[np.int32]
    unknown: NDArray[np.int64]

    @property
    def is_told(self) -> NDArray[np.bool_]:
        """Whether all that a step returns is foretold, shape (S, F)."""
        is_told: NDArray[np.bool_] = self.unknown == 0
        return is_told

    @classmethod
    def of(
        cls,
        model: Model,
        steps: Sequence[Step],
        faults: FaultRows,
        offset: int = 0,
        begin: Callable[[int], None] = lambda at: None,
    ) -> Outcomes:
        """Work out every step for every candidate; `begin` is told which step is at hand."""
        number = np.zeros((len(steps), len(faults)), dtype=np.int32)
        unknown = np.zeros((len(steps), len(faults)), dtype=np.int64)
        for at, step in enumerate(steps):
            begin(at)
            transfers = [
                transfer
                for access in step.accesses
                for transfer, _, _ in split_access(
                    model.bus,
                    replace(access, address=access.address + offset),
                )
            ]
            foreteller = Foreteller(model, transfers)
            found = foreteller.all(faults)
            rows = np.concatenate([found.words, found.known], axis=1)
            _, number[at] = np.unique(rows, axis=0, return_inverse=True)
            unknown[at] = np.bitwise_count(foreteller.moved & ~found.known).sum(axis=1)
        return cls(tuple(steps), number, unknown)

    def alike(self) -> NDArray[np.int64]:
        """Give one number to candidates that no step can tell apart."""
        _, number = np.unique(self.number.T, axis=0, return_inverse=True)
        return number

    def gains(self, share: NDArray[np.float64]) -> NDArray[np.float64]:
        """Give the information that each step is expected to bring, shape (S,), bits.

        Parameters
        ----------
        share : ndarray of float64, shape (F,)
            How likely each candidate is; together 1.

        Notes
        -----
        The entropy of what the step may return, as far as it is foretold. Candidates that leave
        u bits open return what others foretell with a chance of one in 2^u, and else something
        that none does: by that they are told from the others, not from each other.
        """
        return expected_gains(self.number, self.unknown, share)


def expected_gains(
    number: NDArray[np.int32], unknown: NDArray[np.int64], share: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Give the information that each of S looks is expected to bring, shape (S,), bits.

    Parameters
    ----------
    number : ndarray of int32, shape (S, F)
        Candidates with one number in a look foretell the same.
    unknown : ndarray of int64, shape (S, F)
        How many bits they leave open.
    share : ndarray of float64, shape (F,)
        How likely each candidate is; together 1.
    """
    gains = np.zeros(len(number))
    for at in range(len(number)):
        is_told = unknown[at] == 0
        told = np.where(is_told, share, 0.0)
        total = told.sum()
        if total <= 0:
            continue
        parts = np.bincount(number[at], weights=told)
        parts = parts[parts > 0] / total
        gains[at] = -total * float((parts * np.log2(parts)).sum())
        rest = share[~is_told]
        alike = np.exp2(-unknown[at][~is_told])
        apart = float((rest * (1 - alike)).sum())
        gains[at] += float(entropy(np.array(apart)) - (rest * entropy(alike)).sum())
    return np.maximum(gains, 0.0)


def entropy(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Give the entropy of one of two things, bits, by how likely the one is.

    Examples
    --------
    >>> entropy(np.array([0.5, 0.25, 0.0])).round(4).tolist()
    [1.0, 0.8113, 0.0]
    """
    sure = np.clip(share, 1e-300, 1.0)
    other = np.clip(1.0 - share, 1e-300, 1.0)
    bits: NDArray[np.float64] = -sure * np.log2(sure) - other * np.log2(other)
    return bits


def next_steps(
    outcomes: Outcomes, share: NDArray[np.float64], most: int = 5
) -> list[tuple[Step, float]]:
    """Give the steps that tell most, best first, each with its expected gain in bits.

    Of equals the one of fewer accesses, then the one that comes first.
    """
    gains = outcomes.gains(share).round(6)
    order = sorted(
        range(len(gains)), key=lambda at: (-gains[at], len(outcomes.steps[at].accesses), at)
    )
    return [(outcomes.steps[at], float(gains[at])) for at in order[:most] if gains[at] > 0]
