"""Atomic loads and stores: values, types, and what the compiler may not do with them."""

from __future__ import annotations

import threading

import numpy as np
from numba import njit, uint64

from workloads.atomics import load_acquire, store_release


@njit
def _put(words, index, value):  # type: ignore[no-untyped-def]
    store_release(words, index, value)


@njit
def _get(words, index):  # type: ignore[no-untyped-def]
    return load_acquire(words, index)


@njit(nogil=True)
def _spin(words, index, value, most):  # type: ignore[no-untyped-def]
    left = most
    while left and load_acquire(words, index) != value:
        left -= 1
    return left > 0


def test_a_store_reaches_its_word_and_no_other() -> None:
    words = np.zeros(8, np.uint64)
    _put(words, np.uint64(3), np.uint64(2**64 - 1))
    assert words.tolist() == [0, 0, 0, 2**64 - 1, 0, 0, 0, 0]


def test_a_load_gives_all_64_bits() -> None:
    words = np.array([1, 0xFEDCBA9876543210], np.uint64)
    found = _get(words, np.uint64(1))
    assert int(found) == 0xFEDCBA9876543210


def test_loads_and_stores_are_atomic_in_the_generated_code() -> None:
    _put(np.zeros(1, np.uint64), np.uint64(0), np.uint64(1))
    _get(np.zeros(1, np.uint64), np.uint64(0))
    assert "store atomic i64" in next(iter(_put.inspect_llvm().values()))
    assert "load atomic i64" in next(iter(_get.inspect_llvm().values()))


def test_a_spinning_thread_sees_another_threads_store() -> None:
    # A plain load would be hoisted out of the loop and spin on the old value.
    words, seen = np.zeros(1, np.uint64), list[bool]()
    _spin(words, np.uint64(0), np.uint64(0), 1)  # compile first
    thread = threading.Thread(
        target=lambda: seen.append(_spin(words, np.uint64(0), np.uint64(7), 1 << 40))
    )
    thread.start()
    _put(words, np.uint64(0), np.uint64(7))
    thread.join()
    assert seen == [True]
    assert uint64(words[0]) == 7
