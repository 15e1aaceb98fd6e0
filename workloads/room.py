"""Memory for results whose length may vary from pass to pass when something goes wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


class Room:
    """`capacity` bytes, allocated once and refilled by every pass."""

    def __init__(self, capacity: int) -> None:
        self._memory = np.zeros(capacity, np.uint8)
        #: What the last `fill` left, as a writable view.
        self.content: NDArray[np.uint8] = self._memory[:0]

    def fill(self, data: bytes | bytearray) -> None:
        """Keep a copy of `data`; what does not fit is cut, which changes the digest too."""
        self.content = self._memory[: len(data)]
        self.content[:] = np.frombuffer(data, np.uint8, self.content.size)
