"""What a golden that lanes agree on is keyed by."""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
import scipy
import threadpoolctl

from workloads import codepath
from workloads.codepath import blas_kernel, file_digest, loaded_library, numpy_blas, scipy_blas

BLAS = {"user_api": "blas", "internal_api": "openblas", "version": "0.3", "architecture": "Haswell"}


def test_both_libraries_are_named_with_their_versions() -> None:
    assert numpy_blas().startswith(f"numpy {np.__version__}, ")
    assert scipy_blas().startswith(f"scipy {scipy.__version__}, ")


@pytest.mark.parametrize(
    ("found", "told"),
    [
        ([], "unknown BLAS"),
        ([{"user_api": "openmp", "internal_api": "openmp"}], "unknown BLAS"),
        ([{**BLAS, "filepath": "/usr/lib/libopenblas.so"}], "openblas 0.3 Haswell"),
        (
            [
                {**BLAS, "filepath": "/env/scipy.libs/a.so", "architecture": "Zen"},
                {**BLAS, "filepath": "/env/numpy.libs/a.so"},
            ],
            "openblas 0.3 Haswell",
        ),
        ([{"user_api": "blas", "internal_api": "mkl", "version": "2024.1"}], "mkl 2024.1"),
    ],
)
def test_the_librarys_own_blas_comes_first_then_the_systems(
    monkeypatch: pytest.MonkeyPatch, found: list[dict[str, Any]], told: str
) -> None:
    monkeypatch.setattr(threadpoolctl, "threadpool_info", lambda: found)
    assert blas_kernel("numpy") == told


@pytest.fixture
def maps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """What the system says is mapped, to be written by the test; nothing is remembered."""
    path = tmp_path / "maps"
    monkeypatch.setattr(codepath, "_MAPS", path)
    loaded_library.cache_clear()
    yield path
    loaded_library.cache_clear()


@pytest.fixture
def extension(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """A module that can be imported by name, with a file of its own."""
    made = ModuleType("squeezer")
    file = tmp_path / "squeezer.so"
    file.write_bytes(b"extension")
    made.__file__ = str(file)
    monkeypatch.setitem(sys.modules, "squeezer", made)
    return made


def line(path: Path) -> str:
    return f"7f00-7f01 r-xp 00000000 08:01 99    {path}\n"


def digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:16]


def test_a_shared_library_that_was_updated_under_its_old_version_is_another_code_path(
    maps: Path, extension: ModuleType, tmp_path: Path
) -> None:
    library = tmp_path / "libsqueeze.so.1.0"
    found = []
    for content in (b"as released", b"patched"):
        library.write_bytes(content)
        maps.write_text(line(Path("/usr/lib/libc.so.6")) + line(library) * 3)
        loaded_library.cache_clear()
        found.append(loaded_library("squeezer", "libsqueeze"))
        assert found[-1].endswith(f", libsqueeze.so.1.0 {digest(content)}")
        assert found[-1].startswith(f"squeezer.so {digest(b'extension')}")
    assert found[0] != found[1]


def test_a_library_of_a_longer_name_is_another_one(
    maps: Path, extension: ModuleType, tmp_path: Path
) -> None:
    maps.write_text(line(tmp_path / "libsqueezed.so.1") + line(tmp_path / "old-libsqueeze.so.1"))
    assert loaded_library("squeezer", "libsqueeze") == f"squeezer.so {digest(b'extension')}"


def test_where_the_system_does_not_tell_what_is_mapped_that_is_said(
    maps: Path, extension: ModuleType
) -> None:
    told = loaded_library("squeezer", "libsqueeze")
    assert told == f"squeezer.so {digest(b'extension')}, libsqueeze not known"


def test_an_extension_within_the_interpreter_is_pinned_by_its_build(
    maps: Path, extension: ModuleType
) -> None:
    maps.write_text("")
    del extension.__file__
    told = loaded_library("squeezer", "libsqueeze")
    assert told == f"Python {' '.join(sys.version.split())}"


def test_a_file_that_was_replaced_while_in_use_has_no_digest_and_says_so(tmp_path: Path) -> None:
    assert file_digest(tmp_path / "gone (deleted)") == "without digest (No such file or directory)"


def test_libraries_that_this_python_has_mapped_are_found() -> None:
    """Oracle: the file's digest by hand, for every library that some module here links."""
    loaded_library.cache_clear()
    for module, library in (("_bz2", "libbz2"), ("_lzma", "liblzma"), ("zlib", "libz")):
        told = loaded_library(module, library)
        mapped = codepath.mapped_files(library) or []
        assert all(digest(path.read_bytes()) in told for path in mapped), json.dumps(told)
        place = getattr(sys.modules[module], "__file__", None)
        assert place is None or digest(Path(place).read_bytes()) in told
