"""What both compile loads promise. Oracle: the meaning of the generated program, evaluated."""

from __future__ import annotations

from workloads import programs, programs_seeded
from workloads.compiling import DRIVER_SEED, CompileTask, answer_finding
from workloads.contract import Finding

UNITS = (programs_seeded.unit("unit", 1, 2),)
RIGHT = f"{programs.run(UNITS, DRIVER_SEED):#018x}\n".encode()


class Copied(CompileTask):
    """A compiler whose object file is the text itself."""

    what = "page"

    def execute(self) -> None:
        text = self._text.tobytes()
        self._trouble = "" if text.isascii() else "no text"
        self._object.fill(b"" if self._trouble else text)

    def _answer(self) -> Finding:
        return answer_finding(RIGHT, "exit status 0", self._units)


def copied() -> Copied:
    task = Copied(UNITS, "some text", 100)
    task.execute()
    return task


def test_the_text_is_the_input_and_the_object_file_the_result() -> None:
    task = copied()
    buffers = {name: array.tobytes() for name, array in task.buffers().items()}
    assert buffers == {"input_page": b"some text", "result_object": b"some text"}


def test_digests_follow_the_text_and_the_object_file() -> None:
    task = copied()
    right = task.digest(), task.inputs_digest()
    task.buffers()["result_object"][3] ^= 1
    assert task.digest() != right[0]
    assert task.inputs_digest() == right[1]
    task.buffers()["input_page"][3] ^= 1
    assert task.inputs_digest() != right[1]


def test_a_text_that_compiles_is_run_and_one_that_does_not_says_why() -> None:
    task = copied()
    assert [finding.ok for finding in task.invariants()] == [True, True]
    task.buffers()["input_page"][0] = 0xFF
    task.execute()
    assert task.invariants() == (Finding("page compiles", False, "no text"),)


def test_only_the_programs_own_answer_is_right() -> None:
    assert answer_finding(RIGHT, "exit status 0", UNITS).ok
    for output in (b"", RIGHT[:-2], RIGHT.upper()):
        wrong = answer_finding(output, "killed by SIGSEGV", UNITS)
        assert not wrong.ok
        assert "killed by SIGSEGV" in wrong.detail
