"""What the two compile loads share: a text goes in, an object file comes out, its program is run.

Every pass must make the same object file, byte for byte. Whether those bytes are right is answered
by running them: the program prints what it computed, and `programs.run` knows what it means.

Source: generated programs whose answer is known as a check of a compiler: McKeeman (1998),
"Differential testing for software", Digital Technical Journal 10(1).
"""

from __future__ import annotations

from abc import abstractmethod
from typing import TYPE_CHECKING, ClassVar

import numpy as np

from workloads import programs
from workloads.contract import Finding, Task
from workloads.digest import combine, fold
from workloads.room import Room

if TYPE_CHECKING:
    from workloads.contract import Buffer

#: The seed that compiled drivers are called with.
DRIVER_SEED = 1


class CompileTask(Task):
    """One lane's text and the object file made of it; what is compiled is told by `what`.

    A subclass fills `_object` in `execute` and says in `_trouble` why it is empty.
    """

    #: What one text is: the buffer's name and the finding's.
    what: ClassVar[str]

    def __init__(self, units: tuple[programs.Unit, ...], text: str, room_bytes: int) -> None:
        super().__init__()
        self._units = units
        self._text = np.frombuffer(bytearray(text.encode("ascii")), np.uint8)
        self._object = Room(room_bytes)
        self._trouble = ""

    def digest(self) -> int:
        """Of the object file's bytes."""
        return combine(fold(self._object.content))

    def inputs_digest(self) -> int:
        """Of the text."""
        return fold(self._text)

    def buffers(self) -> dict[str, Buffer]:
        """The text and its object file."""
        return {f"input_{self.what}": self._text, "result_object": self._object.content}

    def invariants(self) -> tuple[Finding, ...]:
        """The text compiles; the compiled program answers what its tree means."""
        trouble = self._trouble
        compiles = Finding(f"{self.what} compiles", not trouble, trouble or "no error")
        return (compiles, self._answer()) if compiles.ok else (compiles,)

    @abstractmethod
    def _answer(self) -> Finding:
        """Run what was compiled; see `answer_finding`."""


def answer_finding(output: bytes, ended: str, units: tuple[programs.Unit, ...]) -> Finding:
    """Whether a compiled driver printed what `programs.run` evaluates."""
    wanted = f"{programs.run(units, DRIVER_SEED):#018x}"
    found = output.decode(errors="replace").strip() or "nothing"
    detail = f"expected {wanted}, printed {found[:80]} ({ended})"
    return Finding("compiled program's answer", found == wanted, detail)
