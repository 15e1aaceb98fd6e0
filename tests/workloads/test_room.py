"""Refillable memory for results."""

from __future__ import annotations

from workloads.room import Room


def test_the_content_is_what_was_filled_in_last() -> None:
    room = Room(8)
    assert room.content.size == 0
    for data in (b"abc", b"12345678", b"", bytearray(b"x")):
        room.fill(data)
        assert room.content.tobytes() == bytes(data)


def test_the_content_can_be_written_to() -> None:
    room = Room(4)
    room.fill(b"abcd")
    room.content[1] = ord("!")
    assert room.content.tobytes() == b"a!cd"


def test_what_does_not_fit_is_cut() -> None:
    room = Room(3)
    room.fill(b"abcdef")
    assert room.content.tobytes() == b"abc"
