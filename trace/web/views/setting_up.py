"""Setting a station up by scans: a changeover, the verification of what is on its feeds, first pieces.

One scan line, one answer, as where a tape is built: what was scanned before (the assembly that is built next, the feed
that a container is meant for, the machine's count) stands in the address.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse

from trace.core.clock import OPEN, now
from trace.core.errors import NotFound
from trace.core.keys import find_free_key, read_label
from trace.core.permissions import OPERATIONS, in_words, may, roles_of
from trace.core.secrecy import clean_scan
from trace.engineering.models import Part, Station, Step
from trace.engineering.queries import get_station
from trace.floor.changing import Changeover, check_planned, plan_changeover
from trace.floor.naming import find_built
from trace.floor.operations.changeovers import approve_first_piece, end_setup, reject_first_piece, start_setup
from trace.floor.operations.feeds import charge_bath, clear_feed, find_on_feed, load_feed, take_off_feed
from trace.floor.setups import Bank, FeedState, summarise_bank
from trace.floor.verifying import list_seen
from trace.material.models import Container, Feed, FeedRecord, SetUp
from trace.material.operations.setups import SetUpRefused
from trace.web.cells import Mark, Moment, Ref, Several
from trace.web.forms import asking, do_or_show
from trace.web.kiosk import find_badge
from trace.web.scan import read_scan
from trace.web.sheets.base import lasting
from trace.web.sheets.feeds import between
from trace.web.tables import Column, Table

KEPT = ("for", "feed", "count", "found", "done")
"""What stands in the address."""

NUMBERS = ("count", "found")
NUMBER = re.compile("[0-9]{1,15}")


def set_up(request: HttpRequest, key: str) -> HttpResponseBase:
    """How a station is set up; what is scanned is done or refused, and what is next is said."""
    station = get_station(key)
    if station.retired is not None:
        raise NotFound(f"Station {station.key} is not used any more.")
    text = clean_scan(" ".join(request.POST.getlist("told")))
    if request.method == "POST" and find_badge(text):
        return redirect(f"{reverse('scan')}?{urlencode({'q': text})}")
    bank = summarise_bank(station, now())
    kept = {name: request.GET[name][:40].replace("\x00", "") for name in KEPT if request.GET.get(name)}
    kept = {name: value for name, value in kept.items() if name not in NUMBERS or NUMBER.fullmatch(value)}
    assembly = Part.objects.filter(key=kept.get("for", ""), level__gt=0).first()
    plan = plan_changeover(bank, assembly) if assembly else None
    feed = next((one for one in bank.feeds if one.feed.key == kept.get("feed")), None)

    def do() -> str:
        if piece := request.POST.get("piece"):
            state: Mapping[str, str] = _decide_on(bank, piece, request)
        else:
            state = Scanned(bank, plan, feed, kept, asking(request)).take(text)
        return f"{reverse('set-up', args=[station.key])}?{urlencode(state)}".removesuffix("?")

    def show() -> tuple[dict[str, Any], list[Table]]:
        found = FeedRecord.objects.filter(feed__axis__station=station, act=FeedRecord.Act.FOUND)
        judging = OPERATIONS[approve_first_piece.__name__]
        context = {
            "it": station,
            "bank": bank,
            "plan": plan,
            "feed": feed,
            "count": kept.get("count", ""),
            "done": DONE.get(kept.get("done", "")),
            "found": found.filter(pk=int(kept.get("found", 0))).select_related("feed", "container__part").first(),
            "next": _say_next(bank, plan, feed, kept),
            "waiting": [(state.setup, piece) for state in bank.setups for piece in state.waits_for],
            "may_judge": may(roles_of(request.user), judging),
            "judges": in_words(judging),
            "cautions": _cautions_of(station, [plan.assembly] if plan else [one.setup.assembly for one in bank.setups]),
            "text": text,
        }
        return context, [plan_table(plan)] if plan else [bank_table(bank)]

    return do_or_show(request, "set_up.html", do, show, f"set-up-{station.key}")


DONE = {
    "started": "The set-up is started.",
    "ended": "The set-up was ended.",
    "loaded": "Loaded.",
    "off": "Taken off.",
    "cleared": "On record as used up.",
    "seen": "Seen, as on record.",
    "own": "Seen, as on record. It is not verified by that: another person does that than who put it there or started "
    "the set-up.",
    "approved": "The first piece is approved.",
    "rejected": "The first piece is rejected.",
}
"""What was done last, in words."""


# Scans ----------------------------------------------------------------------------------------------------------------


@dataclass
class Scanned:
    """A station's bank, the changeover that goes on there if one does, the feed that was scanned before, and who does
    it."""

    bank: Bank
    plan: Changeover | None
    feed: FeedState | None
    kept: Mapping[str, str]
    done: dict[str, Any]

    def take(self, text: str) -> dict[str, str]:
        """Do what a text says; what to keep in the address. Refuses as the operations do, and with SetUpRefused."""
        word, _, rest = text.partition(" ")
        if word.upper() == "COUNT":
            return self.keep(count=str(_whole(rest)), **({"feed": self.feed.feed.key} if self.feed else {}))
        if word.upper() == "END":
            return self.end(rest)
        if text.upper() == "USED UP":
            clear_feed(feed=self.want_feed().feed, **self.position(), **self.done)
            return self.keep(done="cleared")
        key = read_label(text)
        if key == self.bank.station.key:
            return self.start()
        if any(one.feed.key == key for one in self.bank.feeds):
            return self.keep(feed=key)
        container = Container.objects.select_related("lot", "part").filter(key=key).first()
        if container:
            return self.hang(container)
        if assembly := find_built(text):
            return {name: value for name, value in self.keep().items() if name != "for"} | {"for": assembly}
        if self.feed and self.to_empty(self.feed) and not read_scan(text).found:
            return self.take_off(self.feed, None, key)  # the new label of what comes off
        named = read_scan(text).found
        what = f"{key} is a {named[0].kind}" if named else f"Nothing is called {key}"
        raise SetUpRefused(
            f"{what}: it is no feed of {self.bank.station.key}, no container and nothing that is built.",
            action="Scan a feed, then what is on it; or the order of what is built here next.",
        )

    def keep(self, **state: str) -> dict[str, str]:
        """What stays in the address whatever is done: what is built next, and the count."""
        return {name: self.kept[name] for name in ("for", "count") if name in self.kept} | state

    def position(self) -> dict[str, Any]:
        """Where it happens at a station that counts."""
        if not self.bank.station.counts_cycles:
            return {}
        return {"position": (self.count(), self.count())}

    def count(self) -> int:
        if "count" not in self.kept:
            raise SetUpRefused("This station counts cycles.", action="Enter the machine’s cycle count.")
        return _whole(self.kept["count"])

    def want_feed(self) -> FeedState:
        if self.feed is None:
            raise SetUpRefused("No feed was scanned.", action="Scan the feed first, then the container.")
        return self.feed

    def to_empty(self, feed: FeedState) -> bool:
        """Whether something lies on a feed that the changeover wants away."""
        if self.plan is None or not feed.known:
            return False
        place = self.plan.place_of(feed.feed)
        return place.to_empty if place else self.plan.is_leftover(feed.feed)

    def hang(self, container: Container) -> dict[str, str]:
        """A container: taken off, loaded or seen, as it is with the feed."""
        feed = self.feed or self.only_feed_of(container)
        if self.plan is None:
            return self.see(feed, container)
        if self.plan.in_the_way and self.plan.place_of(feed.feed):
            setup = self.plan.in_the_way[0]
            raise SetUpRefused(
                f"{setup.key} still serves {setup.assembly.key} here.",
                action="End that set-up first.",
            )
        if self.to_empty(feed):
            if container in feed.known:
                return self.take_off(feed, container, container.key)
            raise SetUpRefused(
                f"{' or '.join(one.key for one in feed.known)} is on {feed.feed.key} on record.",
                action="Scan it to take it off, or say that it is used up; then load the next.",
            )
        if container in feed.known:
            return self.see(feed, container)
        check_planned(self.plan, feed.feed, container)
        put = charge_bath if feed.feed.kind == Feed.Kind.BATH else load_feed
        put(feed=feed.feed, container=container, **self.position(), **self.done)
        return self.keep(done="loaded")

    def only_feed_of(self, container: Container) -> FeedState:
        """The feed on which a container is, where that is just one: hanging there it need not be named."""
        on = [one for one in self.bank.feeds if container in one.on]
        if len(on) != 1:
            raise SetUpRefused(
                f"{container.key} is on {'several feeds' if on else 'no feed'} of {self.bank.station.key} on record.",
                action="Scan the feed first, then the container.",
            )
        return on[0]

    def see(self, feed: FeedState, container: Container) -> dict[str, str]:
        seen = find_on_feed(feed=feed.feed, container=container, **self.position(), **self.done)
        if seen.act == FeedRecord.Act.FOUND:
            return self.keep(found=str(seen.pk))
        asking_another = [one.setup for one in self.bank.setups if one.by_another]
        by_another = [
            one for found in list_seen(asking_another, OPEN).values() for one in found if one.feed == feed.feed.pk
        ]
        return self.keep(done="own" if any(one.by_another is None for one in by_another) else "seen")

    def take_off(self, feed: FeedState, container: Container | None, key: str) -> dict[str, str]:
        into = None if list(feed.on) == [container] else container
        take_off_feed(feed=feed.feed, into=into, label="" if container else key, **self.position(), **self.done)
        place = self.plan.place_of(feed.feed) if self.plan else None
        return self.keep(done="off", **({"feed": feed.feed.key} if place else {}))

    def start(self) -> dict[str, str]:
        """The station itself was scanned: what is in place is started."""
        if self.plan is None:
            raise SetUpRefused("Nothing is chosen to be built here next.", action="Scan its order, or a traveller.")
        plan, station = self.plan, self.bank.station
        if not plan.ready:
            waiting = [place.designators for place in plan.places if not place.ready]
            what = f"{', '.join(waiting[:5])} of" if waiting else "The feeds for"
            raise SetUpRefused(
                f"{what} {plan.assembly.key} {'have' if len(waiting) != 1 else 'has'} nothing in place yet.",
                action="Do what the list says first.",
            )
        if plan.unchanged:
            raise SetUpRefused(f"{plan.assembly.key} is set up here just so.", action="Verify it, or scan a traveller.")
        position = {"position": self.count()} if station.counts_cycles else {}
        key = find_free_key([f"{station.key}-{plan.assembly.key}"], SetUp)
        start_setup(key=key, station=station, assembly=plan.assembly, feeds=plan.feeds, **position, **self.done)
        return {name: value for name, value in self.keep(done="started").items() if name != "for"}

    def end(self, key: str) -> dict[str, str]:
        setup = next((one.setup for one in self.bank.setups if one.setup.key == key.upper()), None)
        if setup is None:
            raise SetUpRefused(f"{key[:40]} is no set-up in force here.", action="Choose one of the list.")
        position = {"position": self.count()} if self.bank.station.counts_cycles else {}
        end_setup(setup=setup, **position, **self.done)
        return self.keep(done="ended")


def _decide_on(bank: Bank, piece: str, request: HttpRequest) -> dict[str, str]:
    """A first piece that waits is approved, or rejected where a reason is given."""
    for state in bank.setups:
        for one in state.waits_for:
            if one.unit and piece == f"{state.setup.key} {one.unit.key}":
                told = {"setup": state.setup, "unit": one.unit, **asking(request)}
                if request.POST.get("do") == approve_first_piece.__name__:
                    approve_first_piece(**told)
                    return {"done": "approved"}
                reject_first_piece(reason=request.POST.get("reason", ""), **told)
                return {"done": "rejected"}
    raise SetUpRefused("That first piece was decided on.", action="Look at the page as it is now.")


def _whole(text: str) -> int:
    if not NUMBER.fullmatch(text):
        raise SetUpRefused("The machine’s cycle count is a whole number.", action="Read it off the machine.")
    return int(text)


# The answer -----------------------------------------------------------------------------------------------------------


def _cautions_of(station: Station, assemblies: Sequence[Part]) -> list[str]:
    """What the steps that are done here must be heeded for."""
    steps = Step.objects.filter(stations=station, part__in=assemblies).exclude(caution="").order_by("number")
    return list(dict.fromkeys(steps.values_list("caution", flat=True)))


def _say_next(bank: Bank, plan: Changeover | None, feed: FeedState | None, kept: Mapping[str, str]) -> str:
    """The one thing to do now."""
    if plan:
        return _say_change(bank, plan, feed, kept)
    if feed:
        return f"Scan what is on {feed.feed.key}."
    for state in bank.setups:
        if state.not_seen:
            return f"Scan {state.not_seen[0]}, then what is on it."
    for one in (piece.unit for state in bank.setups for piece in state.waits_for if piece.unit):
        return f"First piece {one.key} waits to be approved: until then no other unit goes in."
    if not bank.feeds:
        return "It has no feeds: there is nothing to set up or to verify but a tape, where it takes one."
    return "To change over, scan the order of what is built here next, or a traveller of it."


def _say_change(bank: Bank, plan: Changeover, feed: FeedState | None, kept: Mapping[str, str]) -> str:
    if bank.station.counts_cycles and "count" not in kept:
        return "Enter the machine’s cycle count."
    if not plan.places and not plan.owed:
        return f"No step of {plan.assembly.key} draws from a feed here. Scan something else that is built."
    if plan.unchanged and plan.ready:
        return "It is set up here already. Scan a traveller of something else, or go back to verify it."
    if plan.in_the_way:
        return f"End set-up {plan.in_the_way[0].key} of {plan.in_the_way[0].assembly.key} first: its feeds are needed."
    place = plan.place_of(feed.feed) if feed else plan.next
    if feed and place is None:
        if plan.is_leftover(feed.feed):
            return f"Scan what comes off {feed.feed.key}."
        return f"Scan what goes on {feed.feed.key}."
    if place is None:
        return f"Everything is in place. Scan {bank.station.key} to start the set-up."
    if place.feed is None:
        return f"No feed is free for {place.part.key}. Take off what nothing needs."
    goes = f"{place.part.key} {place.part.name}"
    if place.to_empty:
        off = " or ".join(one.key for one in place.feed.known)
        return f"Take {off} off {place.feed.feed.key}: scan {'it' if feed else 'the feed, then it'}. Then load {goes}."
    if place.ready:
        return f"{place.feed.feed.key} has what it needs. Scan another feed."
    return f"Scan a container of {goes}." if feed else f"Scan {place.feed.feed.key}, then a container of {goes}."


def _on(feed: FeedState | None) -> Several | str:
    if feed is None or not feed.on or feed.on == (None,):
        return "nothing on record"
    each = (Ref("container", one.key, one.part.key) if one else Mark("unknown") for one in feed.on)
    return Several(tuple(each), between(feed.feed))


def _seen(feed: FeedState) -> Several | Mark | str:
    if not feed.asked:
        return ""
    return Several((Mark("seen"), Moment(feed.seen)), " ") if feed.seen is not None else Mark("not seen")


def bank_table(bank: Bank) -> Table:
    """The feeds of a station as they are set up: those in use first."""
    return Table(
        "bank",
        "Feeds as they are set up",
        [
            Column("feed", "Feed", lambda one: Ref("feed", one.feed.key)),
            Column("serves", "Serves", lambda one: one.places or "nothing now"),
            Column("on", "On it", _on),
            Column("seen", "Verified", _seen),
            Column("lasts", "Lasts", lambda one: lasting(one.lasts)),
            Column("wrong", "To do", lambda one: one.stops or one.warns),
        ],
        sorted(bank.feeds, key=lambda one: (not one.serves, one.feed.key)),
        "It has no feeds.",
    )


def plan_table(plan: Changeover) -> Table:
    """What goes where: what is still to be done first, and last what comes off because nothing needs it."""
    places = sorted(plan.places, key=lambda place: place.ready)
    rows: list[tuple[FeedState | None, str, Part | None, str]] = [
        (place.feed, place.designators, place.part, place.todo) for place in places
    ]
    rows += [(feed, "", None, "take off, nothing needs it") for feed in plan.leftover]
    return Table(
        "plan",
        f"What {plan.assembly.key} needs here",
        [
            Column("feed", "Feed", lambda row: Ref("feed", row[0].feed.key) if row[0] else "none free"),
            Column("serves", "For", lambda row: row[1]),
            Column("part", "Part", lambda row: Ref("part", row[2].key, row[2].name) if row[2] else ""),
            Column("on", "On it now", lambda row: _on(row[0])),
            Column("todo", "To do", lambda row: row[3], choose=True),
        ],
        rows,
        "None of its steps here draws from a feed.",
    )
