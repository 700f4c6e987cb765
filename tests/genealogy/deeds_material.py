"""Deeds of a random history in the store and at feeds; see world.py."""

from __future__ import annotations

from collections.abc import Iterable

from tests.factories import moment
from tests.genealogy.deeds import INSERTION, SETS, Deeds, Skip
from tests.genealogy.feedlog import STAYS, FeedLog
from tests.genealogy.plantlog import Box
from tests.genealogy.shop import PAPER
from trace.floor.operations import feeds, stores
from trace.material.models import Container, Feed, SetUp
from trace.material.operations import setups, stock

LINKS = ["T1", "T2"]


class MaterialDeeds(Deeds):
    """Each deed takes three numbers that choose among what there is."""

    # Stock -------------------------------------------------------------------------------------------------------

    def receive(self, a: int, b: int, c: int) -> None:
        part, lot = self.pick([("RES", "LA"), ("RES", "LH"), ("RES2", "LC"), ("CAP", "LI"), ("SOLDER", "LJ")], a)
        self.shop.receive(self.log, part, lot, 1 + b % 2, self.minute)

    def split(self, a: int, b: int, c: int) -> None:
        source, key = self.box_of(set(self.shop.parts), a), f"SPLIT-{self.number}"
        self.do(stores.split_container, source=self.shop.container(source), key=key)
        self.left(source)
        self.make(key, self.log.boxes[source].part, [("box", source)], {self.log.boxes[source].lot})

    def merge(self, a: int, b: int, c: int) -> None:
        first = self.box_of(set(self.shop.parts), a)
        part = self.log.boxes[first].part
        sources = sorted({first, self.box_of({part}, b)})
        containers = [self.shop.container(key) for key in sources]
        if c % 2:
            key = f"MERGE-{self.number}"
            self.do(stores.merge_containers, sources=containers, key=key)
            self.all_left(sources)
            self.make(key, part, [("box", s) for s in sources], {self.log.boxes[s].lot for s in sources})
            return
        into = self.box_of({part}, c // 2, fillable=True)
        self.do(stores.merge_containers, sources=containers, into=self.shop.container(into))
        self.all_left(set(sources) - {into})
        for source in sources:
            if source != into:
                self.log.boxes[into].fill(("box", source), self.now)

    def batch(self, a: int, b: int, c: int) -> None:
        part, key = self.pick(self.shop.parts, a), f"BATCH-{self.number}"
        sources = sorted({self.box_of(set(self.shop.parts), b), self.box_of(set(self.shop.parts), c)})
        containers = [self.shop.container(source) for source in sources]
        self.do(stores.make_batch, key=key, part=self.shop.parts[part], sources=containers)
        self.all_left(sources)
        self.make(key, part, [("box", source) for source in sources], set())

    def all_left(self, keys: Iterable[str]) -> None:
        for container in Container.objects.filter(key__in=keys).order_by("pk"):
            self.left(container.key)

    def discard(self, a: int, b: int, c: int) -> None:
        key = self.box_of(set(self.shop.parts), a)
        self.do(stock.discard_container, container=self.shop.container(key), reason="used up")
        self.log.boxes[key].gone = self.now

    def store(self, a: int, b: int, c: int) -> None:
        key = self.box_of(set(self.shop.parts), a)
        self.doubt = 0
        self.do(stores.store_container, container=self.shop.container(key), store="shelf")
        self.left(key)

    # Feeds -------------------------------------------------------------------------------------------------------

    def counts(self, number: int) -> tuple[dict[str, int], dict[str, int]]:
        """What somebody counted, as the operation and the log have it; mostly nothing."""
        most = 2 + number % 7
        match number % 5:
            case 1:
                self.done.append("counted")
                return {"quantity": most}, {"most": most}
            case 2 | 3:
                self.done.append("counted")
                least = max(most - number % 4, 0)
                return {"quantity": most, "at_least": least}, {"most": most, "least": least}
        return {}, {}

    def load(self, a: int, b: int, c: int) -> None:
        feed = self.feed_like("slot bin", a)
        key = self.box_of(self.log.feeds[feed].fitting, b)
        position, first, last = self.where(feed, c % 5 > 1, 1 + c % 3)
        if c % 5 == 1:  # exact, but recorded late
            last = first
            position = position and (first, first)
            self.done.append("late")
        elif c % 5 == 0:
            self.done.append("late")
        told, logged = self.counts(b)
        self.do(feeds.load_feed, feed=self.feeds[feed], container=self.shop.container(key), position=position, **told)
        self.act(feed, "load", key, first, last, **logged)
        self.left(key, feed)

    def relay(self, a: int, b: int, c: int) -> None:
        """The next container of the same lot, loaded some time in the last minutes."""
        loads = [
            (feed, act.container) for feed, log in self.log.feeds.items() for act in log.acts if act.kind == "load"
        ]
        feed, last = self.pick(loads, a)
        lot = self.log.boxes[last].lot
        key = self.pick([k for k, box in self.log.boxes.items() if box.lot == lot and k != last and not box.gone], b)
        position, first, last = self.where(feed, False, 2 + c % 5)
        self.do(feeds.load_feed, feed=self.feeds[feed], container=self.shop.container(key), position=position)
        self.act(feed, "load", key, first, last)
        self.left(key, feed)
        self.done.append("late")

    def splice(self, a: int, b: int, c: int) -> None:
        feed = self.feed_like("slot bin", a)
        key = self.box_of(self.log.feeds[feed].fitting, b)
        position, first, last = self.where(feed)
        details = {"lead": c % 6, "tolerance": c // 6 % 3}
        container = self.shop.container(key)
        told, logged = self.counts(b)
        self.do(feeds.splice_feed, feed=self.feeds[feed], container=container, position=position, **details, **told)
        self.act(feed, "splice", key, first, last, **details, **logged)
        self.left(key, feed)

    def top_up(self, a: int, b: int, c: int) -> None:
        feed = self.feed_like("slot bin", a)
        key = self.box_of(self.log.feeds[feed].fitting, b)
        position, first, last = self.where(feed, c % 7 > 0)
        counts = {"quantity": 1 + c % 3, "left": c // 3 % 3} if c % 2 else {}
        container = self.shop.container(key)
        self.do(feeds.top_up_feed, feed=self.feeds[feed], container=container, position=position, **counts)
        self.act(feed, "top-up", key, first, last, counted=sum(counts.values()) if counts else None)
        self.left(key, feed)
        if c % 7 == 0:
            self.done.append("late")

    def clear(self, a: int, b: int, c: int) -> None:
        feed = self.feed_like("slot bin", a)
        position, first, last = self.where(feed, c % 3 > 0, 2)
        self.do(feeds.clear_feed, feed=self.feeds[feed], position=position)
        self.act(feed, "clear", None, first, last)
        if c % 3 == 0:
            self.done.append("late")

    def take_off(self, a: int, b: int, c: int) -> None:
        feed = self.feed_like("slot bin head", a)
        position, first, last = self.at_head(feed, b) if self.log.feeds[feed].kind == "head" else self.where(feed)
        fitting = self.log.feeds[feed].fitting
        into = self.box_of(fitting, b, fillable=True) if c % 3 == 1 else None
        label = f"REST-{self.number}" if c % 3 == 2 or c % 6 == 0 else ""
        arguments = {"label": label, "into": into and self.shop.container(into), "position": position}
        result = self.do(feeds.take_off_feed, feed=self.feeds[feed], **arguments)
        self.act(feed, "take-off", result.key, first, last)
        source = ("feed", feed, self.number)
        if result.key in self.log.boxes:
            left = self.look(feed).left_at(self.number)
            if left != {result.key}:
                self.log.boxes[result.key].fill(source, self.now, self.error)
        else:
            if result.lot.supplier.is_plant and result.lot.key == f"{result.key}-LOT":
                self.log.plant_lots.add(result.lot.key)
            self.log.boxes[result.key] = Box(result.part.key, result.lot.key, False, self.now - self.error)
            self.log.boxes[result.key].fill(source, self.now, self.error)

    def charge(self, a: int, b: int, c: int) -> None:
        key = self.box_of({"SOLDER"}, b)
        self.do(feeds.charge_bath, feed=self.feeds["WAVE-S"], container=self.shop.container(key))
        self.act("WAVE-S", "charge", key, self.now - self.error, self.now + self.error)
        self.left(key, "WAVE-S")

    def dump(self, a: int, b: int, c: int) -> None:
        position, first, last = self.where("WAVE-S", c % 3 > 0, 2)
        self.do(feeds.dump_bath, feed=self.feeds["WAVE-S"], cleaned=bool(b % 2), position=position)
        self.act("WAVE-S", "dump", None, first, last, cleaned=bool(b % 2))
        if c % 3 == 0:
            self.done.append("late")

    def find(self, a: int, b: int, c: int) -> None:
        feed = self.feed_like("slot bin", a)
        key = self.box_of(self.log.feeds[feed].fitting, b)
        position, first, last = self.where(feed)
        told, logged = self.counts(c)
        record = self.do(
            feeds.find_on_feed, feed=self.feeds[feed], container=self.shop.container(key), position=position, **told
        )
        if record.act == "found":
            since = self.look(feed).last_shown(first, last)
            hung = self.log.feeds[feed].kind in ("slot", "head")
            there = {p.container for p in self.look(feed).puts if not p.vacancy and p.end > since}
            old = sorted(k for k in there if k and k != key) if hung else []
            self.act(feed, "found", key, since, last, **logged)
            for k in old:
                acts = sorted(
                    (a for a in self.log.feeds[feed].acts if a.container == k), key=lambda a: (a.last, a.number)
                )
                known_there = [a for a in acts if a.kind in STAYS]
                if (
                    known_there
                    and known_there[-1].last <= since
                    and [a for a in acts if a.kind != "sighting"][-1].kind in STAYS
                ):
                    self.note_left(feed, known_there[-1], last)
            self.done.append("late")
        else:
            self.act(feed, "sighting", key, first, last)
        self.left(key, feed)

    def change_over(self, a: int, b: int, c: int) -> None:
        """From now on; in the second set-up R2 has a feed of its own, in the third it has none."""
        station, variant = self.pick([s for s in INSERTION if s != PAPER and not self.doubt], a), b % 3
        key, position = f"{station}-{self.number}", self.cycle
        self.shop.change_over(station, variant, moment(self.minute), key=key, position=position, log=self.log)

    # A sequenced tape --------------------------------------------------------------------------------------------

    def start_tape(self, a: int, b: int, c: int) -> None:
        if self.tape:
            raise Skip
        heads = {"H1": (a % 3, ["T1"]), "H2": (b % 5, ["T2"])}
        board = self.shop.assemblies["BOARD"]
        tape = self.do(setups.start_tape, key="TAPE", assembly=board, sequence=LINKS, heads=heads, board_sets=SETS)
        tape = self.do(setups.finish_tape, tape=tape, board_sets=SETS)  # so that it may be drawn from; loads come late
        self.tape = tape, SetUp.objects.select_related("axis").get(key="TAPE-SETUP")
        self.log.change_over("TAPE", 0, {designators[0]: f"TAPE-{name}" for name, (_, designators) in heads.items()})
        for name, (distance, designators) in heads.items():
            key = f"TAPE-{name}"
            self.feeds[key] = Feed.objects.select_related("axis__tape").get(key=key)
            fitting = self.shop.fitting("BOARD", designators[0])
            self.log.feeds[key] = FeedLog(on_clock=False, kind="head", fitting=set(fitting), board_sets=SETS)
            self.heads[key] = (distance, LINKS.index(designators[0]))

    def at_head(self, feed: str, number: int) -> tuple[tuple[int, int], int, int]:
        """Where a head's next component lands once the chain has moved on a little."""
        self.chain += number % 3
        chain, end = self.chain, self.chain + number % 2
        distance, link = self.heads[feed]
        first, last = (next(k for k in range(99) if 2 * k + link >= c + distance) for c in (chain, end))
        position = feeds.head_position(self.feeds[feed], chain, end)
        assert position == (first, last)
        return position, first, last

    def load_head(self, a: int, b: int, c: int) -> None:
        feed = self.feed_like("head", a)
        key = self.box_of(self.log.feeds[feed].fitting, b)
        position, first, last = self.at_head(feed, c)
        arguments = {"feed": self.feeds[feed], "container": self.shop.container(key), "position": position}
        if c % 4 == 3:
            details = {"lead": c % 3, "tolerance": c // 3 % 2}
            self.do(feeds.splice_feed, **arguments, **details)
            self.act(feed, "splice", key, first, last, **details)
            self.left(key, feed)
        else:
            self.do(feeds.load_feed, **arguments)
            self.act(feed, "load", key, first, last)
            self.left(key, feed)
        self.left(key, feed)
