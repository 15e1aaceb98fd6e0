"""The command line: exit codes, clean JSON, one-line errors, nothing heavy before it is needed."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ENTRY = "import sys; from harness.cli.main import entry; sys.argv[0] = 'rigproof'; entry()"
HERE = Path(__file__).resolve().parents[2]


def rigproof(*words: str, **env: str) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-c", ENTRY, *words],
        capture_output=True,
        text=True,
        check=False,
        cwd=HERE,
        env={**os.environ, **env},
        timeout=120,
    )


def test_help_lists_every_verb() -> None:
    done = rigproof("--help")
    verbs = (
        "run resume requalify compare judge report watch runs sensors machine workloads check "
        "schema self-test export"
    )
    assert done.returncode == 0
    assert all(f"\n  {verb}" in done.stdout for verb in verbs.split())
    assert "..." not in done.stdout.partition("Commands:")[2]  # no description is cut


def test_help_loads_no_heavy_library() -> None:
    heavy = "numpy numba scipy pydantic rich psutil jinja2 sqlite3 multiprocessing"
    code = (
        "import sys\nfrom harness.cli.main import app\n"
        f"print([name for name in {heavy.split()!r} if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=HERE
    )
    assert done.stdout.strip() == "[]"


def test_nothing_that_only_linux_has_is_imported_at_the_start() -> None:
    hidden = "fcntl resource termios tty pwd grp select_epoll"
    code = (
        "import sys\n"
        f"for name in {hidden.split()!r}: sys.modules[name] = None\n"
        "import harness.cli.main, harness.running, harness.lanes.worker, harness.lanes.stretch\n"
        "import harness.sensors.sampler, harness.sensors.catalogue, harness.machine.facts\n"
        "import harness.record.writer, harness.record.lock, harness.judgement.analysis\n"
        "import reports.write, workloads.registry, harness.pytest_plugin\n"
        "from workloads.registry import names, load\n"
        "print(len([load(name) for name in names()]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=HERE
    )
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) >= 20


@pytest.mark.parametrize(
    ("words", "telling"),
    [
        (("run", "no-such-profile"), "no-such-profile"),
        (("check", "no/such/file.yaml"), "file.yaml"),
        (("report", "nothing-of-that-name"), "nothing-of-that-name"),
        (("compare", "a", "b", "--margin", "0"), "--margin received 0"),
        (("compare", "missing.csv", "missing.csv"), "missing.csv"),
        (("run", "first-look", "--set", "novalue"), "NAME=VALUE"),
        (("run", "first-look", "-k", "nosuch"), "-k 'nosuch' selects no load; loads of first-look"),
        (("resume", "nothing-of-that-name"), "nothing-of-that-name"),
        (("requalify", "nothing-of-that-name"), "nothing-of-that-name"),
        (("requalify", "first", "--set", "novalue"), "NAME=VALUE"),
        (("self-test", "--lane", "9999"), "--lane received 9999"),
        (("self-test", "--workload", "zstandart"), "zstandard"),
        (("frobnicate",), "frobnicate"),
    ],
)
def test_bad_input_is_one_clear_line_and_exit_2(
    words: tuple[str, ...], telling: str, tmp_path: Path
) -> None:
    done = rigproof(*words, RIGPROOF_RUNS_DIR=str(tmp_path))
    assert done.returncode == 2
    assert telling in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""
    # The parser of the command line shows how it is used; everything else is one line: no caution
    # and no path comes before it, and nothing is made.
    assert len(done.stderr.splitlines()) == 1 or done.stderr.startswith("Usage: "), done.stderr
    assert list(tmp_path.iterdir()) == []


def test_check_prints_the_plan_as_json() -> None:
    done = rigproof("check", "first-look", "--json")
    plan = json.loads(done.stdout)
    assert plan["trials"] == 18
    assert plan["estimated_seconds"] < 90
    assert plan["memory_bytes"] > 0


def test_schema_is_json_schema() -> None:
    document = json.loads(rigproof("schema").stdout)
    assert document["$schema"].startswith("https://json-schema.org/")


def test_workloads_tells_unit_check_and_availability() -> None:
    found = json.loads(rigproof("workloads", "--json").stdout)
    assert len(found) >= 20
    assert all(item["unit"] and item["check"] for item in found)
    assert all(item["available"] or item["reason"] for item in found)
    goldens = {item["name"]: item["golden"] for item in found}
    assert goldens["fma-fp64"] == "shipped"
    assert goldens["ntt"].endswith("agreed by the lanes for others")
    assert goldens["lzma"] == "agreed by the lanes"
    assert goldens["command"].startswith("told by the profile")


def test_an_empty_runs_folder_lists_nothing(tmp_path: Path) -> None:
    done = rigproof("runs", "--json", "--runs-dir", str(tmp_path))
    assert done.returncode == 0
    assert json.loads(done.stdout) in ([], {"runs": []}) or "runs" in json.loads(done.stdout)


FIVE = [100.0, 100.1, 99.9, 100.05, 99.95]


def typed(path: Path, values: list[float]) -> str:
    lines = [f"render,{value},frame/s,higher" for value in values]
    path.write_text("workload,value,unit,better\n" + "\n".join(lines) + "\n")
    return str(path)


@pytest.mark.parametrize(
    ("before", "after", "code", "decision"),
    [
        (FIVE, [106.0, 106.1, 105.9, 106.05, 105.95], 0, "faster"),
        (FIVE, [94.0, 94.1, 93.9, 94.05, 93.95], 1, "slower"),
        ([100.0], [100.3], 3, "undecided"),
    ],
)
def test_typed_values_are_compared_honestly(
    tmp_path: Path, before: list[float], after: list[float], code: int, decision: str
) -> None:
    first = typed(tmp_path / "before.csv", before)
    second = typed(tmp_path / "after.csv", after)
    done = rigproof("compare", first, second, "--json", "--runs-dir", str(tmp_path))
    found = json.loads(done.stdout)
    assert done.returncode == code
    assert found["workloads"][0]["decision"] == decision
    assert found["scope"] == "within one boot"
    promised = "confidence margin_percent workloads scope looks overall changes warnings"
    assert set(promised.split()) <= set(found)


def test_a_shadowed_package_is_refused(tmp_path: Path) -> None:
    (tmp_path / "reports").mkdir()
    (tmp_path / "reports" / "__init__.py").write_text("")
    code = f"import sys; sys.path.insert(0, {str(tmp_path)!r}); sys.path.append({str(HERE)!r});"
    done = subprocess.run(
        [sys.executable, "-c", code + ENTRY, "schema"],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
    )
    assert done.returncode == 5
    assert "reports" in done.stderr
    assert "environment of its own" in done.stderr


def test_what_detect_searched_for_earlier_runs_is_named(tmp_path: Path) -> None:
    done = rigproof("check", "first-look", "--detect", "1", "--runs-dir", str(tmp_path / "none"))
    assert done.returncode == 0, done.stderr
    assert f"(searched: {tmp_path / 'none'})" in done.stdout
