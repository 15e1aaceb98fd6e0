"""The wheel carries what a run needs: packages, profiles, templates, schema, licence."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("dist")
    words = ["-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(HERE)]
    subprocess.run([sys.executable, *words], check=True, capture_output=True)
    return next(out.glob("*.whl"))


def test_the_wheel_holds_code_profiles_templates_and_schema(wheel: Path) -> None:
    names = set(zipfile.ZipFile(wheel).namelist())
    wanted = {
        "harness/record/schema.sql",
        "harness/shipped_profiles/first-look.yaml",
        "reports/templates/report.html.j2",
        "reports/templates/style.css",
        "workloads/matmul.py",
    }
    assert wanted <= names
    assert not [name for name in names if name.startswith("tests/")]


def test_shipped_profiles_are_found_from_an_unpacked_wheel_in_an_empty_folder(
    wheel: Path, tmp_path: Path
) -> None:
    site, work = tmp_path / "site", tmp_path / "work"
    work.mkdir()
    zipfile.ZipFile(wheel).extractall(site)
    code = (
        f"import sys; sys.path = [p for p in sys.path if p != {str(HERE)!r}];"
        f"sys.path.insert(0, {str(site)!r});"
        "from harness.cli.main import entry; entry()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "check", "first-look"],
        capture_output=True,
        text=True,
        check=False,
        cwd=work,
        env={**os.environ, "PYTHONPATH": str(site)},
    )
    assert done.returncode == 0, done.stderr
    assert "18 trials" in done.stdout
