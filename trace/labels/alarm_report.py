"""The report of a containment: what is suspect, how the population was found, where it is, what was done, decided and
told; as sections, for the page and the PDF alike."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from django.db.models import Q
from django.utils import timezone

from trace.approvals.queries import list_signatures
from trace.containment.limits import summarise_limits
from trace.containment.models import Containment, Heading, Remark, Snapshot, Term
from trace.containment.terms import describe_term
from trace.core.clock import now_ticks, to_ticks
from trace.core.keys import natural
from trace.core.verbs import sentence
from trace.genealogy.forward import Carrier, Population, count_places, group_shipped, summarise_population
from trace.genealogy.rules import CARRYING, Sureness
from trace.genealogy.stock import list_population_stock
from trace.holds.queries import list_dispositions
from trace.labels.alarm_settled import (
    clean_points_table,
    cost_tables,
    decisions_table,
    list_open_points,
    notices_table,
    progress_table,
)
from trace.labels.history import PrintedSection, PrintedTable, print_sections
from trace.labels.moments import show
from trace.ledger.models import Event, EventSubject

MOST_UNITS = 2_000
"""So many units are listed on paper; the files of the units table have every one."""

CAUTION = (
    "It scopes by what is on record: what happened and was not recorded is not in it. Release, recall and notification"
    " are decided by qualified people under the applicable law and the site’s procedure."
)

DISCIPLINES = {
    1: "Team",
    2: "Problem",
    3: "Interim containment",
    4: "Root cause and why it escaped",
    5: "Corrective action chosen",
    6: "Carried out and proved",
    7: "Prevention of recurrence",
    8: "Closure",
}
"""The eight disciplines of problem solving (common practice), by number."""


ANNEX = 9
"""Behind them."""


@dataclass(frozen=True)
class Section:
    """A section, and under which of the eight disciplines it stands where they are wanted."""

    discipline: int
    heading: str
    said: Sequence[str] = ()
    tables: Sequence[PrintedTable] = ()


@dataclass(frozen=True)
class AlarmReport:
    """A containment with its population, as of the moment of reckoning (microseconds)."""

    containment: Containment
    population: Population
    moment: int

    @property
    def title(self) -> str:
        return f"Containment {self.containment.key}"


def print_report(report: AlarmReport, sections: Sequence[Section], *, eight: bool = False) -> bytes:
    """The report as PDF, in our order or under the headings of the eight disciplines."""
    moment = show(report.moment)
    top = PrintedSection(
        "",
        [
            report.containment.problem,
            f"Reckoned {moment}; times are those of {timezone.get_current_timezone_name()}. {CAUTION}",
        ],
    )
    return print_sections(report.title, [top, *arrange(sections, eight)], f"{report.title}, reckoned {moment}.")


def arrange(sections: Sequence[Section], eight: bool) -> list[PrintedSection]:
    """The sections in our order, or under the eight disciplines, each of which is named though it may be empty."""
    if not eight:
        return [PrintedSection(one.heading, one.said, one.tables) for one in sections]
    found: list[PrintedSection] = []
    for number, name in {**DISCIPLINES, ANNEX: "Annex"}.items():
        of_it = [one for one in sections if one.discipline == number]
        head = name if number == ANNEX else f"D{number} {name}"
        found.append(PrintedSection(head, [] if of_it else ["Nothing is on record under this heading."], chapter=True))
        found += [PrintedSection(one.heading, one.said, one.tables) for one in of_it]
    return found


def list_sections(report: AlarmReport, *, costs: bool) -> Iterator[Section]:
    """What the record says of it, section by section; without `costs` for those who may not see them."""
    it, population = report.containment, report.population
    summary = summarise_population(population)
    opened = f"Opened {show(it.opened)} by {it.opened_by.name}."
    yield Section(2, "What is wrong", [it.problem, *([f"Evidence: {it.evidence}"] if it.evidence else []), opened])
    yield Section(2, "What is suspect", tables=[_terms(it)])
    yield Section(2, "The population", [summary.sentence("What is suspect")], [_snapshots(it)])
    yield Section(2, "What it can’t say", summarise_limits(population).sentences)
    yield Section(3, "Where it is", tables=[_places(population), _stock(population)])
    yield Section(3, "What is held, and how far it is", tables=[progress_table(it, population)])
    yield Section(3, "Customers", tables=[_customers(population), notices_table(it)])
    yield Section(5, "What becomes of it", tables=[decisions_table(it), clean_points_table(it)])
    if costs:
        yield Section(5, "What it costs", *cost_tables(it, population))
    yield from _remarks(it)
    yield Section(6, "What was done, and when", tables=[_deeds(it)])
    yield Section(8, "What is left", list_open_points(it, population))
    yield Section(1, "Who took part", tables=[_people(it)])
    yield Section(8, "Closure and signatures", _closure(it), [_signatures(it)])
    yield Section(ANNEX, "Every unit", *_units(population))


def _terms(it: Containment) -> PrintedTable:
    terms = Term.objects.filter(containment=it).select_related("by").order_by("number")
    return PrintedTable(
        "",
        ["No.", "Joined", "Suspect", "Evidence", "Added", "By", "Removed"],
        [
            [
                *(str(one.number), one.get_joined_display(), describe_term(one), one.evidence),
                *(show(one.added), one.by.name),
                f"{show(one.removed)}: {one.remove_reason}" if one.removed is not None else "",
            ]
            for one in terms
        ],
        "Nothing is named as suspect yet.",
    )


def _snapshots(it: Containment) -> PrintedTable:
    kept = Snapshot.objects.filter(containment=it).select_related("by").order_by("number")
    return PrintedTable(
        "The population as it was known before",
        ["Snapshot", "Taken", "By", "For", "Certain", "Possible", "Cleared", "Shipped", "Customers"],
        [
            [
                *(str(one.number), show(one.taken), one.by.name, one.why),
                *map(str, (one.certain, one.possible, one.cleared, one.shipped, one.customers)),
            ]
            for one in kept
        ],
        "No snapshot was taken.",
    )


def _places(population: Population) -> PrintedTable:
    counts = count_places(population)
    return PrintedTable(
        "Units",
        ["Place", "Certain", "Possible", "Units"],
        [
            [place, *(str(found[one]) for one in CARRYING), str(found.total())]
            for place, found in sorted(counts.items(), key=lambda item: (-item[1].total(), item[0]))
        ],
        "No unit carries it.",
    )


def _stock(population: Population) -> PrintedTable:
    return PrintedTable(
        "Material in no unit yet",
        ["What", "Part", "Lot", "Where", "Held at first", "Suspect"],
        [
            [
                *(f"{item.kind} {item.key}", item.part, item.lot, item.where),
                item.sets_left or ("" if item.quantity is None else f"{item.quantity.normalize():f}"),
                "wholly" if item.wholly else "in part",
            ]
            for item in list_population_stock(population)
        ],
        "No suspect material is left in the plant.",
    )


def _customers(population: Population) -> PrintedTable:
    shipped = group_shipped(population)
    return PrintedTable(
        "Shipped to",
        ["Customer", "Shipments", "Certain", "Possible", "Units"],
        [
            [
                f"{key} {tops[0].where.customer_name}",
                ", ".join(sorted({top.where.key for top in tops}, key=natural)),
                *(str(sum(top.sureness == one for top in tops)) for one in CARRYING),
                str(len(tops)),
            ]
            for key, tops in sorted(shipped.items(), key=lambda item: (-len(item[1]), item[0]))
        ],
        "None has shipped.",
    )


_DISCIPLINE = {
    Heading.CAUSE: 4,
    Heading.ESCAPE: 4,
    Heading.ACTION: 5,
    Heading.VALIDATION: 6,
    Heading.PREVENTION: 7,
}


def _remarks(it: Containment) -> Iterator[Section]:
    standing = Remark.objects.filter(containment=it, superseded=None).select_related("by")
    by_heading = {one.heading: one for one in standing}
    for heading in Heading:
        if one := by_heading.get(heading):
            said = [*one.text.splitlines(), f"Written {show(one.written)} by {one.by.name}."]
            yield Section(_DISCIPLINE[heading], heading.label.capitalize(), said)


def _papers(it: Containment) -> list[tuple[str, str]]:
    """The containment, and what was decided and written under it: what is signed."""
    return [
        ("containment", it.key),
        *(("disposition", one.key) for one in list_dispositions("containment", it.key)),
        *(("notice", one.key) for one in it.notices.all()),
    ]


def _events(it: Containment) -> dict[Event, list[str]]:
    """All that was done about it, signing too; each with what of it beside the containment itself it was done to."""
    about = Q()
    for kind, key in _papers(it):
        about |= Q(kind=kind, key=key)
    done = EventSubject.objects.filter(about).select_related("event__by").order_by("event__happened", "event", "key")
    found: dict[Event, list[str]] = defaultdict(list)
    for one in done:
        found[one.event] += [] if one.kind == "containment" else [f"{one.kind} {one.key}"]
    return found


def _deeds(it: Containment) -> PrintedTable:
    return PrintedTable(
        "",
        ["Happened", "Recorded", "What", "On", "By"],
        [
            [
                *(show(to_ticks(one.happened)), show(to_ticks(one.recorded))),
                *(sentence(one.verb), ", ".join(on), one.by.name),
            ]
            for one, on in _events(it).items()
        ],
        "Nothing was done yet.",
    )


def _people(it: Containment) -> PrintedTable:
    people = {one.by.key: one.by for one in _events(it)}
    rows = [[key, person.name, ", ".join(person.roles)] for key, person in sorted(people.items())]
    return PrintedTable("", ["Number", "Name", "Answers for, as of now"], rows, "Nobody yet.")


def _closure(it: Containment) -> list[str]:
    if it.closed is None or it.closed_by is None:
        return ["It is open."]
    left = [f"Left open: {it.open_points}"] if it.open_points else []
    return [f"Closed {show(it.closed)} by {it.closed_by.name}: {it.close_reason}", *left]


def _signatures(it: Containment) -> PrintedTable:
    """Printed name, date and time, meaning: 21 CFR 11.50."""
    signed = [(thing, one) for thing in _papers(it) for one in list_signatures(*thing)]
    return PrintedTable(
        "Signatures",
        ["On", "Name", "Signed", "Meaning", "It stands"],
        [
            [
                *(" ".join(on), one.signature.name, show(to_ticks(one.signature.signed))),
                *(one.signature.get_meaning_display(), one.sentence),
            ]
            for on, one in signed
        ],
        "Nothing is signed.",
    )


def _units(population: Population) -> tuple[list[str], list[PrintedTable]]:
    tops = sorted(population.tops(), key=lambda top: (list(Sureness).index(top.sureness), natural(top.top)))
    said = [f"The first {MOST_UNITS} of {len(tops)}; the files have every one."] if len(tops) > MOST_UNITS else []
    rows = [
        [top.top, top.sureness.value, ", ".join(top.reasons), str(top.where), _since(top)] for top in tops[:MOST_UNITS]
    ]
    heads = ["Outermost unit", "Sureness", "Why only possible", "Where", "Since"]
    return said, [PrintedTable("", heads, rows, "No unit carries it, and none did.")]


def _since(top: Carrier) -> str:
    return show(top.where.since) if top.where.since else ""


def make_report(containment: Containment, population: Population) -> AlarmReport:
    """The report of a containment as it is now."""
    return AlarmReport(containment, population, now_ticks() if population.at >= now_ticks() else population.at)
