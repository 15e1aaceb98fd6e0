"""Profiles, records, settings, notes and folder names are a stranger's words: none of them reaches
a terminal or a page raw, and none of them starts a program without permission.

Oracle: the characters themselves, looked for in everything that a terminal of its own received.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from html.parser import HTMLParser
from pathlib import Path

import pytest

from harness.outcome import ExitCode
from harness.record.database import RECORD_NAME
from tests.faults.rigs import ENTRY, HERE, Rig

#: A terminal's title, its colours, markup, the direction of writing, a screen cleared by one
#: character of the second control set, and a forged line.
EVIL = "x\x1b]0;owned\x07\x1b[31m<script>alert(1)</script>\u202e\u009b2J\r\nFAKE=1"
#: What must arrive nowhere. Rich's own colours are allowed; these sequences are not among them.
RAW = re.compile("\x1b\\]0;|\x07|\x1b\\[31m<|[\u202a-\u202e\u0080-\u009f]|\nFAKE")

QUICK = """
format: 1
name: quick
purpose: "\\e[31m<b>red</b>"
loads:
  - {workload: zstandard, parameters: {corpus_bytes: 65536}, trials: 3, trial_seconds: 0.1}
sampling: {rate_hz: 10}
safety: {whose_limit: "\\e]0;owned\\a<i>mine</i>"}
accept:
  - {criterion: no-failures}
"""


@pytest.fixture(scope="module")
def rig(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rig]:
    """A rig with one run whose settings and notes are hostile, and a copy with a hostile record."""
    with Rig(tmp_path_factory.mktemp("untrusted")) as made:
        done = made.run(QUICK, "--set", f"{EVIL}={EVIL}", "--note", EVIL)
        assert done.ended() == ExitCode.PASS, done.tail
        assert not RAW.search(done.stderr + done.stdout)
        folder = made.folder()
        assert folder is not None
        shutil.copytree(folder, hostile(made))
        with closing(sqlite3.connect(hostile(made) / RECORD_NAME)) as database:
            database.execute("UPDATE header SET run_id = ?, profile_name = ?", (EVIL, EVIL))
            database.execute("UPDATE loads SET name = ?, workload = ?, unit = ?", (EVIL,) * 3)
            database.execute("UPDATE events SET text = ?", (EVIL,))
            database.commit()
        yield made


def hostile(rig: Rig) -> Path:
    return rig.runs_dir / "20270101T000000Z-\x1b[31m<b>evil\u202e"


def on_a_terminal(rig: Rig, *words: str) -> str:
    """Everything that a command writes to a terminal of its own."""
    if not hasattr(os, "openpty"):
        pytest.skip("this system has no pseudo-terminals")
    ours, theirs = os.openpty()
    environment = rig.environment(TERM="xterm-256color")
    process = subprocess.Popen(
        [sys.executable, "-c", ENTRY, *words],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        cwd=HERE,
        env=environment,
    )
    os.close(theirs)
    received = b"".join(pieces(ours))
    os.close(ours)
    assert process.wait() != ExitCode.ERROR
    return received.decode("utf-8", "replace")


def pieces(descriptor: int) -> Iterator[bytes]:
    while True:
        try:
            piece = os.read(descriptor, 1 << 16)
        except OSError:  # Linux's end of a pseudo-terminal
            return
        if not piece:
            return
        yield piece


COMMANDS = (
    "runs",
    "runs --json",
    "report RUN",
    "report RUN --verify",
    "judge RUN",
    "judge RUN --json",
    "watch RUN --once",
    "watch RUN --json",
    "compare RUN RUN",
    "export RUN --to CSV",
    "resume RUN",
    "report NAME",
)


@pytest.mark.parametrize("command", COMMANDS)
def test_nothing_of_a_hostile_record_reaches_a_terminal_raw(rig: Rig, command: str) -> None:
    given = {"RUN": str(hostile(rig)), "NAME": EVIL, "CSV": str(rig.place / "csv")}
    words = [given.get(word, word) for word in command.split()]
    received = on_a_terminal(rig, *words)
    assert received
    assert not RAW.search(received), received
    assert "Traceback" not in received
    if "--json" in words:
        json.loads(received)


def test_a_run_shows_a_hostile_note_harmlessly_while_it_goes_on(rig: Rig) -> None:
    profile = rig.place / "live.yaml"
    profile.write_text(QUICK)
    received = on_a_terminal(rig, "run", str(profile), "--note", EVIL)
    assert "\x1b[" in received  # it was drawn on a terminal
    assert not RAW.search(received)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("name: quick", 'name: "\\e[31m<\\x9b2J"'),
        ("name: quick", '"\\e]0;owned\\a": quick'),
        ("workload: zstandard", 'workload: "\\e[31m<\\u202e"'),
        ("criterion: no-failures", 'criterion: "\\e]0;\\a"'),
    ],
)
def test_an_error_about_a_profile_quotes_it_harmlessly(rig: Rig, before: str, after: str) -> None:
    path = rig.place / "evil.yaml"
    path.write_text(QUICK.replace(before, after))
    received = on_a_terminal(rig, "check", str(path))
    assert "evil.yaml" in received
    assert not RAW.search(received)


class Page(HTMLParser):
    """Elements of a page, and whether any of the stranger's came through as one."""

    def __init__(self) -> None:
        super().__init__()
        self.elements: set[str] = set()
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.add(tag)
        assert not any(name.startswith("on") for name, _ in attrs)

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_pages_show_markup_as_text_and_invisible_characters_by_their_names(rig: Rig) -> None:
    on_a_terminal(rig, "report", str(hostile(rig)))
    reports = [*rig.runs_dir.rglob("report.html")]
    assert len(reports) >= 2
    for report in reports:
        source = report.read_text("utf-8")
        assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e]", source)
        page = Page()
        page.feed(source)
        assert "i" not in page.elements
        text = "".join(page.text)
        assert "<script>alert(1)</script>" in text  # as text, where it was given
        assert "[U+202E]" in text


COMMAND = """
format: 1
name: starts-programs
loads:
  - workload: command
    parameters: {argv: [TOUCH, LOAD]}
    trials: 3
    trial_seconds: 0.1
  - {workload: zstandard, parameters: {corpus_bytes: 65536}, trials: 3, trial_seconds: 0.1}
sampling:
  rate_hz: 10
  external:
    - {name: probe, argv: [TOUCH, SENSOR], unit: V}
accept:
  - {criterion: no-failures}
"""


@pytest.mark.parametrize("allowed", [False, True])
def test_a_profile_starts_programs_only_with_permission(tmp_path: Path, allowed: bool) -> None:
    proofs = {name: tmp_path / name.lower() for name in ("LOAD", "SENSOR")}
    text = COMMAND.replace("TOUCH", str(shutil.which("touch")))
    for name, proof in proofs.items():
        text = text.replace(name, str(proof))
    with Rig(tmp_path) as rig:
        done = rig.run(text, *(["--allow-commands"] if allowed else []))
        done.ended()
        assert "Traceback" not in done.stderr
        data = rig.data()
    reasons = {load.workload: load.reason for load in data.loads}
    assert [proof.exists() for proof in proofs.values()] == [allowed, allowed]
    assert ("--allow-commands" in reasons["command"]) is not allowed
    absent = [it.channel.absent_reason for it in data.channels if it.channel.source == "command"]
    assert any("--allow-commands" in reason for reason in absent) is not allowed
