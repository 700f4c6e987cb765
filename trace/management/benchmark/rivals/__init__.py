"""Other ways to keep the same genealogy and to answer the same questions."""

from __future__ import annotations

from typing import Protocol

from trace.management.benchmark.answers import Backward, Forward
from trace.management.benchmark.history import Question


class Rival(Protocol):
    """One other way. `ask` and `look_into` give raw rows, which `forward_of` and `backward_of` bring into the
    common form, outside what is timed."""

    name: str
    version: str

    def build(self) -> None: ...

    def bytes(self) -> int: ...

    def ask(self, question: Question) -> list: ...

    def look_into(self, key: str) -> list: ...

    def forward_of(self, rows: list) -> Forward: ...

    def backward_of(self, rows: list) -> Backward: ...

    def close(self) -> None: ...
