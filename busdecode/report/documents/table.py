"""The table that every writer takes: a title, columns, rows that come as they are asked for."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from busdecode.errors import RequestError, nearest, quoted

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = ["Alignment", "Cell", "Column", "Dtype", "Table", "shown"]

Cell = int | bool | str | None
"""What stands in a cell; None is empty. No text is empty: what is missing is None."""

Alignment = Literal["left", "right", "prose"]
Dtype = Literal["int64", "string", "bool"]


@dataclass(frozen=True)
class Column:
    """One column.

    Parameters
    ----------
    name : str
        Stable; what ``--columns`` takes.
    dtype : {"int64", "string", "bool"}
    meaning : str
        One clause.
    unit : str
        Empty where there is none.
    empty : str
        When a cell is empty; empty where none ever is.
    alignment : {"left", "right", "prose"}
        ``prose`` is text of sentences, which wraps.
    """

    name: str
    dtype: Dtype
    meaning: str
    unit: str = ""
    empty: str = ""
    alignment: Alignment = "left"


@dataclass(frozen=True)
class Table:
    """A table to be written.

    Parameters
    ----------
    title : str
    columns : tuple of Column
    rows : iterable of tuple of Cell
        One cell a column. May be a stream, which can be taken once.
    notes : list of str
        Whole only when the rows have been taken.

    Examples
    --------
    >>> columns = Column("cycle", "int64", "number"), Column("kind", "string", "kind")
    >>> list(Table("cycles", columns, [(0, "read"), (1, None)]).only(["kind"]).rows)
    [('read',), (None,)]
    """

    title: str
    columns: tuple[Column, ...]
    rows: Iterable[tuple[Cell, ...]]
    notes: list[str] = field(default_factory=list)

    def only(self, names: Sequence[str]) -> Table:
        """Give a table of some columns, in the order asked for.

        Raises
        ------
        RequestError
            If there is no such column, or one is named twice, or none is named.
        """
        known = [column.name for column in self.columns]
        if not names:
            raise RequestError("no column is named", expected=f"some of {', '.join(known)}")
        for at, name in enumerate(names):
            if name not in known:
                near = nearest(name, known)
                raise RequestError(
                    f"no column is called {quoted(name)}",
                    expected=f"some of {', '.join(known)}",
                    action=f"did you mean {near}?" if near else None,
                )
            if name in names[:at]:
                raise RequestError(f"column {name} is named twice", action="name it once")
        places = [known.index(name) for name in names]
        return Table(
            self.title,
            tuple(self.columns[place] for place in places),
            (tuple(row[place] for place in places) for row in self.rows),
            self.notes,
        )


def shown(cell: Cell) -> str:
    """Write a cell as text; an empty one is empty.

    Examples
    --------
    >>> shown(True), shown(-5), shown(None)
    ('true', '-5', '')
    """
    if isinstance(cell, bool):
        return "true" if cell else "false"
    return "" if cell is None else str(cell)
