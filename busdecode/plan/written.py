"""Plans as files: CSV, and C to paste into a program of the target."""

from __future__ import annotations

import csv
import io
import textwrap
from typing import TYPE_CHECKING

from busdecode.errors import RequestError

if TYPE_CHECKING:
    from busdecode.plan.planned import Plan
    from busdecode.plan.window import Window

__all__ = ["MOST_IN_C", "WARNING", "as_c", "as_csv"]

WARNING = (
    "the writes of this plan can destroy data, or hang the machine, where anything but the "
    "memory under test answers"
)

MOST_IN_C = 65536
"""Accesses that a C source may hold."""


def as_csv(window: Window, plan: Plan) -> str:
    """Write a plan as an access log with the data of reads still to be filled in.

    Beside the columns of an access log it has what a read should return, and what it is for.

    Examples
    --------
    >>> from busdecode.plan import make_plan, open_window
    >>> from busdecode.protocol import load_bus
    >>> window = open_window(load_bus("z80"), 0x8000, 1)
    >>> print(as_csv(window, make_plan(window, ["walking-ones"])).splitlines()[2])
    read,0x8000,1,,0x01,data lines: D0 alone is 1
    """
    stream = io.StringIO()
    rows = csv.writer(stream, lineterminator="\n")
    rows.writerow(("op", "address", "size", "data", "expected", "purpose"))
    digits = -(-window.bus.address_width // 4)
    for step in plan.steps:
        access = step.access
        address = f"0x{access.address:0{digits}X}"
        values = (_hex(value, access.size) for value in (access.data, access.expected))
        rows.writerow((access.op, address, access.size, *values, step.purpose))
    return stream.getvalue()


def _hex(value: int | None, size: int) -> str:
    return "" if value is None else f"0x{value:0{2 * size}X}"


_C = """\
/* {title}

   {warning}

   Prints what it does as an access log, CSV with a line for each access; what a read should
   return is in the last column. Each line goes out at once, so that the last one tells where a
   machine hung. BASE may be defined on the compiler's command line, where the program sees
   the memory elsewhere than the bus does. */

#include <inttypes.h>
#include <stdint.h>
#include <stdio.h>

#define FIRST UINT{address_bits}_C(0x{base:X}) /* on the bus */
#ifndef BASE
#define BASE ((uintptr_t)FIRST) /* for the program */
#endif

typedef uint{data_bits}_t data_t;

static const struct step {{
    unsigned char is_write, size;
    uint{address_bits}_t offset;
    data_t data; /* to write, or to be read */
}} steps[] = {{
{rows}
}};

static void write_at(uintptr_t at, unsigned size, data_t data)
{{
    switch (size) {{
{writes}
    default: break;
    }}
}}

static data_t read_at(uintptr_t at, unsigned size)
{{
    switch (size) {{
{reads}
    default: return 0;
    }}
}}

int main(void)
{{
    size_t n;

    puts("op,address,size,data,expected");
    for (n = 0; n < sizeof steps / sizeof steps[0]; n++) {{
        const struct step *step = &steps[n];
        uintptr_t at = BASE + (uintptr_t)step->offset;
        int digits = 2 * step->size;
        data_t data = step->data;

        if (step->is_write)
            write_at(at, step->size, data);
        else
            data = read_at(at, step->size);
        printf("%s,0x%0{address_digits}" PRIX{address_bits} ",%u,0x%0*" PRIX{data_bits} ",",
               step->is_write ? "write" : "read", FIRST + step->offset,
               (unsigned)step->size, digits, data);
        if (!step->is_write)
            printf("0x%0*" PRIX{data_bits}, digits, step->data);
        putchar('\\n');
        fflush(stdout);
    }}
    return 0;
}}
"""


def as_c(window: Window, plan: Plan) -> str:
    """Write a plan as a C99 program that makes the accesses and prints the access log.

    Raises
    ------
    RequestError
        If the plan is too long, or has an access that no plain C makes.
    """
    if len(plan.steps) > MOST_IN_C:
        raise RequestError(
            f"the plan has {len(plan.steps):,} accesses",
            expected=f"at most {MOST_IN_C:,} in a C source",
            action="narrow the span, or write CSV",
        )
    for access in plan.accesses:
        if access.size not in (1, 2, 4, 8) or access.address % access.size:
            raise RequestError(
                f"no plain C access moves {access.size} bytes at 0x{access.address:X}",
                expected="1, 2, 4 or 8 bytes at a multiple of that",
            )
    bus = window.bus
    data_bits = 64 if max(access.size for access in plan.accesses) > 4 else 32
    address_bits = 64 if bus.address_width > 32 else 32
    sizes = [size for size in (1, 2, 4, 8) if 8 * size <= data_bits]
    rows, purpose = [], ""
    for step in plan.steps:
        if step.purpose != purpose:
            purpose = step.purpose
            rows.append(f"    /* {purpose} */")
        access = step.access
        value = access.data if access.op == "write" else access.expected
        rows.append(
            f"    {{{int(access.op == 'write')}, {access.size}, 0x{access.address - window.base:X},"
            f" UINT{data_bits}_C(0x{value or 0:0{2 * access.size}X})}},"
        )
    return _C.format(
        title=f"{plan.name}, on {bus.name}: {len(plan.steps)} accesses, "
        f"0x{window.base:X} to 0x{window.base + window.span - 1:X}",
        warning="\n   ".join(textwrap.wrap(f"WARNING: {WARNING}.", 88)),
        base=window.base,
        address_bits=address_bits,
        address_digits=-(-bus.address_width // 4),
        data_bits=data_bits,
        rows="\n".join(rows),
        writes="\n".join(
            f"    case {size}: *(volatile uint{8 * size}_t *)at = (uint{8 * size}_t)data; break;"
            for size in sizes
        ),
        reads="\n".join(
            f"    case {size}: return *(volatile uint{8 * size}_t *)at;" for size in sizes
        ),
    )
