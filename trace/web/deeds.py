"""Forms that carry out one operation each: what they ask for, as data."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest
from django.utils import timezone

from trace.core.clock import OPEN, from_ticks
from trace.core.errors import Refusal
from trace.core.keys import read_label
from trace.core.moments import read_moment
from trace.core.permissions import OPERATIONS, may, roles_of
from trace.exchange.arguments import read_arguments
from trace.web.forms import asking


class NothingChosen(Refusal):
    """It was not said what was done, or by somebody who may not."""

    code = "nothing-chosen"
    action = "Choose one of the forms."


@dataclass(frozen=True)
class Ask:
    """A field: the argument that it fills, its label; `scan` takes a label as it was scanned or typed, `scans`
    several, one a line, which the page reads; `moment` says when it was done, as the plant's clock showed, `day` takes
    a day."""

    name: str
    label: str
    kind: str = "text"  # text, long, number, scan, scans, choose, several (of the choices), moment, day
    needed: bool = True
    choices: Sequence[tuple[str, str]] = ()


@dataclass(frozen=True)
class Deed:
    """One form; the caution goes before what is asked, the note after it."""

    operation: Callable[..., Any]
    title: str
    asks: Sequence[Ask]
    button: str = "Record it"
    caution: str = ""
    note: str = ""

    @property
    def verb(self) -> str:
        return self.operation.__name__


def list_permitted(request: HttpRequest, deeds: Iterable[Deed]) -> list[Deed]:
    """Those that who asks may do."""
    roles = roles_of(request.user)
    return [deed for deed in deeds if may(roles, OPERATIONS[deed.verb])]


def title_of(request: HttpRequest, deeds: Iterable[Deed]) -> str:
    """The title of what was done last, by the address that led here; empty where nothing was, or it was refused."""
    done = request.GET.get("done") if request.method == "GET" else None
    return next((deed.title for deed in deeds if deed.verb == done), "")


def carry_out(request: HttpRequest, deeds: Iterable[Deed], **given: Any) -> Any:
    """Do what the form that was sent asks for, with what the page has `given` already. Refuses with Unreadable,
    NothingChosen, BadKey, BadMoment, and as the operation does."""
    sent = request.POST
    deed = next((one for one in list_permitted(request, deeds) if one.verb == sent.get("do")), None)
    if deed is None:
        raise NothingChosen("Nothing here was done.")
    told: dict[str, Any] = {ask.name: sent.get(ask.name, "") for ask in deed.asks if ask.name not in given}
    told |= {ask.name: sent.getlist(ask.name) for ask in deed.asks if ask.kind == "several"}
    told |= {ask.name: read_label(told[ask.name]) for ask in deed.asks if ask.kind == "scan" and told.get(ask.name)}
    moments = [ask.name for ask in deed.asks if ask.kind == "moment"]  # as the plant's clock shows
    given = {name: value for name, value in given.items() if name in inspect.signature(deed.operation).parameters}
    arguments = read_arguments(deed.operation, told, leave_out=("by", "at", *given, *moments))
    done = asking(request)
    for name in moments:
        if (ticks := read_moment(told[name], timezone.get_current_timezone())) < OPEN:
            done[name] = from_ticks(ticks)
    return deed.operation(**given, **arguments, **done)
