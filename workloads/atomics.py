"""Atomic 64-bit loads and stores for compiled kernels: how lanes talk through shared memory.

``acquire`` and ``release`` as in C11 (ISO/IEC 9899:2011, 5.1.2.4): whoever loads a value with
`load_acquire` also sees everything its writer stored before the `store_release` of it. The array
is one-dimensional, contiguous, uint64; the index is uint64 and is not checked.
"""

from __future__ import annotations

from typing import Any

from numba import types
from numba.core import cgutils
from numba.core.typing.templates import Signature
from numba.extending import intrinsic
from numba.np.arrayobj import make_array

_ALIGNMENT_BYTES = 8
_make_array: Any = make_array
_item_pointer: Any = cgutils.get_item_pointer


def _pointer(context: Any, builder: Any, signature: Signature, args: Any) -> Any:
    array_type = signature.args[0]
    array = _make_array(array_type)(context, builder, args[0])
    return _item_pointer(context, builder, array_type, array, [args[1]])


def _load_acquire(typing_context, array, index):  # type: ignore[no-untyped-def]
    def generate(context, builder, signature, args):  # type: ignore[no-untyped-def]
        pointer = _pointer(context, builder, signature, args)
        return builder.load_atomic(pointer, "acquire", _ALIGNMENT_BYTES)

    return types.uint64(array, types.uint64), generate


def _store_release(typing_context, array, index, value):  # type: ignore[no-untyped-def]
    def generate(context, builder, signature, args):  # type: ignore[no-untyped-def]
        pointer = _pointer(context, builder, signature, args)
        builder.store_atomic(args[2], pointer, "release", _ALIGNMENT_BYTES)
        return context.get_dummy_value()

    return types.void(array, types.uint64, types.uint64), generate


#: ``load_acquire(array, index)``: the word, loaded with acquire semantics.
load_acquire: Any = intrinsic(_load_acquire)
#: ``store_release(array, index, value)``: ``array[index] = value`` with release semantics.
store_release: Any = intrinsic(_store_release)
