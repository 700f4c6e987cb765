"""What one entry of the record says, as nested lists whose names of things are links."""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import Any

from trace.approvals.models import Meaning
from trace.core.keys import KEY
from trace.web.approvals import RULE_WORDS
from trace.web.cells import PAGES, Link, Moment, Ref, Several, kind_words
from trace.web.record import record_link, thing_cell
from trace.web.tables import Column, Table

Subject = tuple[str, str]

SECTIONS = {"arguments": "What was told", "facts": "What was noted", "result": "What came of it"}
MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}\+00:00")
TICKS = frozenset(
    ("closed", "created", "drafted", "opened", "recorded", "removed", "since", "superseded", "until", "written")
)
"""Fields of what is signed that are moments in microseconds."""
WORDS = {None: "none", True: "yes", False: "no", "": "empty"}


@dataclass(frozen=True)
class Written:
    """A part of an entry: its name, if it has one, and a value or parts of its own."""

    name: str
    value: Any = None
    parts: Sequence[Written] = ()


def read_payload(payload: Mapping[str, Any], subjects: Collection[Subject]) -> list[tuple[str, Written]]:
    """(title, what is written) of an entry's parts, without those where nothing is."""
    known = set(subjects)
    return [(title, _read("", payload[name], "", known)) for name, title in SECTIONS.items() if payload[name]]


def read_content(text: str) -> list[Written]:
    """What is signed, as canonical text (`approvals.content`), row by row: what the rows have in common once."""
    groups = groupby(json.loads(text)["content"], key=sorted)
    return [written for _, rows in groups for written in _read_rows(list(rows))]


def _read_rows(rows: list[dict[str, Any]]) -> list[Written]:
    same = {name for name in rows[0] if all(row[name] == rows[0][name] for row in rows)}
    shared = [_read(_last(name), rows[0][name], _words(name), set()) for name in rows[0] if name in same]
    rest = [
        Written("", parts=[_read(_last(name), row[name], _words(name), set()) for name in row if name not in same])
        for row in rows
        if len(rows) > 1
    ]
    return [*shared, *([Written(f"{len(rows)} rows", parts=rest)] if rest else [])]


def _last(name: str) -> str:
    return name.removesuffix("__key").rpartition("__")[2]


def _words(name: str) -> str:
    return name.removesuffix("__key").replace("__", ", ").replace("_", " ")


def _read(name: str, value: Any, label: str, known: set[Subject]) -> Written:
    """A value under its label; `name` is the nearest name that says what it is."""
    if name == "signed":
        return Written("what was signed", parts=read_content(value))
    if isinstance(value, Mapping):
        parts = [_read(inner, item, inner.replace("_", " "), known) for inner, item in value.items()]
        return Written(label, parts=parts) if parts else Written(label, "none")
    if isinstance(value, list) and any(isinstance(item, list | Mapping) for item in value):
        return Written(label, parts=[_read(name, item, "", known) for item in value])
    if isinstance(value, list):
        return Written(label, Several(tuple(_leaf(name, item, known) for item in value)) or "none")
    return Written(label, _leaf(name, value, known))


def _leaf(name: str, value: Any, known: set[Subject]) -> Any:
    if value is None or isinstance(value, bool) or value == "":
        return WORDS[value]
    if name in TICKS and isinstance(value, int):
        return Moment(value)
    if not isinstance(value, str):
        return str(value)
    if MOMENT.fullmatch(value):
        return Moment.of(datetime.fromisoformat(value))
    kind, colon, key = value.partition(":")
    if colon and ((kind, key) in known or (kind in PAGES and KEY.fullmatch(key))):
        return Ref(kind, key) if kind == _kind_named(name) else thing_cell(kind, key)
    if name == "scope" and colon:
        return f"{kind_words(kind)} {key}"
    if name == "meaning":
        return Meaning(value).label
    if name == "rules":
        return RULE_WORDS.get(value, value)
    # A bare key stands for what its name says, or for the only thing with that key.
    named = [kind for kind in PAGES if (kind, value) in known and (kind == _kind_named(name) or name == "key")]
    if name == "serials":
        named = ["unit"]
    return Ref(named[0], value) if len(named) == 1 else value


def _kind_named(name: str) -> str:
    return {"order": "workorder"}.get(name, name.removesuffix("s"))


def subjects_table(subjects: Sequence[Subject]) -> Table:
    """What an entry is about: all of it, what has a page of its own first."""
    return Table(
        "about",
        "What it is about",
        [
            Column("thing", "Thing", lambda subject: Ref(*subject)),
            Column("kind", "Kind", lambda subject: kind_words(subject[0]), choose=True),
            Column("more", "More on the record", _more),
        ],
        sorted(subjects, key=lambda subject: subject[0] not in PAGES),
        "It is about nothing that is kept by name.",
    )


def _more(subject: Subject) -> Link:
    kind, key = subject
    return Link(
        f"all about this {kind_words(kind)}", record_link(kind=kind, key=key), f"all entries about {kind} {key}"
    )
