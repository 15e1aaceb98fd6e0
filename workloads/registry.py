"""All workloads by name. Modules load when asked for: listing names costs no heavy import."""

from __future__ import annotations

from importlib import import_module

from workloads.contract import Workload

#: name -> "module:class"; a new workload adds its line here and nothing else.
WORKLOADS: dict[str, str] = {
    "matmul-fp64": "workloads.matmul:MatmulFp64",
    "matmul-fp32": "workloads.matmul:MatmulFp32",
    "matmul-fp64-normal": "workloads.matmul:MatmulFp64Normal",
    "matmul-fp32-normal": "workloads.matmul:MatmulFp32Normal",
    "lu-solve": "workloads.lu:LuSolve",
    "fma-fp64": "workloads.fma:FmaFp64",
    "fma-fp32": "workloads.fma:FmaFp32",
    "fft-fp64": "workloads.fft:FftFp64",
    "fft-fp32": "workloads.fft:FftFp32",
    "ntt": "workloads.ntt:Ntt",
    "heat-stencil": "workloads.stencil:Stencil",
    "conjugate-gradient": "workloads.conjugate_gradient:ConjugateGradient",
    "path-tracer": "workloads.pathtracer:PathTracer",
    "zstandard": "workloads.compression:ZstandardWorkload",
    "deflate": "workloads.compression:DeflateWorkload",
    "bzip2": "workloads.compression:Bzip2Workload",
    "lzma": "workloads.compression:LzmaWorkload",
    "memory-read": "workloads.bandwidth:MemoryRead",
    "memory-write": "workloads.bandwidth:MemoryWrite",
    "memory-transfer": "workloads.bandwidth:MemoryTransfer",
    "memory-multiply-add": "workloads.bandwidth:MemoryMultiplyAdd",
    "memory-latency": "workloads.latency:MemoryLatency",
    "memory-march": "workloads.march:MemoryMarch",
    "fabric-round-trip": "workloads.fabric:FabricRoundTrip",
    "compile-llvm": "workloads.llvm_compile:LlvmCompileWorkload",
    "compile-c": "workloads.c_compile:CCompileWorkload",
    "sieve": "workloads.sieve:SieveWorkload",
    "radix-sort": "workloads.sorting:RadixSortWorkload",
    "sha256-chain": "workloads.sha256:Sha256Workload",
    "command": "workloads.command:CommandWorkload",
}


def names() -> list[str]:
    """All workload names, in the order of the registry."""
    return list(WORKLOADS)


def load(name: str) -> Workload:
    """The workload called `name`. Raises KeyError for an unknown name."""
    module, _, kind = WORKLOADS[name].partition(":")
    found: Workload = getattr(import_module(module), kind)()
    return found
