"""The addresses that a plan may use, and which lines of the bus they reach."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from busdecode.access import Access, kind_of, split_access
from busdecode.errors import RequestError

if TYPE_CHECKING:
    from busdecode.access import Transfer
    from busdecode.protocol import Bus

__all__ = ["Window", "open_window"]

_SIZES = (1, 2, 4, 8)


@dataclass(frozen=True)
class Window:
    """A span of byte addresses, and the size with which it is accessed.

    Parameters
    ----------
    bus : Bus
    base, span : int
        First byte address, and bytes; both are multiples of `size`.
    size : int
        Bytes of an access; one cycle moves it.
    """

    bus: Bus
    base: int
    span: int
    size: int

    @property
    def words(self) -> int:
        """How many accesses of the size the window has room for."""
        return self.span // self.size

    @property
    def bits(self) -> int:
        """Data bits of an access."""
        return 8 * self.size

    def transfer(self, access: Access) -> Transfer:
        """Give the one beat that an access takes."""
        return split_access(self.bus, access)[0][0]

    @cached_property
    def data_lines(self) -> tuple[str, ...]:
        """The line of each bit of an access at `base`, least significant first."""
        names = self.bus.data[::-1]
        return tuple(
            names[
                (
                    self.transfer(Access("write", self.base, self.size, 1 << bit)).data or 0
                ).bit_length()
                - 1
            ]
            for bit in range(self.bits)
        )

    @cached_property
    def anchor(self) -> int:
        """The address from which most address lines can be changed alone: the first of these."""
        last = self.base + self.span - self.size
        most = self.base
        for bit in range(self.bus.address_width):
            rounded = -(-self.base >> bit) << bit
            if rounded <= last:
                most = rounded
        return max(self.base, most, key=lambda address: (len(self._alone(address)), -address))

    def _alone(self, address: int) -> dict[str, int]:
        lines = sorted(zip(self.bus.address_bits, self.bus.address, strict=True))
        return {
            line: address ^ 1 << bit
            for bit, line in lines
            if 1 << bit >= self.size and self.base <= address ^ 1 << bit < self.base + self.span
        }

    @cached_property
    def address_lines(self) -> dict[str, int]:
        """The lines that can be changed alone, lowest first, and the address where each is."""
        return self._alone(self.anchor)

    @property
    def lines_outside(self) -> tuple[str, ...]:
        """The address lines that cannot be changed alone inside the span."""
        return tuple(
            line
            for bit, line in sorted(zip(self.bus.address_bits, self.bus.address, strict=True))
            if line not in self.address_lines and 1 << bit >= self.size
        )


def open_window(bus: Bus, base: int, span: int, size: int | None = None) -> Window:
    """Make a window, if the bus can keep words there.

    Parameters
    ----------
    bus : Bus
    base, span : int
        First byte address, and bytes.
    size : int, optional
        Bytes of an access; without it, the most that one cycle moves.

    Raises
    ------
    RequestError
        If the bus has no addresses, or no read that returns what was written; if the window
        does not lie in the bus's addresses, or is no whole number of accesses.

    Examples
    --------
    >>> from busdecode.protocol import load_bus
    >>> window = open_window(load_bus("mc68000"), 0x1000, 16)
    >>> window.size, window.address_lines
    (2, {'A1': 4098, 'A2': 4100, 'A3': 4104})
    """
    kinds = kind_of(bus, "write"), kind_of(bus, "read")
    spaces = {None if kind is None else kind.space for kind in kinds}
    if not bus.address or len(spaces) > 1 or spaces & {None, "none"}:
        raise RequestError(
            f"{bus.name} has no memory to write to and read back",
            path=bus.path,
            expected="a bus with address lines, on which a read returns what was written",
        )
    size = _whole_word(bus) if size is None else size
    limit = 1 << bus.address_width
    _refuse_unless(
        0 <= base < limit,
        f"the base 0x{base:X} is outside the addresses of {bus.name}",
        f"an address below 0x{limit:X}",
    )
    if size not in _SIZES or size > bus.word_bytes or not _moves_alone(bus, 0, size):
        legal = [n for n in _SIZES if n <= bus.word_bytes and _moves_alone(bus, 0, n)]
        raise RequestError(
            f"no single cycle of {bus.name} moves {size} bytes",
            expected=f"a size of {' or '.join(map(str, legal))}",
        )
    _refuse_unless(
        base % size == 0 and _moves_alone(bus, base, size),
        f"the base 0x{base:X} is no address of an access of {size} bytes",
        f"a multiple of {size}",
    )
    _refuse_unless(
        span >= size and span % size == 0,
        f"the span is {span} bytes, which is no whole number of accesses of {size} bytes",
        f"a multiple of {size}, of at least {size}",
    )
    _refuse_unless(
        base + span <= limit,
        f"the span ends at 0x{base + span:X}, beyond the addresses of {bus.name}",
        f"at most {limit - base} bytes from 0x{base:X} on",
    )
    return Window(bus, base, span, size)


def _whole_word(bus: Bus) -> int:
    return max(n for n in _SIZES if n <= bus.word_bytes and _moves_alone(bus, 0, n))


def _moves_alone(bus: Bus, address: int, size: int) -> bool:
    return len(split_access(bus, Access("write", address, size, 0))) == 1


def _refuse_unless(is_so: bool, found: str, expected: str) -> None:
    if not is_so:
        raise RequestError(found, expected=expected)
