"""The limits of a bus as rows for a page: number, name, figures of all grades, source."""

from __future__ import annotations

from typing import TYPE_CHECKING

from busdecode.units import PICOSECONDS, format_time

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from busdecode.protocol import Bound, Bus, Limit

__all__ = ["bound_text", "limit_rows"]


def bound_text(bound: Bound) -> str:
    """Write a figure as descriptions have it.

    Examples
    --------
    >>> from busdecode.protocol import parse_bound
    >>> bound_text(parse_bound("2*T - 75 ns", ["T"])), bound_text(parse_bound("30 ns", []))
    ('2*T - 75 ns', '30 ns')
    """
    if not bound.terms:
        return format_time(bound.fixed)
    text = ""
    for name, factor in bound.terms:
        sign = "-" if factor < 0 else "+"
        size = abs(factor)
        term = name if size == 1 else f"{float(size):g}*{name}"
        text += f" {sign} {term}" if text else term if sign == "+" else f"-{term}"
    if bound.fixed:
        text += f" {'-' if bound.fixed < 0 else '+'} {format_time(abs(bound.fixed))}"
    return text


def _listed(bounds: Sequence[Bound | None]) -> str:
    """Write a figure for each grade, or one where all have the same."""
    texts = ["none" if bound is None else bound_text(bound) for bound in bounds]
    if len(set(texts)) == 1:
        return texts[0]
    units = {text.rpartition(" ")[2] for text in texts if text != "none"}
    is_plain = all(bound is None or not bound.terms for bound in bounds)
    if len(units) == 1 and is_plain and units <= set(PICOSECONDS):
        unit = units.pop()
        return ", ".join(text.removesuffix(f" {unit}") for text in texts) + f" {unit}"
    return ", ".join(texts)


def _figures(limit: Limit) -> str:
    parts = [
        f"{word} {_listed(bounds)}"
        for word, bounds in (("at least", limit.least), ("at most", limit.most))
        if any(bound is not None for bound in bounds)
    ]
    return "; ".join(parts) if parts else "must come"


def _remarks(limit: Limit) -> Iterable[str]:
    if limit.kinds is not None:
        yield f"for {', '.join(sorted(limit.kinds))}"
    if limit.only_if_unmet is not None:
        yield f"binds where {limit.only_if_unmet} is not met"
    if limit.only_if_met is not None:
        yield f"binds where {limit.only_if_met} is met"
    if limit.is_condition:
        yield "may be unmet: others bind then"
    if limit.unseen is not None:
        yield f"not measured: {limit.unseen}"


def limit_rows(bus: Bus, *, steps: bool) -> list[tuple[str, str, str, str, str]]:
    """Give one row a limit, or a step of the handshake: number, name, figures, remarks, source.

    Parameters
    ----------
    bus : Bus
    steps : bool
        The steps of the handshake rather than the limits of tables.
    """
    rows = []
    for limit in bus.limits:
        if limit.is_step == steps:
            rows.append(
                (
                    limit.number,
                    limit.name,
                    "" if steps else _figures(limit),
                    "; ".join(_remarks(limit)),
                    f"{limit.source}, {limit.status}",
                )
            )
    return rows
