"""What goes into a unit and out of it, by scan; and a child that is not where the record has it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.urls import reverse

from trace.core.keys import clean_key
from trace.engineering.models import Designator, Part
from trace.floor.designs import get_design
from trace.floor.doubts import list_doubts
from trace.floor.models import Fitting, Unit
from trace.floor.operations.conforming import conform_unit, void_conformity
from trace.floor.operations.findings import find_child, find_empty, find_loose
from trace.floor.operations.fittings import fit_child, fit_part, remove_part
from trace.floor.operations.swaps import swap_child
from trace.floor.queries import get_unit
from trace.web.cells import Mark, Moment, Ref, Several
from trace.web.deeds import Ask, Deed, carry_out, list_permitted, title_of
from trace.web.forms import do_or_show
from trace.web.tables import Column, Table

PLACE = Ask("designator", "Place", "choose")
CHILD = Ask("child", "Label of the unit", "scan")
REASON = Ask("reason", "Why")
GOES = Ask("goes_to", "Where does it go: a station, a rack, a cage")
OPENED = "Open it only where site procedure lets you, with the power off and locked."

DEEDS = (
    Deed(fit_child, "A unit goes in", (PLACE, CHILD)),
    Deed(swap_child, "A unit is swapped for another",
         (PLACE, replace(CHILD, label="Label of the new one"), REASON, GOES), caution=OPENED),
    Deed(remove_part, "Something is taken out", (Ask("designator", "Place"), REASON, replace(GOES, needed=False),
         Ask("salvage", "Label of the bag, if the part is kept", "scan", needed=False)), caution=OPENED),
    Deed(fit_part, "A part of a container goes in",
         (Ask("designator", "Place"), Ask("container", "Label of the container", "scan"), REASON)),
    Deed(find_child, "A unit was found in it", (PLACE, CHILD), note="For what was seen in there and nobody recorded."),
    Deed(find_empty, "A place was found empty", (PLACE,)),
)  # fmt: skip
LOOSE = Deed(find_loose, "This unit was found loose", (), note="On a bench or in a rack, fitted in nothing.")
CONFORM = Deed(conform_unit, "Rework brought it to a later revision", (Ask("part", "Revision", "choose"), REASON))
VOID = Deed(void_conformity, "A revision was recorded wrongly", (Ask("conformity", "Which", "choose"), REASON))
EVERY = (*DEEDS, LOOSE, CONFORM, VOID)


def inside(request: HttpRequest, key: str) -> HttpResponseBase:
    """What is done with what is in a unit; where a child is not known, which units are in doubt and what to scan."""
    it = get_unit(clean_key(key))

    def do() -> str:
        carry_out(request, _list_deeds(it), **_given(request, it))
        return f"{reverse('unit-inside', args=[it.key])}?done={request.POST['do']}"

    def show() -> tuple[dict[str, Any], list[Table]]:
        context = {
            "it": it,
            "doubts": list_doubts(it),
            "deeds": list_permitted(request, _list_deeds(it)),
            "done": title_of(request, EVERY),
        }
        return context, [_places_table(it)]

    return do_or_show(request, "unit_inside.html", do, show, f"inside-{it.key}")


def _given(request: HttpRequest, it: Unit) -> dict[str, Any]:
    verb = request.POST.get("do")
    return {} if verb == VOID.verb else {"child": it} if verb == LOOSE.verb else {"unit": it}


def _list_deeds(it: Unit) -> list[Deed]:
    """What may be done with this unit: with the places that it has for units, the revisions that there are."""
    design = get_design(it)
    places = design.designators.filter(line__child__serialised=True).values_list("name", "line__child__name")
    named = [(name, f"{name}: {part}") for name, part in places]
    found = [_choosing(deed, "designator", named) for deed in DEEDS if named or PLACE not in deed.asks]
    later = Part.objects.filter(number=design.number, retired=None, released__gt=design.released or it.order.released)
    revisions = [(part.key, f"{part.key} {part.name}") for part in later]
    standing = [(str(one.pk), one.part.key) for one in it.conformities.filter(superseded=None).select_related("part")]
    found += [LOOSE] * Fitting.objects.filter(child=it, superseded=None).exists()
    found += [_choosing(CONFORM, "part", revisions)] * bool(revisions)
    return found + [_choosing(VOID, "conformity", standing)] * bool(standing)


def _choosing(deed: Deed, name: str, choices: list[tuple[str, str]]) -> Deed:
    asks = [replace(ask, choices=choices) if ask.name == name and ask.kind == "choose" else ask for ask in deed.asks]
    return replace(deed, asks=asks)


def _places_table(it: Unit) -> Table:
    """The places for units, and what somebody scanned into any other."""
    standing = Fitting.objects.filter(unit=it, until=None, superseded=None)
    fitted = {one.designator: one for one in standing.select_related("child", "container", "feed", "by")}
    own = Designator.objects.filter(parent=get_design(it)).order_by("line__number", "id").select_related("line__child")
    rows = [
        (row.name, row.line.child, fitted.get(row.name))
        for row in own
        if row.line.child.serialised or row.name in fitted
    ]
    return Table(
        "places",
        "What is in it by scan",
        [
            Column("place", "Place", lambda row: row[0]),
            Column("part", "Part", lambda row: Ref("part", row[1].key, row[1].name)),
            Column("there", "What is there", lambda row: _there(row[2])),
            Column("since", "Since", lambda row: Moment(row[2].since) if row[2] else ""),
            Column("goes", "Where what was there went", lambda row: row[2].goes_to if row[2] else ""),
            Column("by", "By", lambda row: Ref("person", row[2].by.key, row[2].by.name) if row[2] else ""),
        ],
        rows,
        "It has no place for a unit, and nobody scanned a part into it.",
    )


def _there(fitting: Fitting | None) -> Any:
    if fitting is None or fitting.holds == Fitting.Holds.NOTHING:
        return Mark("to fit")
    if fitting.holds == Fitting.Holds.UNKNOWN:
        return Several(("a unit that is", Mark("unknown")), " ")
    thing: Any = fitting.child or fitting.container or fitting.feed
    return Ref(thing._meta.model_name, thing.key)
