"""What every desk of packing and dispatch does with a scan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import Any, ClassVar
from urllib.parse import urlencode

from django.db.models import QuerySet
from django.http import HttpRequest
from django.urls import reverse

from trace.floor.models import Carton
from trace.floor.packing import (
    DispatchRefused,
)
from trace.floor.shipments import list_packed
from trace.holds.models import Hold
from trace.web.cells import kind_words
from trace.web.deeds import Ask, Deed
from trace.web.dispatch import (
    DESKS,
    list_cautions,
    list_holds_on,
    packed_table,
)
from trace.web.forms import asking
from trace.web.scan import Found, read_scan
from trace.web.tables import Table

SCANNED = frozenset({*DESKS, "unit", "part", "container"})
"""Kinds of things that are scanned at any of the desks."""

REASON = Ask("reason", "Why")


class NotTakenHere(DispatchRefused):
    """What was scanned is not what this desk takes."""

    code = "not-taken-here"


class Desk:
    """A desk: what it is about, what scans do there. `kind` is the ledger's word for it; `word` ends the work."""

    kind: ClassVar[str]
    takes: ClassVar[str]
    word: ClassVar[str] = ""

    def __init__(self, it: Any) -> None:
        self.it = it
        self.done: dict[str, Any] = {}
        self.sent: Mapping[str, str] = {}

    def read(self, request: HttpRequest) -> None:
        """Who asks, and what the request tells."""
        self.done, self.sent = asking(request), request.POST

    def address(self, **told: str) -> str:
        """This desk, telling what was done last."""
        return f"{reverse(DESKS[self.kind], args=[self.it.key])}?{urlencode([*self.kept(), *told.items()])}"

    def kept(self) -> list[tuple[str, str]]:
        """What else stands in its address."""
        return []

    def take(self, text: str) -> str:
        """Do what was scanned or typed; where that leads. Refuses as the operations do, with NotTakenHere, BadKey."""
        if self.word and text.upper() == self.word:
            return self.finish()
        reading = read_scan(text)
        found = [one for one in reading.found if one.kind in SCANNED]
        if len(found) != 1:
            if not reading.found:
                raise NotTakenHere(reading.problem, action=reading.action)
            named = " or ".join(f"{kind_words(one.kind)} {one.key}" for one in reading.found[:3])
            raise NotTakenHere(f"That is {named}.", action=f"Scan {self.takes}.")
        (one,) = found
        if answer := self.scan(one):
            return answer
        if one.kind in DESKS:
            return reverse(DESKS[one.kind], args=[one.key])
        raise NotTakenHere(f"{one.key} is a {kind_words(one.kind)}, {one.words}.", action=f"Scan {self.takes}.")

    def scan(self, one: Found) -> str:
        """Do what a thing that was scanned asks for; where that leads, nothing where it is not taken here."""
        raise NotImplementedError

    def finish(self) -> str:
        """Do what ends the work."""
        raise NotImplementedError

    def given(self, verb: str) -> dict[str, Any]:
        """What the desk knows already of a form's operation."""
        return {}

    def deeds(self) -> Sequence[Deed]:
        """What is put right here by a form."""
        return ()

    def cartons(self) -> list[Carton]:
        """The cartons that it is about."""
        raise NotImplementedError

    def list_holds(self) -> QuerySet[Hold]:
        """The open holds that keep it here."""
        return list_holds_on([self.it], self.cartons())

    def tables(self, held: set[str]) -> list[Table]:
        """What is in it, or on it; `held` are serials."""
        return [packed_table(list_packed(self.cartons()), f"Nothing is on it: scan {self.takes}.")]

    @cached_property
    def cautions(self) -> list[str]:
        """What must be heeded in handling it."""
        return list_cautions({line.part for line in list_packed(self.cartons()) if line.serials})
