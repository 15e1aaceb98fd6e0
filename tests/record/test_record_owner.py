"""Which process a run belongs to: alive, gone, its pid used again, its machine restarted."""

from __future__ import annotations

import dataclasses
import subprocess
import sys

import pytest
from owner_samples import gone, this_process
from record_samples import BOOT_ID

from harness.record.owner import (
    Owner,
    owner_is_alive,
    process_mark,
    restarted_since,
    terminal_name,
)


@pytest.fixture
def me() -> Owner:
    return this_process()


def test_this_process_is_alive_and_its_past_and_future_are_not(me: Owner) -> None:
    assert owner_is_alive(me, BOOT_ID)
    assert not owner_is_alive(me, "another boot")
    assert not owner_is_alive(dataclasses.replace(me, mark="ticks 0"), BOOT_ID)
    assert not owner_is_alive(gone(me), BOOT_ID)


def test_a_mark_from_a_boot_before_is_not_this_process_although_pid_and_ticks_are(
    me: Owner,
) -> None:
    """A service gets the same pid at the same tick after every restart."""
    if not me.own_boot_id:
        pytest.skip("only Linux tells its boot's id")
    before = me.mark.replace(me.own_boot_id, "boot-before")
    assert not owner_is_alive(dataclasses.replace(me, mark=before), BOOT_ID)


def test_marks_of_early_records_that_say_no_boot_are_still_known(me: Owner) -> None:
    early = dataclasses.replace(me, mark=me.mark.partition(" of boot ")[0])
    assert (early.own_boot_id, owner_is_alive(early, BOOT_ID)) == ("", True)
    shorter = dataclasses.replace(early, mark=early.mark[:-1])
    assert not owner_is_alive(shorter, BOOT_ID)


@pytest.mark.parametrize(
    ("told", "before", "tree_now", "now", "restarted"),
    [
        ("real-1", "real-1", "real-1", "real-1", False),
        ("real-1", "real-1", "real-2", "real-2", True),
        ("tree-1", "real-1", "real-1", "real-1", False),
        ("real-1", "real-1", "tree-1", "real-1", False),
        ("tree-1", "real-1", "real-2", "real-2", True),
        ("tree-1", "real-1", "tree-1", "real-1", False),
        ("tree-1", "real-1", "tree-2", "real-1", True),
        ("tree-1", "real-1", "tree-1", "real-2", True),
        # Records that do not say which real boot it was.
        ("real-1", "", "real-1", "real-1", False),
        ("real-1", "", "real-2", "real-2", True),
        ("real-1", "", "tree-1", "real-1", False),
        ("tree-1", "", "tree-1", "real-2", False),
        ("tree-1", "", "tree-2", "real-1", True),
    ],
)
def test_a_restart_is_told_from_two_trees_that_describe_machines(
    me: Owner, told: str, before: str, tree_now: str, now: str, restarted: bool
) -> None:
    """Oracle: the table, line by line: the tree of then and now, the real boot of then and now."""
    mark = f"ticks 1 of boot {before}" if before else "ticks 1"
    owner = dataclasses.replace(me, boot_id=told, mark=mark)
    assert restarted_since(owner, tree_now, now) is restarted


def test_a_process_that_ended_but_was_not_waited_for_is_gone() -> None:
    child = subprocess.Popen([sys.executable, "-c", ""], stdout=subprocess.PIPE)
    assert child.stdout is not None
    child.stdout.read()  # end of file: the child has closed its descriptors
    for _ in range(10_000_000):
        if process_mark(child.pid) is None:
            break
    assert process_mark(child.pid) is None
    child.communicate()


def test_without_a_terminal_its_name_is_empty() -> None:
    code = "from harness.record.owner import terminal_name; print(repr(terminal_name()))"
    shown = subprocess.run(
        [sys.executable, "-c", code],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=True,
    )
    assert shown.stdout == "''\n"
    assert isinstance(terminal_name(), str)
