"""Takes an iterator, gives its items in order while another thread already makes the next."""

from __future__ import annotations

from queue import Empty, Full, Queue
from threading import Event, Thread
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

__all__ = ["read_ahead"]

Item = TypeVar("Item")

_AHEAD = 2
_PATIENCE = 0.1


def read_ahead(items: Iterable[Item]) -> Iterator[Item]:
    """Give the items of `items`, which a second thread makes, at most two ahead.

    What `items` raises is raised here, in its place. The thread ends soon after this iterator
    is closed.

    Examples
    --------
    >>> list(read_ahead(iter("abc")))
    ['a', 'b', 'c']
    """
    queue: Queue[tuple[str, Item | BaseException | None]] = Queue(_AHEAD)
    closed = Event()

    def put(what: str, item: Item | BaseException | None) -> bool:
        while not closed.is_set():
            try:
                queue.put((what, item), timeout=_PATIENCE)
            except Full:
                continue
            return True
        return False

    def work() -> None:
        try:
            for item in items:
                if not put("item", item):
                    return
        except BaseException as error:  # raised again where the items are taken
            put("error", error)
        else:
            put("end", None)

    thread = Thread(target=work, daemon=True, name="reading ahead")
    thread.start()
    try:
        while True:
            try:
                what, item = queue.get(timeout=_PATIENCE)
            except Empty:
                continue
            if what == "end":
                return
            if what == "error":
                assert isinstance(item, BaseException)
                raise item
            yield item  # type: ignore[misc]
    finally:
        closed.set()
        thread.join()
