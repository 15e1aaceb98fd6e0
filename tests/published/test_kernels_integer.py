"""The integer kernels against values that others have published."""

from __future__ import annotations

import hashlib
import zlib

import pytest

from harness.sensors.clock_probe import xorshift
from workloads import prng
from workloads.compression import DeflateWorkload
from workloads.sha256 import INITIAL_HASH, ROUND_CONSTANTS, sha256
from workloads.sieve import PRIMES_BELOW_POWER_OF_TEN, SieveTask

# OEIS A006880, "Number of primes < 10^n", https://oeis.org/A006880
A006880 = {3: 168, 4: 1229, 5: 9592, 6: 78498, 7: 664579, 8: 5761455}


@pytest.mark.parametrize(("power", "published"), A006880.items())
def test_the_sieve_counts_as_many_primes_as_published(power: int, published: int) -> None:
    task = SieveTask(10**power, 32768)
    task.execute()
    (finding,) = task.invariants()
    assert finding.ok
    assert finding.detail == f"published {published}, counted {published}"


def test_the_table_of_prime_counts_is_the_published_one() -> None:
    """OEIS A006880 for 10^1 to 10^12."""
    assert list(PRIMES_BELOW_POWER_OF_TEN.items()) == [
        (1, 4),
        (2, 25),
        (3, 168),
        (4, 1229),
        (5, 9592),
        (6, 78498),
        (7, 664579),
        (8, 5761455),
        (9, 50847534),
        (10, 455052511),
        (11, 4118054813),
        (12, 37607912018),
    ]


# FIPS 180-4; NIST CSRC "Examples with intermediate values" (and the empty message, from the
# NIST CAVP byte-oriented test vectors).
@pytest.mark.parametrize(
    ("message", "published"),
    [
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
        (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
    ],
    ids=["empty", "one block", "two blocks", "a million letters"],
)
def test_sha256_gives_the_standards_examples(message: bytes, published: str) -> None:
    assert sha256(message).hex() == published
    assert hashlib.sha256(message).hexdigest() == published


def test_sha256_has_the_standards_constants() -> None:
    """FIPS 180-4 sections 4.2.2 (first and last of K) and 5.3.3 (all of H(0))."""
    assert [f"{word:08x}" for word in ROUND_CONSTANTS[[0, 1, 62, 63]].tolist()] == [
        "428a2f98",
        "71374491",
        "bef9a3f7",
        "c67178f2",
    ]
    assert [f"{word:08x}" for word in INITIAL_HASH.tolist()] == [
        "6a09e667",
        "bb67ae85",
        "3c6ef372",
        "a54ff53a",
        "510e527f",
        "9b05688c",
        "1f83d9ab",
        "5be0cd19",
    ]


# RFC 1950 (Adler-32) and RFC 1952 (CRC-32); the CRC's check value is the one of "123456789" that
# catalogues of CRCs list for it.
@pytest.mark.parametrize(
    ("message", "published"),
    [(b"", 0x00000001), (b"a", 0x00620062), (b"abc", 0x024D0127), (b"Wikipedia", 0x11E60398)],
)
def test_adler32_gives_published_values(message: bytes, published: int) -> None:
    assert zlib.adler32(message) == published


def test_crc32_gives_its_check_value() -> None:
    assert zlib.crc32(b"123456789") == 0xCBF43926


def plain_adler32(data: bytes) -> int:
    """RFC 1950 section 8.2: two sums modulo 65521."""
    low, high = 1, 0
    for byte in data:
        low = (low + byte) % 65521
        high = (high + low) % 65521
    return high << 16 | low


def test_a_deflate_stream_ends_with_the_corpus_adler32() -> None:
    """RFC 1950 section 2.2: the trailer is Adler-32, most significant byte first."""
    workload = DeflateWorkload()
    task = workload.prepare(workload.complete({"corpus_bytes": 8192}), seed=1)
    task.execute()
    buffers = task.buffers()
    trailer = int.from_bytes(buffers["result_stream"][-4:].tobytes(), "big")
    assert trailer == plain_adler32(buffers["input_corpus"].tobytes())


def test_splitmix64_gives_its_reference_output() -> None:
    """Vigna, splitmix64.c (https://prng.di.unimi.it/splitmix64.c), seed 1234567: first output."""
    assert int(prng.splitmix64(1234567, 1)[0]) == 6457827717110365317


def test_xorshift64_gives_its_published_outputs() -> None:
    """Marsaglia 2003, J. Stat. Soft. 8(14), shifts 13, 7, 17, seed 88172645463325252.

    The chain that measures a core's clock is made of it.
    """
    state, outputs = 88172645463325252, []
    for _ in range(8):
        state = xorshift(state)
        outputs.append(state)
    assert outputs == [
        8748534153485358512,
        3040900993826735515,
        3453997556048239312,
        16431732851926010853,
        8204724074003728306,
        17801246309558322749,
        7041795614029497201,
        16736801589742238903,
    ]
