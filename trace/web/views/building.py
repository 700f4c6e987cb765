"""Building a tape: one scan line, one answer.

What is scanned or typed is a head, a container, or a word with its numbers; the buttons send the same words. What was
scanned before, such as the head that a container is meant for, stands in the address, so that a page can be left and
come back to.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse

from trace.core.clock import OPEN, now
from trace.core.keys import BadKey, label_text, read_label
from trace.core.secrecy import clean_scan
from trace.floor.operations.feeds import fill_by_hand, take_off_feed
from trace.floor.operations.tapes import (
    TapeRefused,
    load_head,
    record_empty,
    record_pitch,
    record_verifier_reading,
    resume_tape,
    splice_head,
    stop_tape,
)
from trace.floor.tapes import Building, Head, list_head_offers, read_building
from trace.material.models import Container, FeedRecord, Tape
from trace.material.operations.setups import abort_tape, finish_tape
from trace.material.sequencing import TAPINGS
from trace.web.forms import asking, do_or_show
from trace.web.kiosk import find_badge
from trace.web.scan import read_scan
from trace.web.tables import Table
from trace.web.tapes import heads_table, where_words
from trace.web.views.tapes import find_tape

KEPT = ("head", "how", "lead", "within", "set", "value")
"""What stands in the address while a tape is built."""


def build(request: HttpRequest, key: str) -> HttpResponseBase:
    """The tape as it is built: what was scanned is done or refused, and what is next is said."""
    it = find_tape(key)
    text = clean_scan(" ".join(request.POST.getlist("told")))
    if request.method == "POST" and find_badge(text):
        return redirect(f"{reverse('scan')}?{urlencode({'q': text})}")
    building = read_building(it)
    kept = {name: request.GET[name][:40] for name in KEPT if request.GET.get(name)}
    head = _find_head(building, kept.get("head", ""))

    def do() -> str:
        state = Scanned(building, head, kept, asking(request)).take(text)
        return f"{reverse('build-tape', args=[it.key])}?{urlencode(state)}".removesuffix("?")

    def show() -> tuple[dict[str, Any], list[Table]]:
        offers = {} if it.built_until < OPEN else list_head_offers(building, now())
        context = {
            "it": it,
            "building": building,
            "head": head,
            "where": where_words(building),
            "last": _last_done(it),
            "next": _say_next(building, head, kept),
            "offers": offers.get(head.name, [])[:5] if head else [],
            "tapings": TAPINGS.items(),
            "label": label_text(it.key),
            "text": text,
        }
        return context, [heads_table(building, offers)]

    return do_or_show(request, "build_tape.html", do, show)


# Words and scans ------------------------------------------------------------------------------------------------------


@dataclass
class Scanned:
    """A tape being built, the head that was scanned before, what is meant to be done there, and who does it."""

    building: Building
    head: Head | None
    kept: Mapping[str, str]
    done: dict[str, Any]

    def take(self, text: str) -> dict[str, str]:
        """Do what a text says; what to keep in the address. Refuses as the operations do, and with TapeRefused."""
        word, _, rest = text.partition(" ")
        if deed := WORDS.get(word.upper()):
            return deed(self, rest.split())
        try:
            key = read_label(text)
        except BadKey as bad:
            if "." in text:
                raise
            raise TapeRefused(f"“{text[:60]}” is no label.", action="Scan a head or a container.") from bad
        if found := _find_head(self.building, key):
            return {**self.kept, "head": found.name}
        container = Container.objects.select_related("lot", "part").filter(key=key).first()
        if container or self.building.tape.built_until < OPEN:
            return self.put(container, key)
        what = [f"{one.key} is a {one.kind}" for one in read_scan(text).found[:1]]
        raise TapeRefused(
            f"{what[0] if what else f'Nothing is called {key}'}, and no head of {self.building.tape.key}.",
            action="Scan a head of this tape, then the container that goes on it.",
        )

    def put(self, container: Container | None, key: str) -> dict[str, str]:
        """A container for the head that was scanned: loaded, spliced, to fill by hand; once it is built, taken off."""
        head = self.want_head()
        if self.building.tape.built_until < OPEN:
            sets = self.building.tape.board_sets
            into = None if head.on == [container] else container
            label = "" if container else key
            take_off_feed(feed=head.feed, position=(sets, sets), into=into, label=label, **self.done)
            return {}
        if container is None:
            raise TapeRefused(f"No container is labelled {key}.")
        told = {"feed": head.feed, "container": container, **self.done}
        how = self.kept.get("how")
        if how == "splice":
            at = {"board_set": self.number("set")} if "set" in self.kept else {}
            splice_head(lead=self.number("lead"), tolerance=self.number("within"), **at, **told)
        elif how == "fill":
            fill_by_hand(board_set=self.number("set"), **told)
        else:
            value = _decimal(self.kept["value"]) if "value" in self.kept else None
            load_head(value=value, **told)
        return {}

    def number(self, name: str) -> int:
        """A number that was told before."""
        return _whole(self.kept.get(name, ""), "A number")

    def want_head(self) -> Head:
        if self.head is None:
            raise TapeRefused("No head was scanned.", action="Scan the head first, then the container.")
        return self.head

    def keep(self, **state: str) -> dict[str, str]:
        return ({"head": self.head.name} if self.head else {}) | state


def _stop(it: Scanned, told: list[str]) -> dict[str, str]:
    where, *reason = told or [""]
    board_set, _, link = where.partition(".")
    stop_tape(
        tape=it.building.tape,
        board_set=_whole(board_set, "The board set"),
        link=_whole(link, "The link") if link else None,
        reason=" ".join(reason) or "stopped",
        **it.done,
    )
    return {}


def _go(it: Scanned, told: list[str]) -> dict[str, str]:
    resume_tape(tape=it.building.tape, **it.done)
    return {}


def _splice(it: Scanned, told: list[str]) -> dict[str, str]:
    numbers = [*told, "", ""][: max(len(told), 2)]
    lead, within, *at = (str(_whole(number, "A number of parts")) for number in numbers)
    return it.keep(how="splice", lead=lead, within=within, **({"set": at[0]} if at else {}))


def _fill(it: Scanned, told: list[str]) -> dict[str, str]:
    return it.keep(how="fill", set=str(_whole("".join(told), "The board set")))


def _empty(it: Scanned, told: list[str]) -> dict[str, str]:
    head = it.want_head()
    board_set, *names = told or [""]
    if not names and len(head.designators) > 1:
        raise TapeRefused(f"Head {head.name} serves several places.", action="Say which designator is empty.")
    number = _whole(board_set, "The board set")
    record_empty(feed=head.feed, designator=(names or head.designators)[0], board_set=number, **it.done)
    return it.keep(how="fill", set=str(number))


def _value(it: Scanned, told: list[str]) -> dict[str, str]:
    head = it.want_head()
    value, *name = told or [""]
    if not head.on or None in head.on:
        return it.keep(value=str(_decimal(value)))
    record_verifier_reading(feed=head.feed, value=_decimal(value), characteristic=" ".join(name), **it.done)
    return it.keep()


def _pitch(it: Scanned, told: list[str]) -> dict[str, str]:
    taping, length, pitches = [*told, "", "", ""][:3]
    count = _whole(pitches, "The number of pitches") if pitches else 20
    record_pitch(tape=it.building.tape, taping=taping.lower(), pitches=count, length=_decimal(length), **it.done)
    return it.keep()


def _finish(it: Scanned, told: list[str]) -> dict[str, str]:
    finish_tape(tape=it.building.tape, board_sets=_whole("".join(told), "The count of board sets"), **it.done)
    return {}


def _abort(it: Scanned, told: list[str]) -> dict[str, str]:
    board_sets, *reason = told or [""]
    count = _whole(board_sets, "The count of board sets")
    abort_tape(tape=it.building.tape, board_sets=count, reason=" ".join(reason), **it.done)
    return {}


WORDS: Mapping[str, Callable[[Scanned, list[str]], dict[str, str]]] = {
    "STOP": _stop,
    "GO": _go,
    "SPLICE": _splice,
    "FILL": _fill,
    "EMPTY": _empty,
    "VALUE": _value,
    "PITCH": _pitch,
    "FINISH": _finish,
    "ABORT": _abort,
}
"""What the scan line understands beside labels: a word, and its numbers behind it."""


def _whole(text: str, what: str) -> int:
    if not text.isascii() or not text.isdecimal() or len(text) > 9:
        raise TapeRefused(f"{what} is missing or no number.", action="Type the word and its numbers again.")
    return int(text)


def _decimal(text: str) -> Decimal:
    try:
        value = Decimal(text.replace(",", "."))
    except InvalidOperation:
        raise TapeRefused(f"“{text[:20]}” is no value.", action="Type the number, without its unit.") from None
    if not value.is_finite() or abs(value) >= 10**12 or value != round(value, 6):
        raise TapeRefused(f"“{text[:20]}” can't be kept.", action="Type it with at most six places behind the point.")
    return value


def _find_head(building: Building, key: str) -> Head | None:
    """A head by the key of its feed, or by its own name, as on the machine."""
    return next((head for head in building.heads if key in (head.name, head.feed.key)), None) if key else None


# The answer -----------------------------------------------------------------------------------------------------------


def _last_done(tape: Tape) -> FeedRecord | None:
    """What was put on a head last."""
    records = FeedRecord.objects.filter(feed__axis__tape=tape, superseded=None)
    return records.select_related("feed", "container", "by").order_by("-happened", "-id").first()


def _say_next(building: Building, head: Head | None, kept: Mapping[str, str]) -> str:
    """The one thing to do now."""
    ended = building.tape.built_until < OPEN
    if head and ended:
        return f"Scan the label of what comes off head {head.name}: its own, or a new one."
    if head and kept.get("how") == "fill":
        return f"Scan the container from which head {head.name} is filled by hand in board set {kept.get('set')}."
    if head and kept.get("how") == "splice":
        return f"Scan the container that is spliced on head {head.name}, {kept.get('lead')} parts before the pick-up."
    if kept.get("how"):
        return "Scan the head."
    if head:
        return f"Head {head.name} takes {head.part.key} {head.part.name}. Scan its container."
    if ended:
        waiting = [one.name for one in building.heads if any(one.on)]
        return f"Take off what is left: scan head {waiting[0]}." if waiting else "Nothing is left to do here."
    if building.stands is None:
        return "When it stands, say at which board set: STOP and the number."
    if building.stands and not building.stands.is_read:
        return "Say at which board set it stands: STOP and the number."
    wanting = [one for one in building.heads if one.trouble]
    if wanting:
        return f"{wanting[0].trouble} Scan head {wanting[0].name}, then a container of {wanting[0].part.key}."
    return "Every head is ready. Let it run: GO."
