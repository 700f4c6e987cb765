"""What a signature proves, and what a deviation covers. Pure: no database, no clock."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from enum import StrEnum
from typing import Any


class Verdict(StrEnum):
    """What became of a signature."""

    VALID = "valid"
    CHANGED = "changed since"
    MOVED = "moved"
    FORGED = "forged"


WORDS: Mapping[Verdict, str] = {
    Verdict.VALID: "The record says what was signed.",
    Verdict.CHANGED: "The record was changed since it was signed. What was signed stands on the record, under sign.",
    Verdict.MOVED: "The signature was made for another record, or for other content: it does not count here.",
    Verdict.FORGED: "The signature was not made here, or was changed afterwards: it does not count.",
}
"""Each verdict in a sentence."""

BOUND = ("kind", "key", "digest")
"""What ties a signature to its record and its content (21 CFR 11.70)."""


def judge_signature(shown: Mapping[str, Any], sealed: Mapping[str, Any] | None, digest: str) -> Verdict:
    """What became of a signature: `shown` is what its row says, `sealed` what its seal holds (None: no seal of
    ours), `digest` that of the record's content now."""
    if sealed is None:
        return Verdict.FORGED
    if any(sealed.get(name) != shown[name] for name in BOUND):
        return Verdict.MOVED
    if sealed != shown:
        return Verdict.FORGED
    return Verdict.VALID if sealed["digest"] == digest else Verdict.CHANGED


def read_scope(scope: Iterable[str]) -> dict[str, set[str]]:
    """{kind: keys} of a scope."""
    named: dict[str, set[str]] = {}
    for text in scope:
        kind, _, key = text.partition(":")
        named.setdefault(kind, set()).add(key)
    return named


def covers(scope: Iterable[str], about: Mapping[str, Collection[str]]) -> bool:
    """Whether a scope takes in what is `about` ({kind: keys}): of each kind that it names there is something,
    and all of that is among those named."""
    return all(about.get(kind) and set(about[kind]) <= keys for kind, keys in read_scope(scope).items())
