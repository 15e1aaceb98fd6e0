"""Compiled kernels of the register-resident fused multiply-add, in explicit-vector LLVM IR.

Left to itself the autovectoriser reaches 4 to 29 % of the peak with this loop (measured), so the
vectors are written out. One step of the kernel does, for every element e of a block,

    x[e] = fma( m[e, k], y[e], x[e])
    y[e] = fma(-m[e, k], x[e], y[e])        with the new x: a shear each way, determinant 1

and, for every 128 bytes of x, on a general register, `z = rotate_left(z, 29) + k`. The m are read
from a table of 8 x 512 bytes that stays in the L1 cache, row k modulo 8, so each pair of
multiply-adds comes with a load, and the integer units are busy beside the vector units.

A block is 8 independent pairs of vector registers: 8 chains of 4 cycles latency fill two pipes.
Elements never mix, so the vector width changes the speed and not one bit of the result.

With 16 vector registers (AVX2) the 8 pairs take all of them, and the multiplier must be a memory
operand of both multiply-adds. LLVM would read it once, into a register it does not have, and
spill (0.42 of the peak); hiding that the second address equals the first makes it read twice.
"""

from __future__ import annotations

import platform
from typing import Any

from llvmlite import binding, ir
from numba import config as numba_config
from numba import njit
from numba import types as numba_types
from numba.core import cgutils as numba_cgutils
from numba.extending import intrinsic

# numba ships types for few of its functions; these two modules are used as untyped ones.
cgutils: Any = numba_cgutils
types: Any = numba_types

#: Pairs of vector registers in a block.
PAIRS = 8
#: Bytes of x (and of y) for each integer chain.
CHAIN_BYTES = 128
#: Rows of the table, and bytes in a row: one multiplier for each element of the widest block.
TABLE_ROWS = 8
ROW_BYTES = 512

_I64 = ir.IntType(64)
_ROTATE = 29


class _Emitter:
    """Emits the loop over the steps of one block of `PAIRS` pairs of vectors."""

    def __init__(self, builder: Any, lanes: int, bits: int, scarce: bool) -> None:
        self.builder = builder
        self.scarce = scarce
        scalar = ir.DoubleType() if bits == 64 else ir.FloatType()
        self.vector = ir.VectorType(scalar, lanes)
        self.vector_bytes = lanes * bits // 8
        self.chains = PAIRS * self.vector_bytes // CHAIN_BYTES
        kind = ir.FunctionType(self.vector, [self.vector] * 3)
        self.fma = cgutils.get_or_insert_function(builder.module, kind, f"llvm.fma.v{lanes}f{bits}")

    def pointer(self, base: Any, offset: int, kind: Any) -> Any:
        """`base + offset` as a pointer to `kind`."""
        place = self.builder.add(base, ir.Constant(_I64, offset))
        return self.builder.inttoptr(place, kind.as_pointer())

    def load(self, base: Any, offset: int, kind: Any) -> Any:
        """The value at `base + offset`; all arrays are aligned for the vector."""
        value = self.builder.load(self.pointer(base, offset, kind))
        value.align = 8 if kind is _I64 else self.vector_bytes
        return value

    def variables(self, base: Any, count: int, kind: Any, step: int) -> list[Any]:
        """`count` values read from memory into variables, which LLVM turns into registers."""
        made = []
        for place in range(count):
            made.append(cgutils.alloca_once(self.builder, kind))
            self.builder.store(self.load(base, place * step, kind), made[-1])
        return made

    def write_back(self, variables: list[Any], base: Any, kind: Any, step: int) -> None:
        """The variables' values into memory."""
        for place, variable in enumerate(variables):
            value = self.builder.load(variable)
            written = self.builder.store(value, self.pointer(base, place * step, kind))
            written.align = 8 if kind is _I64 else self.vector_bytes

    def blocks(self, places: list[Any], blocks: Any, steps: Any) -> None:
        """All blocks, one after another; `places` are the addresses of x, y, z and the table."""
        size = PAIRS * self.vector_bytes
        with cgutils.for_range(self.builder, blocks) as block:
            start = self.builder.mul(block.index, ir.Constant(_I64, size))
            chain = self.builder.mul(block.index, ir.Constant(_I64, 8 * self.chains))
            column = self.builder.and_(start, ir.Constant(_I64, ROW_BYTES - 1))
            offsets = (start, start, chain, column)
            pairs = zip(places, offsets, strict=True)
            self.block([self.builder.add(place, offset) for place, offset in pairs], steps)

    def block(self, places: list[Any], steps: Any) -> None:
        """`steps` steps of one block, in place."""
        size = self.vector_bytes
        xs = self.variables(places[0], PAIRS, self.vector, size)
        ys = self.variables(places[1], PAIRS, self.vector, size)
        zs = self.variables(places[2], self.chains, _I64, 8)
        with cgutils.for_range(self.builder, steps) as step:
            self.one_step(self.row(places[3], step.index), step.index, xs, ys, zs)
        self.write_back(xs, places[0], self.vector, size)
        self.write_back(ys, places[1], self.vector, size)
        self.write_back(zs, places[2], _I64, 8)

    def row(self, table: Any, step: Any) -> Any:
        """Address of the table's row for a step."""
        row = self.builder.and_(step, ir.Constant(_I64, TABLE_ROWS - 1))
        return self.builder.add(table, self.builder.mul(row, ir.Constant(_I64, ROW_BYTES)))

    def one_step(self, row: Any, index: Any, xs: list[Any], ys: list[Any], zs: list[Any]) -> None:
        """The shears of all pairs, then the integer chains."""
        again = self.hidden(row) if self.scarce else row
        for pair, (x, y) in enumerate(zip(xs, ys, strict=True)):
            self.shear(row, again, pair * self.vector_bytes, x, y)
        for z in zs:
            self.integer(index, z)

    def shear(self, row: Any, again: Any, offset: int, x: Any, y: Any) -> None:
        """x += m y; y -= m x."""
        builder = self.builder
        multiplier = self.load(row, offset, self.vector)
        old_y = builder.load(y)
        new_x = builder.call(self.fma, [multiplier, old_y, builder.load(x)])
        negated = builder.fneg(self.load(again, offset, self.vector))
        builder.store(new_x, x)
        builder.store(builder.call(self.fma, [negated, new_x, old_y]), y)

    def integer(self, index: Any, z: Any) -> None:
        """z = rotate_left(z, 29) + k: LLVM cannot fold two such steps into one."""
        builder = self.builder
        old = builder.load(z)
        left = builder.shl(old, ir.Constant(_I64, _ROTATE))
        right = builder.lshr(old, ir.Constant(_I64, 64 - _ROTATE))
        builder.store(builder.add(builder.or_(left, right), index), z)

    def hidden(self, address: Any) -> Any:
        """The same address by way of an empty piece of assembly: LLVM cannot see it is equal."""
        kind = ir.FunctionType(_I64, [_I64])
        return self.builder.asm(kind, "", "=r,0", [address], True)


def _intrinsic(bits: int, width: int, *, scarce: bool) -> Any:
    """The intrinsic `shear(places, blocks, steps)` for one format and one vector width."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        places = cgutils.unpack_tuple(builder, arguments[0])
        emitter = _Emitter(builder, width // bits, bits, scarce)
        emitter.blocks(places, arguments[1], arguments[2])
        return context.get_dummy_value()

    @intrinsic
    def shear(typing_context, places, blocks, steps):  # type: ignore[no-untyped-def]
        return types.void(types.UniTuple(types.int64, 4), types.int64, types.int64), generate

    return shear


_shear_fp64_512 = _intrinsic(64, 512, scarce=False)
_shear_fp32_512 = _intrinsic(32, 512, scarce=False)
_shear_fp64_256 = _intrinsic(64, 256, scarce=True)
_shear_fp32_256 = _intrinsic(32, 256, scarce=True)
_shear_fp64_128 = _intrinsic(64, 128, scarce=False)
_shear_fp32_128 = _intrinsic(32, 128, scarce=False)


# One module-level function for each: closures would miss numba's cache at every start.
@njit(cache=True, nogil=True)
def _run_fp64_512(places, blocks, steps):  # type: ignore[no-untyped-def]
    _shear_fp64_512(places, blocks, steps)


@njit(cache=True, nogil=True)
def _run_fp32_512(places, blocks, steps):  # type: ignore[no-untyped-def]
    _shear_fp32_512(places, blocks, steps)


@njit(cache=True, nogil=True)
def _run_fp64_256(places, blocks, steps):  # type: ignore[no-untyped-def]
    _shear_fp64_256(places, blocks, steps)


@njit(cache=True, nogil=True)
def _run_fp32_256(places, blocks, steps):  # type: ignore[no-untyped-def]
    _shear_fp32_256(places, blocks, steps)


@njit(cache=True, nogil=True)
def _run_fp64_128(places, blocks, steps):  # type: ignore[no-untyped-def]
    _shear_fp64_128(places, blocks, steps)


@njit(cache=True, nogil=True)
def _run_fp32_128(places, blocks, steps):  # type: ignore[no-untyped-def]
    _shear_fp32_128(places, blocks, steps)


#: (bits of the format, bits of the vector) -> `run(places, blocks, steps)`; `places` are the
#: addresses of x, y, z and the table (see the module's docstring), all aligned to 64 bytes.
RUN = {
    (64, 512): _run_fp64_512,
    (32, 512): _run_fp32_512,
    (64, 256): _run_fp64_256,
    (32, 256): _run_fp32_256,
    (64, 128): _run_fp64_128,
    (32, 128): _run_fp32_128,
}


def vector_bits() -> int:
    """The widest vector this CPU multiplies and adds in one instruction; 0 where it cannot.

    AVX-512 has 32 registers of 512 bits, FMA3 has 16 of 256 bits, AArch64's Advanced SIMD has 32
    of 128 bits and always fuses.
    """
    features = cpu_features()
    if "+avx512f" in features:
        return 512
    if "+fma" in features and "+avx2" in features:
        return 256
    return 128 if platform.machine().lower() in ("aarch64", "arm64") else 0


def cpu_features() -> frozenset[str]:
    """The CPU features that numba compiles for, e.g. ``+avx2`` (numba's own setting obeyed)."""
    given = getattr(numba_config, "CPU_FEATURES", None)
    text = binding.get_host_cpu_features().flatten() if given is None else str(given)
    return frozenset(text.split(","))
