"""`sha256-chain`: SHA-256 of its own result, over and over, in compiled integer arithmetic.

Source: FIPS 180-4, sections 4.1.2 (functions), 4.2.2 (constants), 5.3.3 (initial value) and 6.2
(computation). Every link of the chain hashes the 32 bytes of the link before, padded to one
512-bit block. Each link needs all of the one before, so a single wrong bit spoils every later
link; checkpoints on the way show where.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isqrt
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from numba import njit, uint32

from workloads.contract import Finding, Parameter, Parameters, Task, Workload
from workloads.digest import combine, fold

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from workloads.contract import Buffer

    Words = NDArray[np.uint32]

_DEFAULT_BLOCKS = 1 << 16
_DEFAULT_SEED = 1
_CHECKPOINTS = 64
#: Golden digests: (blocks, seed) -> digest. The tests make them anew with hashlib.
GOLDEN = {(_DEFAULT_BLOCKS, _DEFAULT_SEED): 0xC70B32DAA198408C}


def _first_primes(count: int) -> list[int]:
    found: list[int] = []
    candidate = 2
    while len(found) < count:
        if all(candidate % prime for prime in found):
            found.append(candidate)
        candidate += 1
    return found


def _cube_root(number: int) -> int:
    """Integer part of the cube root, exactly (Newton's method on integers)."""
    root = 1 << -(-number.bit_length() // 3)
    while (better := (2 * root + number // root**2) // 3) < root:
        root = better
    return root


#: First 32 bits of the fractional parts of the cube roots of the first 64 primes (4.2.2).
ROUND_CONSTANTS = np.array(
    [_cube_root(prime << 96) & 0xFFFFFFFF for prime in _first_primes(64)], np.uint32
)
#: First 32 bits of the fractional parts of the square roots of the first 8 primes (5.3.3).
INITIAL_HASH = np.array([isqrt(prime << 64) & 0xFFFFFFFF for prime in _first_primes(8)], np.uint32)


@njit(cache=True, nogil=True)
def _rotate_right(word, by):  # type: ignore[no-untyped-def]
    return uint32((word >> uint32(by)) | (word << uint32(32 - by)))


@njit(cache=True, nogil=True)
def compress(state, block, constants):  # type: ignore[no-untyped-def]
    """One step of 6.2.2: `state` (8 words) takes in `block` (16 words)."""
    schedule = np.empty(64, np.uint32)
    schedule[:16] = block
    for step in range(16, 64):
        before, back = schedule[step - 15], schedule[step - 2]
        small_0 = _rotate_right(before, 7) ^ _rotate_right(before, 18) ^ (before >> uint32(3))
        small_1 = _rotate_right(back, 17) ^ _rotate_right(back, 19) ^ (back >> uint32(10))
        schedule[step] = schedule[step - 16] + small_0 + schedule[step - 7] + small_1
    a, b, c, d, e, f, g, h = state
    for step in range(64):
        big_1 = _rotate_right(e, 6) ^ _rotate_right(e, 11) ^ _rotate_right(e, 25)
        choose = (e & f) ^ (~e & g)
        first = uint32(h + big_1 + choose + constants[step] + schedule[step])
        big_0 = _rotate_right(a, 2) ^ _rotate_right(a, 13) ^ _rotate_right(a, 22)
        majority = (a & b) ^ (a & c) ^ (b & c)
        h, g, f, e = g, f, e, uint32(d + first)
        d, c, b, a = c, b, a, uint32(first + big_0 + majority)
    state += np.array([a, b, c, d, e, f, g, h], np.uint32)


@njit(cache=True, nogil=True)
def _chain(start, checkpoints, links, constants, initial):  # type: ignore[no-untyped-def]
    """`links` hashes to every checkpoint (uint32[:, 8]), begun at `start` (8 words)."""
    block = np.zeros(16, np.uint32)
    block[8] = uint32(0x80000000)  # padding: one bit, zeros, and the length of 256 bits (5.1.1)
    block[15] = uint32(256)
    block[:8] = start
    state = np.empty(8, np.uint32)
    for checkpoint in range(checkpoints.shape[0]):
        for _ in range(links):
            state[:] = initial
            compress(state, block, constants)
            block[:8] = state
        checkpoints[checkpoint] = block[:8]


def sha256(message: bytes) -> bytes:
    """SHA-256 of any message through the same compiled step (5.1.1, 5.2.1, 6.2)."""
    padding = b"\x80" + bytes((55 - len(message)) % 64) + (8 * len(message)).to_bytes(8, "big")
    blocks = np.frombuffer(message + padding, ">u4").astype(np.uint32).reshape(-1, 16)
    state = INITIAL_HASH.copy()
    for block in blocks:
        compress(state, block, ROUND_CONSTANTS)
    return state.astype(">u4").tobytes()


class Sha256Task(Task):
    """One lane's first message and the checkpoints of its chain."""

    def __init__(self, start: Words, links: int) -> None:
        super().__init__()
        self.work_per_pass = float(links * _CHECKPOINTS)
        self._start = start
        self._links = links
        self._constants = ROUND_CONSTANTS.copy()
        self._initial = INITIAL_HASH.copy()
        self._checkpoints = np.zeros((_CHECKPOINTS, 8), np.uint32)

    def execute(self) -> None:
        """The whole chain; the interpreter lock is released throughout."""
        _chain(self._start, self._checkpoints, self._links, self._constants, self._initial)

    def digest(self) -> int:
        """Of all checkpoints."""
        return combine(fold(self._checkpoints))

    def inputs_digest(self) -> int:
        """Of the first message and the standard's constants."""
        return combine(fold(self._start), fold(self._constants), fold(self._initial))

    def buffers(self) -> dict[str, Buffer]:
        """First message, constants, and the checkpoints."""
        return {
            "input_start": self._start,
            "input_constants": self._constants,
            "input_initial_hash": self._initial,
            "result_checkpoints": self._checkpoints,
        }

    def invariants(self) -> tuple[Finding, ...]:
        """Every stretch between checkpoints is walked again with hashlib, an independent code."""
        link = self._start.astype(">u4").tobytes()
        for number, checkpoint in enumerate(self._checkpoints):
            wanted = _walk(link, self._links)
            link = checkpoint.astype(">u4").tobytes()
            if link != wanted:
                detail = f"checkpoint {number}: hashlib {wanted.hex()}, found {link.hex()}"
                return (Finding("chain against hashlib", False, detail),)
        return (Finding("chain against hashlib", True, f"{_CHECKPOINTS} checkpoints equal"),)


def _walk(link: bytes, links: int) -> bytes:
    import hashlib

    for _ in range(links):
        link = hashlib.sha256(link).digest()
    return link


class Sha256Workload(Workload):
    """A chain of SHA-256 hashes."""

    name = "sha256-chain"
    version = 1
    family = "integer"
    unit = "block"
    purpose = "rotations, additions and exclusive ors in one long dependency chain, in registers"
    check = "digest of the chain's checkpoints; every stretch again with hashlib (FIPS 180-4)"
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "blocks": Parameter(
            _DEFAULT_BLOCKS, "512-bit blocks one pass hashes (rounded up to 64)", "", 64, 1 << 30
        )
    }
    shipped_golden = True
    slowest_per_second = 1e5

    def memory_bytes(self, parameters: Parameters) -> int:
        """Message, constants and checkpoints."""
        return 4 * (8 + 64 + 8 + 8 * _CHECKPOINTS)

    def prepare(self, parameters: Parameters, seed: int) -> Task:
        """The first message is the hash of the seed, as 8 big-endian bytes."""
        message = sha256((seed & 0xFFFFFFFFFFFFFFFF).to_bytes(8, "big"))
        start = np.frombuffer(message, ">u4").astype(np.uint32)
        return Sha256Task(start, -(-_blocks(parameters) // _CHECKPOINTS))

    def golden(self, parameters: Parameters, seed: int) -> int | None:
        """Shipped for the default number of blocks and seed 1."""
        return GOLDEN.get((_blocks(parameters), seed))

    def warm(self) -> None:
        """Compile the kernels."""
        task = self.prepare(self.complete({"blocks": 64}), seed=1)
        task.execute()
        task.digest()


def _blocks(parameters: Parameters) -> int:
    return int(str(parameters["blocks"]))
