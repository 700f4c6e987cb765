"""The forms by which a containment goes on: looking for things, deciding, releasing, telling customers, closing."""

from __future__ import annotations

from dataclasses import replace

from trace.containment.holding import list_holds
from trace.containment.models import Containment, Heading, Outcome, Snapshot
from trace.containment.operations.alarms import close_containment
from trace.containment.operations.decide import Group, clear_units, decide_contained
from trace.containment.operations.notices import send_notice, void_notice, write_notice
from trace.containment.operations.progress import declare_clean_point, reconcile
from trace.containment.operations.remarks import write_remark
from trace.containment.operations.stop import release_contained
from trace.containment.shipped import find_state, list_customers
from trace.containment.sorting import list_tests
from trace.engineering.models import Characteristic, Step
from trace.holds.models import Decision
from trace.web.deeds import Ask, Deed

WHO_DECIDES = (
    "Release, recall and notification are decided by qualified people, under the law that applies and the site’s own "
    "procedure. The record says what was decided and done, not that it was right."
)
REASON = Ask("reason", "Reason")

RECONCILE = Deed(
    reconcile,
    "Look for things: scan one, say where it is",
    [
        Ask("thing", "Scan the thing", "scan"),
        Ask("outcome", "What came of it", "choose", choices=Outcome.choices),
        Ask("place", "Where", needed=False),
    ],
    note="What was said stays for the next scan.",
)

RELEASE = Deed(
    release_contained,
    "Release what may go",
    [Ask("things", "Only these things, one a line", "scans", False), Ask("reason", "Reason and evidence")],
    button="Release it",
    caution=WHO_DECIDES,
    note="Everything of which nothing is missing above; or of that only what is named: all of it or none. What is not "
    "settled stays held.",
)

DECISIONS = [
    Deed(
        decide_contained,
        "Decide what becomes of a group, or of single things",
        [
            Ask("group", "Of what is held", "choose", False, Group.choices),
            Ask("things", "These things, one a line", "scans", False),
            Ask("decision", "Decision", "choose", choices=Decision.choices),
            REASON,
            Ask("evidence", "Evidence: readings, reports", needed=False),
        ],
        button="Decide it",
        caution=WHO_DECIDES,
        note="It counts once a quality engineer other than you has approved it by signature.",
    ),
    Deed(
        clear_units,
        "A sort test cleared units",
        [
            Ask("units", "Units, one a line", "scans"),
            Ask("test", "The test, where it is on record", "choose", False),
            Ask("evidence", "Evidence: report, readings, who judged"),
        ],
        button="Clear them",
        caution=WHO_DECIDES,
        note="All of them or none, and only what is to be sorted by a disposition that counts. Where the test is named "
        "each must have passed it since it was held; where none is, the evidence is all that speaks for them.",
    ),
    RELEASE,
    Deed(
        declare_clean_point,
        "Declare a clean point",
        [Ask("unit", "The first unit that is free of it", "scan"), Ask("reason", "What makes it clean from there on")],
        button="Declare it",
        caution="By the record no unit from there on carries it so far. What is suspect and still in the plant can go "
        "into later ones: see that it is all found and held, and that lines and feeds are cleared.",
    ),
    Deed(
        write_remark,
        "Write under a heading of the report",
        [Ask("heading", "Heading", "choose", choices=Heading.choices), Ask("text", "Text", "long")],
        button="Write it",
    ),
    Deed(
        close_containment,
        "Close this containment",
        [
            Ask("reason", "On what grounds"),
            Ask("open_points", "What is left open, each by its key, with why", "long", needed=False),
        ],
        button="Close it",
        caution=WHO_DECIDES,
        note="What stays held can be decided of on its own page later, and is then released here.",
    ),
]


def list_decisions(containment: Containment) -> list[Deed]:
    """The decisions, with the tests that may clear what it holds; closed, it only releases what it holds."""
    if containment.closed is not None:
        return [RELEASE] if list_holds(containment).filter(released=None).exists() else []
    tests = [(f"{type(one).__name__.lower()}-{one.pk}", _name(one)) for one in list_tests(containment)]

    def fill(ask: Ask) -> Ask:
        return replace(ask, choices=tests) if ask.name == "test" else ask

    return [replace(deed, asks=[fill(ask) for ask in deed.asks]) for deed in DECISIONS]


def _name(test: Step | Characteristic) -> str:
    if isinstance(test, Step):
        return f"{test.part.key}, step {test.number}: {test.name}"
    return f"{test.part.key}, read at step {test.step_number}: {test.name}"


CHOOSE_NOTICE = Ask("notice", "Notice", "choose")

NOTICE_DEEDS = [
    Deed(
        write_notice,
        "Write a notice",
        [Ask("customer", "To", "choose"), Ask("text", "What they are told", "long")],
        button="Write it",
        caution=WHO_DECIDES,
        note="It lists the units that the latest snapshot has as shipped to them. Another quality engineer approves it "
        "by signature before it goes out.",
    ),
    Deed(send_notice, "A notice was sent", [CHOOSE_NOTICE, Ask("how", "How, such as by registered letter")]),
    Deed(void_notice, "A notice does not go out", [CHOOSE_NOTICE, REASON], button="Give it up"),
]


def list_notice_deeds(containment: Containment, snapshot: Snapshot | None) -> list[Deed]:
    """What can be done about notices: written to customers who have some of it, sent, given up."""
    customers = [(one.key, f"{one.key} {one.name}") for one in list_customers(snapshot)] if snapshot else []
    unsent = containment.notices.filter(sent=None, superseded=None).select_related("customer")
    notices = [(one.key, f"{one.key} to {one.customer.name}, {find_state(one)}") for one in unsent]
    choices = {"customer": customers, "notice": notices}
    return [
        replace(deed, asks=[replace(ask, choices=choices.get(ask.name, ask.choices)) for ask in deed.asks])
        for deed in NOTICE_DEEDS
        if choices[deed.asks[0].name]
    ]
