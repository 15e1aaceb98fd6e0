"""From a file to a validated profile; every error is one line with file, line and key."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

import workloads.registry
from harness.errors import ProfileError, nearest
from harness.profile.checks import violations
from harness.profile.messages import Finding, findings, located
from harness.profile.model import Profile
from harness.profile.positions import MAXIMUM_BYTES, decode, one_line, read_tree
from harness.profile.registry import WorkloadRegistry


@dataclass(frozen=True)
class LoadedProfile:
    """A profile with the exact text it came from; `sha256` is that text's, as UTF-8."""

    profile: Profile
    text: str
    sha256: str
    path: Path


def load_profile(
    path_or_name: str | Path, *, registry: WorkloadRegistry = workloads.registry
) -> LoadedProfile:
    """The profile in a file, or a shipped one by name. Raises ProfileError."""
    path = find_profile(path_or_name)
    text = decode(_read_bounded(path), str(path))
    profile = parse_profile(text, str(path), registry=registry)
    return LoadedProfile(profile, text, sha256_of(text), path)


def parse_profile(
    text: str, name: str = "profile", *, registry: WorkloadRegistry | None = workloads.registry
) -> Profile:
    """The profile in `text`; `name` stands for the file in errors.

    `registry` None leaves out the rules about workloads: for the stored text of an old record.
    """
    root = read_tree(text, name)
    try:
        profile = Profile.model_validate(root.plain())
    except ValidationError as error:
        raise _profile_error(findings(error, root), name) from None
    if registry is not None:
        found = [located(item.path, item.message, root) for item in violations(profile, registry)]
        if found:
            raise _profile_error(sorted(found, key=lambda item: item.line), name)
    return profile


def sha256_of(text: str) -> str:
    """Hexadecimal SHA-256 (FIPS 180-4) of a profile's text."""
    return hashlib.sha256(text.encode()).hexdigest()


def shipped_profiles() -> dict[str, Path]:
    """The shipped profiles by name: from the wheel's copy, else from the source checkout."""
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "shipped_profiles", package.parent / "profiles"):
        if folder.is_dir():
            return {path.stem: path for path in sorted(folder.glob("*.yaml"))}
    return {}


def find_profile(path_or_name: str | Path) -> Path:
    """The path itself, or that of the shipped profile of this name. Raises ProfileError."""
    text = os.fspath(path_or_name)
    shipped = shipped_profiles()
    if text in shipped:
        return shipped[text]
    path = Path(text)
    if "\0" not in text and path.exists():
        return path
    if _looks_like_a_path(text):
        raise ProfileError("no such file: give a path, or a shipped profile's name", path=text)
    raise ProfileError(f"received '{text}', no shipped profile and no file; {_remedy(text)}")


def _remedy(text: str) -> str:
    return nearest(text, list(shipped_profiles()))


def _looks_like_a_path(text: str) -> bool:
    return text.endswith((".yaml", ".yml")) or "/" in text or os.sep in text


def _read_bounded(path: Path) -> bytes:
    """The file's bytes, one more than allowed at most. Never waits on a pipe or a device."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise ProfileError("received something that is no plain file: give a file", path=path)
        with path.open("rb") as file:
            return file.read(MAXIMUM_BYTES + 1)
    except OSError as error:
        reason = error.strerror or str(error)
        raise ProfileError(f"cannot be read ({reason}): give a readable file", path=path) from None


def _profile_error(found: Sequence[Finding], name: str) -> ProfileError:
    first, more = found[0], len(found) - 1
    others = "" if not more else f" (and {more} more problem{'s' if more > 1 else ''} after it)"
    return ProfileError(one_line(first.text) + others, path=name, line=first.line, key=first.key)
