"""What compiled loops over bytes share: eight of them at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from numba import types
from numba.extending import intrinsic

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["octets_at"]


def _load(typing: Any, octets: Any, at: Any) -> tuple[Any, Callable[..., Any]]:
    """Load eight bytes from any place of an array of bytes, the first one lowest.

    Plain indexing would load and check each byte for itself.
    """

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        array = context.make_array(signature.args[0])(context, builder, arguments[0])
        word = context.get_value_type(types.uint64)
        place = builder.gep(array.data, [arguments[1]])
        return builder.load(builder.bitcast(place, word.as_pointer()), align=1)

    return types.uint64(octets, types.intp), generate


octets_at: Any = intrinsic(_load)
