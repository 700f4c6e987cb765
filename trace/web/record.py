"""The record browsed: what a request asks of it, and the entries that fit.

Every filter is a parameter of the address: `who` (a person's key), `what` (a verb), `kind` and `key` (a thing; either
alone will do), `from` and `to` (a day, or a moment in the plant's zone; `to` with the whole of the day or minute
that it names), `time` (whether these mean when it happened or when it was recorded) and `words` (text anywhere in an
entry). What can't be read is refused beside its field, and then no entry is shown.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from operator import itemgetter
from typing import Any
from urllib.parse import urlencode

from django.db.models import Count, F, OuterRef, Prefetch, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.urls import reverse
from django.utils import timezone

from trace.core.clock import from_ticks, to_ticks
from trace.core.errors import Kind, NotFound, Refusal
from trace.core.keys import clean_text, read_label
from trace.core.models import Person
from trace.core.moments import read_moment
from trace.core.verbs import in_trade_words
from trace.ledger.models import Event, EventSubject, written
from trace.ledger.queries import list_kinds, list_verbs
from trace.web.cells import PAGES, Link, Moment, Ref, Several, kind_words
from trace.web.moments import MINUTE
from trace.web.tables import Column, Table

TIMES = {"happened": "it happened", "recorded": "it was recorded"}
FEW = 4
"""So many of the things that an entry is about stand in its row."""


class BadFilter(Refusal):
    """A filter of the record asks for what there can't be."""

    code = "bad-filter"
    kind = Kind.UNREADABLE
    action = "Choose one from the list, or leave it empty."


def record_link(**filters: str) -> str:
    """The address of the record with these filters."""
    return f"{reverse('record')}?{urlencode(filters)}"


# What is asked for ---------------------------------------------------------------------------------------------------

Asked = Mapping[str, str]
Reading = tuple[Q, Several]
"""A condition on entries, and how it is said."""


def _who(asked: Asked) -> Reading:
    key = read_label(asked["who"])
    person = Person.objects.filter(key=key).first()
    if person is None:
        raise NotFound(f"No person has the key {key}.", action=BadFilter.action)
    return Q(by=person), Several(("by", Ref("person", person.key, person.name)), " ")


def _what(asked: Asked) -> Reading:
    if asked["what"] not in list_verbs():
        raise BadFilter(f"“{asked['what'][:60]}” was never done here.")
    return Q(verb=asked["what"]), Several((in_trade_words(asked["what"]),))


def _kind(asked: Asked) -> Reading:
    if asked["kind"] not in list_kinds():
        raise BadFilter(f"Nothing on record is about a “{asked['kind'][:60]}”.")
    if asked["key"]:
        return Q(), Several(())  # the key says both
    return _about(EventSubject.objects.filter(kind=asked["kind"]), f"any {kind_words(asked['kind'])}")


def _key(asked: Asked) -> Reading:
    key, kind = read_label(asked["key"]), asked["kind"]
    # All kinds by name: the index of subjects begins with the kind.
    found = EventSubject.objects.filter(kind__in=[kind] if kind else list_kinds(), key=key)
    if not found.exists():
        raise NotFound(f"Nothing on record is about {kind_words(kind)} {key}.".replace("  ", " "))
    return _about(found, *([kind_words(kind), Ref(kind, key)] if kind else [key]))


def _about(subjects: QuerySet, *words: Any) -> Reading:
    return Q(pk__in=subjects.values("event")), Several(("about", *words), " ")


def _time(asked: Asked) -> Reading:
    if asked["time"] not in TIMES:
        raise BadFilter(f"“{asked['time'][:60]}” is no time of an entry.")
    return Q(), Several(())


def _field(asked: Asked) -> str:
    return asked["time"] or "happened"


def _from(asked: Asked) -> Reading:
    began = read_moment(asked["from"], timezone.get_current_timezone())
    end = f"to {asked['to']}" if asked["to"] else ""
    period = f"on {asked['from']}" if asked["from"] == asked["to"] else f"from {asked['from']} {end}".strip()
    return Q(**{f"{_field(asked)}__gte": from_ticks(began)}), Several((_field(asked), period), " ")


def _to(asked: Asked) -> Reading:
    words = () if asked["from"] else (_field(asked), "up to", asked["to"])
    return Q(**{f"{_field(asked)}__lt": from_ticks(_end(asked["to"]))}), Several(words, " ")


def _end(text: str) -> int:
    """The end of the day, minute or moment that a text names, in microseconds. Refuses with BadMoment."""
    zone = timezone.get_current_timezone()
    moment = read_moment(text, zone)
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return moment + (1 if moment % MINUTE else MINUTE)
    return to_ticks(datetime.combine(day + timedelta(days=1), time(), zone))


def _words(asked: Asked) -> Reading:
    words = clean_text(asked["words"], 100, "The text")
    # As it stands in an entry: a quotation mark has a backslash before it there.
    return Q(payload__icontains=json.dumps(words, ensure_ascii=False)[1:-1]), Several((f"with “{words}” in it",))


READERS: dict[str, Callable[[Asked], Reading]] = {
    "who": _who,
    "what": _what,
    "kind": _kind,
    "key": _key,
    "words": _words,
    "time": _time,
    "from": _from,
    "to": _to,
}
"""How each filter is read, in the order in which they are said and stand in the form."""

LABELS = {
    "who": "Who",
    "what": "What was done",
    "kind": "About a",
    "key": "with the key",
    "words": "Contains the text",
    "time": "Times are when",
    "from": "From",
    "to": "to",
}
HINTS = {"who": "a person’s key", "key": "CB-00012", "from": "2026-03-02", "to": "2026-03-02 14:30"}


@dataclass(frozen=True)
class Field:
    """One field of the form: what may be chosen, or text with suggestions."""

    name: str
    value: str
    refusal: Refusal | None
    choices: list[tuple[str, str]]
    suggestions: list[tuple[str, str]]

    @property
    def label(self) -> str:
        return LABELS[self.name]

    @property
    def hint(self) -> str:
        return HINTS.get(self.name, "")


class Filters:
    """The filters of a request, read: the condition, how it is said, and what was refused."""

    def __init__(self, query: Mapping[str, str], hidden: Collection[str] = ()) -> None:
        """An entry that tells of `hidden` fields is not found by its text."""
        self.asked = {name: query.get(name, "").strip() for name in READERS}
        self.where, self.refusals = Q(), dict[str, Refusal]()
        for field in hidden if self.asked["words"] else ():
            self.where &= ~Q(payload__contains=written(field))
        self.said: list[Several] = []
        for name, read in READERS.items():
            try:
                condition, words = read(self.asked) if self.asked[name] else (Q(), Several(()))
            except Refusal as refusal:
                self.refusals[name] = refusal
            else:
                self.where &= condition
                self.said += [words] if words else []
        if not self.refusals and self.asked["from"] and self.asked["to"]:
            began = read_moment(self.asked["from"], timezone.get_current_timezone())
            if began >= _end(self.asked["to"]):
                self.refusals["to"] = BadFilter("The period ends before it begins.", action="Give a later end.")

    @property
    def order(self) -> str:
        """By which time entries stand in order: by that of the period, whose index finds them; else as written."""
        return _field(self.asked) if self.asked["from"] or self.asked["to"] else "recorded"

    def list_events(self) -> QuerySet[Event]:
        """The entries that fit, the last first."""
        return Event.objects.filter(self.where).order_by(f"-{self.order}", "-id")

    @property
    def any(self) -> bool:
        """Whether anything was asked for."""
        return any(self.asked.values())

    @property
    def sentence(self) -> Several:
        """What is asked for, in words."""
        return Several(tuple(self.said))

    @property
    def last(self) -> datetime | None:
        """When the last of them happened, or was recorded."""
        return self.list_events().values_list(self.order, flat=True).first()

    def fields(self) -> Iterator[Field]:
        """The form."""
        choices = {
            "what": [
                ("", "anything"),
                *sorted(((verb, in_trade_words(verb)) for verb in list_verbs()), key=itemgetter(1)),
            ],
            "kind": [
                ("", "anything"),
                *sorted(((kind, kind_words(kind)) for kind in list_kinds()), key=itemgetter(1)),
            ],
            "time": list(TIMES.items()),
        }
        people = {"who": list(Person.objects.values_list("key", "name"))}
        for name, value in self.asked.items():
            yield Field(name, value, self.refusals.get(name), choices.get(name, []), people.get(name, []))


# Entries -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Unlike(Moment):
    """A moment that a page shows only where it is not in the same minute as another."""

    other: int = 0

    def show(self, asof: str) -> Any:
        return super().show(asof) if (self.ticks or 0) // MINUTE != self.other // MINUTE else ""


def entry_link(number: int, words: Any = "") -> Link:
    """An entry of the record."""
    return Link(words or number, reverse("entry", args=[number]), f"entry {number}" if words else "")


def thing_cell(kind: str, key: str) -> Several:
    """A thing with its kind before it."""
    return Several((kind_words(kind), Ref(kind, key)), " ")


def reason_in(payload: Mapping[str, Any]) -> str:
    """The reason that was given, if one was."""
    return str(payload["arguments"].get("reason") or payload["facts"].get("reason") or "")


def _about_cell(event: Any) -> Several:
    named = tuple(thing_cell(subject.kind, subject.key) for subject in event.few)
    more = event.things - len(named)
    return Several((*named, Link(f"and {more} more", reverse("entry", args=[event.pk]))) if more > 0 else named)


def entries_table(events: QuerySet[Event], order: str) -> Table:
    """Entries of the record, by one of their times, the last first.

    Of the things that one is about: those with a page of their own, but who did it. It sorts by the times alone,
    which have indexes; by who or what it is filtered.
    """
    named = EventSubject.objects.filter(kind__in=list(PAGES)).exclude(kind="person", key=F("event__by__key"))
    few = named.order_by("kind", "key")[:FEW]
    counted = named.filter(event=OuterRef("pk")).values("event").annotate(number=Count("pk")).values("number")
    rows = events.select_related("by").annotate(things=Coalesce(Subquery(counted), 0))
    return Table(
        "entries",
        "Entries",
        [
            Column("entry", "Entry", lambda e: entry_link(e.pk), number=True),
            Column("recorded", "Recorded", lambda e: Moment.of(e.recorded), "recorded"),
            Column("happened", "Happened", lambda e: Unlike(to_ticks(e.happened), to_ticks(e.recorded)), "happened"),
            Column("by", "Who", lambda e: Ref("person", e.by.key, e.by.name)),
            Column("verb", "What", lambda e: in_trade_words(e.verb)),
            Column("about", "About", _about_cell),
            Column("reason", "Reason", lambda e: reason_in(json.loads(e.payload))),
        ],
        rows.prefetch_related(Prefetch("subjects", few, to_attr="few")),
        "No entry fits.",
        sort=f"-{order}",
        note="When it happened stands beside when it was recorded where the two are not in the same minute.",
    )
