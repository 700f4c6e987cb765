"""Containments for pages: the list of them, what each needs now, their terms and snapshots."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import partial

from django.db.models import QuerySet
from django.urls import reverse
from django.utils.html import format_html
from django.utils.safestring import SafeString

from trace.containment.joining import Added, trace_each
from trace.containment.models import Containment, Join, Kind, Snapshot, Term
from trace.containment.narrowed import lacks_approval
from trace.containment.population import list_terms, reckon
from trace.containment.terms import describe_term
from trace.containment.words import name_terms
from trace.genealogy.baths import BathShare, list_shares
from trace.holds.models import Hold
from trace.material.models import Container, FeedRecord
from trace.web.answer import Answer
from trace.web.cells import Link, Moment, Ref, page_of
from trace.web.moments import Asof
from trace.web.tables import Column, Table


def answer_of(containment: Containment, asof: Asof) -> Answer:
    """The answer about what a containment suspects."""
    subject = name_terms(list_terms(containment))
    return Answer("containment", containment.key, subject, partial(reckon, containment), asof)


# Alarms --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Alarm:
    """A containment in a list: how many terms count, its latest snapshot, how many things it holds; whether what
    is suspect was narrowed and that is yet to be approved, where things are held."""

    it: Containment
    terms: int
    latest: Snapshot | None
    held: int
    unapproved: bool

    @property
    def open(self) -> bool:
        return self.it.closed is None

    @property
    def state(self) -> str:
        """How far it is, in words."""
        if not self.open:
            return "closed"
        if self.held:
            return f"stopped, {self.held} held"
        return "open, nothing is held" if self.terms else "open, nothing is suspect yet"

    @property
    def needs(self) -> str:
        """What it needs now."""
        if not self.open:
            return ""
        if self.unapproved:
            return "have another quality engineer approve that it was narrowed; then release what that leaves out"
        if not self.terms:
            return "say what is suspect"
        if self.latest is None:
            return "keep its population"
        return "decide what becomes of what is held, and release it" if self.held else "stop it, or close it"


def list_alarms(*, only_open: bool = False) -> list[Alarm]:
    """Every containment, open ones first, the latest first."""
    every = Containment.objects.select_related("opened_by").prefetch_related("terms").order_by("-opened", "-pk")
    every = every.filter(closed=None) if only_open else every
    held = Counter(Hold.objects.filter(released=None).exclude(under="").values_list("under", flat=True))
    latest = {one.containment_id: one for one in Snapshot.objects.order_by("number")}

    def show(one: Containment) -> Alarm:
        standing = sum(term.removed is None for term in one.terms.all())
        unapproved = bool(held[one.key]) and one.closed is None and lacks_approval(one)
        return Alarm(one, standing, latest.get(one.pk), held[one.key], unapproved)

    alarms = map(show, every)
    return sorted(alarms, key=lambda alarm: not alarm.open)


def alarms_table(alarms: Sequence[Alarm], title: str = "Containments") -> Table:
    """Containments: what is wrong, how far it is. The numbers are those of the latest snapshot."""

    def of_latest(name: str) -> Column:
        def value(alarm: Alarm) -> int | None:
            return getattr(alarm.latest, name) if alarm.latest else None

        return Column(name, name.capitalize(), value, number=True)

    return Table(
        "containments",
        title,
        [
            Column("key", "Containment", lambda a: Ref("containment", a.it.key)),
            Column("problem", "What is wrong", lambda a: a.it.problem),
            Column("opened", "Opened", lambda a: Moment(a.it.opened)),
            Column("by", "By", lambda a: Ref("person", a.it.opened_by.key, a.it.opened_by.name)),
            of_latest("certain"),
            of_latest("possible"),
            of_latest("shipped"),
            Column("held", "Held still", lambda a: a.held, number=True),
            Column("state", "State", lambda a: a.state),
            Column("needs", "Needs now", lambda a: a.needs),
            Column("open", "Open", lambda a: a.open, choose=True, hidden=True),
        ],
        alarms,
        "No alarm was opened yet. Open one for what is suspect: a lot, a reel, a station, a gauge; its page says which "
        "units carry it and where each is.",
        note="Units are outermost ones, as its latest snapshot has them.",
    )


# Terms ---------------------------------------------------------------------------------------------------------------

JOINED = {Join.ANY: "or", Join.ALL: "and", Join.EXCEPT: "but not"}


@dataclass(frozen=True)
class Shown:
    """A term as its page lists it: how it is joined to those above it, what it is, what it selects alone."""

    term: Term
    join: str
    added: Added | None = None

    @property
    def words(self) -> str:
        return describe_term(self.term)

    @property
    def linked(self) -> SafeString:
        """What is suspected, with a link to it."""
        before, key, after = self.words.partition(self.term.subject)
        href = page_of(self.term.kind, key) if key else ""
        link = format_html('<a class="key" href="{}">{}</a>', href, key) if href else key
        return format_html("{}{}{}", before, link, after)


def show_terms(terms: Sequence[tuple[Join, Term]], at: int, *, alone: bool) -> list[Shown]:
    """The terms that count, as a page lists them; where there are several, each with what it selects `alone`."""
    several = alone and len(terms) > 1
    added = trace_each([term for _, term in terms], at) if several else [None] * len(terms)
    return [Shown(term, JOINED[join] if number else "", added[number]) for number, (join, term) in enumerate(terms)]


def list_charged(terms: Sequence[tuple[Join, Term]]) -> list[Container]:
    """The charges of baths that are suspect."""
    keys = [term.subject for join, term in terms if join != Join.EXCEPT and term.kind in (Kind.CHARGE, Kind.CONTAINER)]
    charged = FeedRecord.objects.filter(container__key__in=keys, act=FeedRecord.Act.CHARGE, superseded=None)
    return list(Container.objects.filter(pk__in=charged.values("container")).order_by("key"))


def shares_table(charged: Sequence[Container], at: int) -> Table:
    """How much of each bath a suspect charge was, and when: how far units were exposed to it."""

    def percent(of: Callable[[BathShare], Decimal]) -> Callable[[tuple[Container, BathShare]], str]:
        return lambda row: f"{100 * of(row[1]):.2f} %"

    return Table(
        "shares",
        "Share of the bath",
        [
            Column("charge", "Charge", lambda row: Ref("container", row[0].key)),
            Column("bath", "Bath", lambda row: Ref("feed", row[1].feed)),
            Column("since", "From", lambda row: Moment(row[1].since)),
            Column("until", "To", lambda row: Moment(row[1].until) if row[1].until < at else "still there"),
            Column("least", "At least", percent(lambda share: share.least), number=True),
            Column("most", "At most", percent(lambda share: share.most), number=True),
        ],
        [(one, share) for one in charged for share in list_shares(one, at)],
        "No charge of a bath is suspect.",
        note="By mass, by what was charged and dumped; what is skimmed off as dross is left out of account. Whether so "
        "much of it harms a joint is for qualified people to judge, by analysis.",
    )


# Snapshots -----------------------------------------------------------------------------------------------------------


def snapshots_table(snapshots: QuerySet[Snapshot]) -> Table:
    """The population as it was kept, the latest first."""

    def count(name: str) -> Column:
        return Column(name, name.capitalize(), lambda s: getattr(s, name), name, number=True)

    def number_cell(one: Snapshot) -> Link:
        href = reverse("containment-snapshot", args=[one.containment.key, one.number])
        return Link(one.number, href, f"Snapshot {one.number}")

    return Table(
        "snapshots",
        "Snapshots",
        [
            Column("number", "Number", number_cell, "number"),
            Column("taken", "Taken", lambda s: Moment(s.taken), "taken"),
            Column("by", "By", lambda s: Ref("person", s.by.key, s.by.name), "by__key"),
            Column("why", "What for", lambda s: s.why, "why"),
            *map(count, ("certain", "possible", "cleared", "shipped", "customers")),
        ],
        snapshots.select_related("by", "containment").order_by("-number"),
        "The population was not kept yet. Take a snapshot, so that it can be shown later what was known when.",
    )
