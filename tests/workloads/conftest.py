"""Fixtures for the workloads' tests."""

from __future__ import annotations

import ctypes
import mmap
import os
from collections.abc import Iterator

import numpy as np
import pytest
from numpy.typing import NDArray

_PAGE_BYTES = 4096
_MAP_FIXED = 0x10


@pytest.fixture
def aliased_words() -> Iterator[NDArray[np.uint64]]:
    """Two pages of words behind which there is only one: a real address decoder fault."""
    if not hasattr(os, "memfd_create") or os.sysconf("SC_PAGE_SIZE") != _PAGE_BYTES:
        pytest.skip("needs memfd_create and 4 KiB pages to map one page twice")
    libc = ctypes.CDLL(None, use_errno=True)
    libc.mmap.restype = ctypes.c_void_p
    libc.mmap.argtypes = [ctypes.c_void_p, ctypes.c_size_t, *[ctypes.c_int] * 3, ctypes.c_long]
    libc.munmap.argtypes = [ctypes.c_void_p, ctypes.c_size_t]
    descriptor = os.memfd_create("one page")
    os.ftruncate(descriptor, _PAGE_BYTES)
    size = 2 * _PAGE_BYTES
    anonymous = mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS
    start = libc.mmap(None, size, mmap.PROT_READ, anonymous, -1, 0)
    access = mmap.PROT_READ | mmap.PROT_WRITE
    for page in (start, start + _PAGE_BYTES):
        at = libc.mmap(page, _PAGE_BYTES, access, mmap.MAP_SHARED | _MAP_FIXED, descriptor, 0)
        assert at == page, os.strerror(ctypes.get_errno())
    yield np.frombuffer((ctypes.c_uint64 * (size // 8)).from_address(start), np.uint64)
    libc.munmap(start, size)
    os.close(descriptor)
