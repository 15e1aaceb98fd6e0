"""Compression loads: pack a seeded text-like corpus, unpack it again, verify both.

Formats: DEFLATE in its zlib wrapping (RFC 1951, RFC 1950), bzip2 (block sorting; Burrows and
Wheeler 1994), LZMA2 in the .xz container, Zstandard (RFC 8878). They load a core in different
ways: hash chains and bit packing, suffix sorting with cache misses, range coding with branches
that cannot be predicted, wide-window matching with finite-state entropy coding.

The bytes of a stream depend on the library, so its golden digest is agreed by the lanes and keyed
by the library's version, where it tells one, and by digests of the files it was loaded from. The
digest of a pass covers the stream and the output unpacked from it: a digest of the stream alone
would miss whatever goes wrong in unpacking.
"""

from __future__ import annotations

import bz2
import lzma
import zlib
from abc import ABC, abstractmethod
from collections.abc import Mapping
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from workloads import corpus
from workloads.codepath import loaded_library
from workloads.contract import Finding, Parameter, Parameters, Task, Workload
from workloads.digest import combine, fold
from workloads.room import Room

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from workloads.contract import Buffer

    Bytes = NDArray[np.uint8]

_KIB = 1024
_MIB = 1024 * _KIB


class Codec(ABC):
    """One format: `pack` and `unpack` release the interpreter lock while they work."""

    #: What the library raises for a damaged stream.
    errors: tuple[type[Exception], ...]

    @abstractmethod
    def __init__(self, level: int, size: int) -> None:
        """Ready to pack inputs of `size` bytes with the format's effort `level`."""

    @abstractmethod
    def pack(self, data: memoryview) -> bytes:
        """The stream of `data`."""

    @abstractmethod
    def unpack(self, stream: memoryview, most: int) -> bytes | bytearray:
        """At most `most` bytes unpacked from `stream`. Raises one of `errors`."""


class Deflate(Codec):
    """DEFLATE with the zlib header and its Adler-32 trailer."""

    errors = (zlib.error,)

    def __init__(self, level: int, size: int) -> None:
        self._level = level

    def pack(self, data: memoryview) -> bytes:
        """See :class:`Codec`."""
        return zlib.compress(data, self._level)

    def unpack(self, stream: memoryview, most: int) -> bytes:
        """See :class:`Codec`; a stream cut short is an error here too."""
        unpacker = zlib.decompressobj()
        output = unpacker.decompress(stream, most)
        if not unpacker.eof and len(output) < most:
            raise zlib.error("the stream ends early")
        return output


class Bzip2(Codec):
    """Blocks of `level` times 100,000 bytes, each with a CRC-32."""

    errors = (OSError, ValueError)

    def __init__(self, level: int, size: int) -> None:
        self._level = level

    def pack(self, data: memoryview) -> bytes:
        """See :class:`Codec`."""
        return bz2.compress(data, self._level)

    def unpack(self, stream: memoryview, most: int) -> bytes:
        """See :class:`Codec`."""
        unpacker = bz2.BZ2Decompressor()
        output = unpacker.decompress(stream, most)
        if not unpacker.eof and len(output) < most:
            raise OSError("the stream ends early")
        return output


class Lzma(Codec):
    """LZMA2 in .xz with CRC-64; the dictionary is as large as the corpus, not the preset's."""

    errors = (lzma.LZMAError,)

    def __init__(self, level: int, size: int) -> None:
        dictionary = max(size, 4 * _KIB)
        self._filters = [{"id": lzma.FILTER_LZMA2, "preset": level, "dict_size": dictionary}]

    def pack(self, data: memoryview) -> bytes:
        """See :class:`Codec`."""
        return lzma.compress(data, lzma.FORMAT_XZ, lzma.CHECK_CRC64, filters=self._filters)

    def unpack(self, stream: memoryview, most: int) -> bytes:
        """See :class:`Codec`; memory is limited so that a damaged header cannot ask for it all."""
        unpacker = lzma.LZMADecompressor(lzma.FORMAT_XZ, memlimit=2048 * _MIB)
        output = unpacker.decompress(stream, most)
        if not unpacker.eof and len(output) < most:
            raise lzma.LZMAError("the stream ends early")
        return output


class Zstandard(Codec):
    """One frame with its XXH64 checksum."""

    def __init__(self, level: int, size: int) -> None:
        import zstandard

        self.errors = (zstandard.ZstdError,)
        self._library = zstandard
        self._level = level

    def pack(self, data: memoryview) -> bytes:
        """See :class:`Codec`. A new context each time: none of its tables can carry over."""
        packer = self._library.ZstdCompressor(level=self._level, write_checksum=True)
        stream: bytes = packer.compress(data)
        return stream

    def unpack(self, stream: memoryview, most: int) -> bytearray:
        """See :class:`Codec`; into room of our own, as a damaged header may claim any size."""
        output = bytearray(most)
        room = memoryview(output)
        filled = 0
        with self._library.ZstdDecompressor().stream_reader(stream) as reader:
            while filled < most and (step := reader.readinto(room[filled:])):
                filled += step
        room.release()
        del output[filled:]
        return output


class CompressionTask(Task):
    """One lane's corpus, its stream and the output unpacked again."""

    def __init__(self, codec: Codec, data: Bytes) -> None:
        super().__init__()
        self.work_per_pass = float(data.size)
        self._codec = codec
        self._input = data
        # No format here grows incompressible data by more than 1/64 and some kilobytes.
        self._stream = Room(data.size + data.size // 64 + 16 * _KIB)
        self._output = Room(data.size + 1)
        self._trouble = ""

    def execute(self) -> None:
        """Pack the corpus, then unpack the stream."""
        self.pack()
        self.unpack()

    def pack(self) -> None:
        """The first half of a pass."""
        self._stream.fill(self._codec.pack(self._input.data))

    def unpack(self) -> None:
        """The second half. A stream that cannot be unpacked gives an empty output, not a crash."""
        self._trouble = ""
        try:
            output = self._codec.unpack(self._stream.content.data, self._input.size + 1)
        except self._codec.errors as error:
            self._trouble = f"{type(error).__name__}: {error}"
            output = b""
        self._output.fill(output)

    def digest(self) -> int:
        """Of the stream and the output, lengths included."""
        return combine(fold(self._stream.content), fold(self._output.content))

    def inputs_digest(self) -> int:
        """Of the corpus."""
        return fold(self._input)

    def buffers(self) -> dict[str, Buffer]:
        """Corpus, stream and output as bytes."""
        return {
            "input_corpus": self._input,
            "result_stream": self._stream.content,
            "result_output": self._output.content,
        }

    def invariants(self) -> tuple[Finding, ...]:
        """The format's own checksum, and the round trip byte for byte."""
        unpacked = Finding("stream unpacks", not self._trouble, self._trouble or "no error")
        return (unpacked, _round_trip(self._input, self._output.content))


def _round_trip(data: Bytes, output: Bytes) -> Finding:
    name = "round trip"
    if data.size != output.size:
        return Finding(name, False, f"expected {data.size} bytes, unpacked {output.size}")
    unequal = np.flatnonzero(data != output)
    if not unequal.size:
        return Finding(name, True, f"all {data.size} bytes equal")
    at = int(unequal[0])
    found = f"expected 0x{data[at]:02x}, found 0x{output[at]:02x}"
    return Finding(name, False, f"{unequal.size} bytes differ, first at {at}: {found}")


def _corpus_bytes(default: int) -> Parameter:
    return Parameter(default, "size of the corpus one pass packs", "bytes", 4 * _KIB, 1024 * _MIB)


class Compression(Workload):
    """What the four formats have in common."""

    version = 1
    family = "compression"
    unit = "byte"
    check = "digest of the stream and of the output unpacked again; round trip byte for byte"
    slowest_per_second = 5e4
    codec: ClassVar[type[Codec]]

    def memory_bytes(self, parameters: Parameters) -> int:
        """Corpus, stream, output, the library's copies of both, and its working memory."""
        return 5 * _size(parameters) + _MIB + self.working_bytes(parameters)

    @abstractmethod
    def working_bytes(self, parameters: Parameters) -> int:
        """Working memory of the library for these parameters."""

    def prepare(self, parameters: Parameters, seed: int) -> Task:
        """Generate the corpus of `seed`."""
        size = _size(parameters)
        return CompressionTask(self.codec(_level(parameters), size), corpus.text(seed, size))

    def warm(self) -> None:
        """Compile the corpus generator and the digest, load the library."""
        task = self.prepare(self.complete({"corpus_bytes": 4 * _KIB}), seed=1)
        task.execute()
        task.digest()


def _size(parameters: Parameters) -> int:
    return int(str(parameters["corpus_bytes"]))


def _level(parameters: Parameters) -> int:
    return int(str(parameters["level"]))


class DeflateWorkload(Compression):
    """DEFLATE: hash chains, bit packing."""

    name = "deflate"
    purpose = "string matching over a 32 KiB window and bit packing, in the first-level cache"
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "corpus_bytes": _corpus_bytes(512 * _KIB),
        "level": Parameter(6, "effort of the search for matches", low=1, high=9),
    }
    codec = Deflate

    def working_bytes(self, parameters: Parameters) -> int:
        """256 KiB to pack and 44 KiB to unpack (zconf.h, MAX_WBITS 15 and memory level 8)."""
        return 300 * _KIB

    def code_path(self, parameters: Parameters) -> str:
        """The library that is loaded, not the one Python was built with."""
        return f"zlib {zlib.ZLIB_RUNTIME_VERSION} ({loaded_library('zlib', 'libz')})"


class Bzip2Workload(Compression):
    """bzip2: block sorting."""

    name = "bzip2"
    purpose = "block sorting: branchy comparisons and scattered reads over the second-level cache"
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "corpus_bytes": _corpus_bytes(512 * _KIB),
        "level": Parameter(9, "block size in units of 100,000 bytes", low=1, high=9),
    }
    codec = Bzip2

    def working_bytes(self, parameters: Parameters) -> int:
        """400k + 8 blocks to pack, 100k + 4 blocks to unpack (bzip2's manual, section 2.5)."""
        return 500_000 + 12 * 100_000 * _level(parameters)

    def code_path(self, parameters: Parameters) -> str:
        """Python does not tell the library's version, so its file stands for it."""
        return f"bzip2 ({loaded_library('_bz2', 'libbz2')})"


class LzmaWorkload(Compression):
    """LZMA2: long matches and range coding."""

    name = "lzma"
    purpose = "match search in large tables and range coding: branches that cannot be predicted"
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "corpus_bytes": _corpus_bytes(384 * _KIB),
        "level": Parameter(1, "preset of the .xz format", low=0, high=9),
    }
    codec = Lzma

    def working_bytes(self, parameters: Parameters) -> int:
        """11.5 dictionaries at most (xz's manual page: 94 MiB at 8 MiB) and fixed tables."""
        return 12 * max(_size(parameters), 64 * _KIB) + 8 * _MIB

    def code_path(self, parameters: Parameters) -> str:
        """Python does not tell the library's version, so its file stands for it."""
        return f"lzma ({loaded_library('_lzma', 'liblzma')})"


class ZstandardWorkload(Compression):
    """Zstandard: fast matching, finite-state entropy coding."""

    name = "zstandard"
    purpose = "fast string matching in the second-level cache and finite-state entropy coding"
    parameters: ClassVar[Mapping[str, Parameter]] = {
        "corpus_bytes": _corpus_bytes(4 * _MIB),
        "level": Parameter(3, "effort of the search for matches", low=1, high=19),
    }
    codec = Zstandard

    def working_bytes(self, parameters: Parameters) -> int:
        """The library's own estimate, and a window to unpack."""
        import zstandard

        chosen = zstandard.ZstdCompressionParameters.from_level(
            _level(parameters), source_size=_size(parameters)
        )
        packing: int = chosen.estimated_compression_context_size()
        return packing + _size(parameters) + 2 * _MIB

    def code_path(self, parameters: Parameters) -> str:
        """The library's version, the binding through which it is reached, and its file."""
        import zstandard

        version = ".".join(str(part) for part in zstandard.ZSTD_VERSION)
        backend = {"cext": "backend_c", "rust": "backend_rust"}.get(zstandard.backend, "_cffi")
        file = loaded_library(f"zstandard.{backend}", "libzstd")
        return f"zstd {version} ({zstandard.backend}, {file})"
