"""The tiny plant with all but the resistors settled."""

from tests.genealogy.conftest import clock, plant

__all__ = ["clock", "plant"]
