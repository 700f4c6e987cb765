"""Operations of the tests' own: the table of permissions names them while a test runs."""

import pytest

from trace.core import permissions


@pytest.fixture(autouse=True)
def _permitted(monkeypatch: pytest.MonkeyPatch) -> None:
    for verb in ("greet", "open_site", "open_sites", "count_sites", "outer", "move"):
        monkeypatch.setitem(permissions.OPERATIONS, verb, permissions.EVERYONE)
