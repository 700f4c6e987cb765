"""Sites, stations, parts and what they cost."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from zoneinfo import available_timezones

from django.db.models import Model

from trace.core.errors import Refusal
from trace.core.keys import clean_key
from trace.core.models import Person
from trace.engineering.models import HourlyRate, Part, ScanMode, Site, StandardCost, Station
from trace.engineering.operations.common import changing, save_checked
from trace.engineering.queries import get_zone, list_costs, list_rates
from trace.engineering.rules import EACH, part_key
from trace.ledger.operation import note


class SiteRefused(Refusal):
    """The site can't be defined so."""

    code = "site-refused"
    action = "Name the plant, its IANA time zone and its ISO 4217 currency."


class StationRefused(Refusal):
    """The station can't be defined so."""

    code = "station-refused"
    action = "Correct what is named and define the station again."


class PartRefused(Refusal):
    """The part can't be defined so."""

    code = "part-refused"
    action = "Correct what is named and define the part again."


class CostRefused(Refusal):
    """A cost or rate can't be set so."""

    code = "cost-refused"
    action = "Give an amount of 0 or more; an assembly's cost follows from its parts."


@changing
def define_site(*, key: str, name: str, zone: str = "UTC", currency: str = "EUR", by: Person, at: datetime) -> Site:
    """The plant of this database.

    Refuses with SiteRefused when there is one already, when the zone is none, or when the currency is not
    three capitals; with BadKey.
    """
    if present := Site.objects.first():
        raise SiteRefused(
            f"This is the database of {present.name}.", action="A second plant has a database of its own."
        )
    if zone not in available_timezones():
        raise SiteRefused(f"“{zone}” is not a time zone.", action="Name one such as Europe/Berlin.")
    if not (len(currency) == 3 and currency.isascii() and currency.isalpha() and currency.isupper()):
        raise SiteRefused(f"“{currency}” is not a currency code.", action="Name one such as EUR.")
    site = Site(key=clean_key(key), name=name, zone=zone, currency=currency)
    save_checked(site, SiteRefused)
    return site


@changing
def define_station(
    *,
    key: str,
    name: str,
    site: Site,
    area: str = "",
    scan_mode: str = ScanMode.GATED,
    counts_cycles: bool = False,
    work_seconds: int = 0,
    rate_per_hour: Decimal = Decimal(0),
    yield_limit: Decimal | None = None,
    repairs: bool = False,
    by: Person,
    at: datetime,
) -> Station:
    """A place where work is done, and what its scans prove.

    `work_seconds` is the least time a unit needs there; `rate_per_hour` is labour and machine in the site's
    currency; `yield_limit` the least first-pass yield, in percent; with `repairs` units that failed are brought there
    to be mended. Refuses with StationRefused what the record does
    not accept, a key in use included; with BadKey.
    """
    station = Station(
        key=clean_key(key),
        name=name,
        site=site,
        area=area,
        scan_mode=scan_mode,
        counts_cycles=counts_cycles,
        work_seconds=work_seconds,
        rate_per_hour=rate_per_hour,
        yield_limit=yield_limit,
        repairs=repairs,
    )
    save_checked(station, StationRefused)
    return station


@changing
def define_part(
    *,
    number: str,
    name: str,
    kind: str = Part.Kind.COMPONENT,
    revision: str = "",
    level: int = 0,
    serialised: bool = False,
    unit_of_measure: str = EACH,
    standard_cost: Decimal = Decimal(0),
    replace_minutes: Decimal = Decimal(0),
    shelf_life: int | None = None,
    moisture_level: str = "",
    time_on_label: int | None = None,
    key: str = "",
    by: Person,
    at: datetime,
) -> Part:
    """A part number and revision. Without a `key` it gets one made of number and revision.

    An assembly or product needs a level above that of every part that will be in it; everything else is at
    level 0. Refuses with PartRefused when kind and level contradict, when the number and revision exist, when
    what is tracked by serial is not counted in pieces, when an assembly is given a cost as bought, and what
    the record does not accept; with BadKey.
    """
    if Part.objects.filter(number=number, revision=revision).exists():
        raise PartRefused(
            f"Part {number}{revision and f' revision {revision}'} exists.", action="A changed part gets a new revision."
        )
    built = kind in (Part.Kind.ASSEMBLY, Part.Kind.PRODUCT)
    if built and level < 1:
        raise PartRefused(f"{number} is built from parts.", action="Give it a level above that of every part in it.")
    if not built and level:
        raise PartRefused(
            f"{number} is not built here, so it has no level {level}.",
            action="Define it as an assembly, or leave the level.",
        )
    if serialised and unit_of_measure != EACH:
        raise PartRefused(f"{number} can't be tracked by serial and measured in {unit_of_measure}.")
    part = Part(
        key=clean_key(key) if key else free_part_key(number, revision),
        number=number,
        revision=revision,
        name=name,
        kind=kind,
        level=level,
        serialised=serialised,
        unit_of_measure=unit_of_measure,
        standard_cost=standard_cost,
        replace_minutes=replace_minutes,
        shelf_life=shelf_life,
        moisture_level=moisture_level,
        time_on_label=time_on_label,
    )
    _check_bought(part, standard_cost)
    save_checked(part, PartRefused)
    return part


def free_part_key(number: str, revision: str) -> str:
    """The key for a new part: the plain one, unless another part has it."""
    key = part_key(number, revision)
    return part_key(number, revision, again=True) if Part.objects.filter(key=key).exists() else key


@dataclass(frozen=True)
class PartCost:
    """What one unit of measure of a part costs as bought, and the minutes to replace one. None leaves it."""

    part: Part
    standard_cost: Decimal | None = None
    replace_minutes: Decimal | None = None


@dataclass(frozen=True)
class StationRate:
    """What an hour at a station costs, labour and machine."""

    station: Station
    rate_per_hour: Decimal


@changing
def set_costs(
    *,
    parts: Sequence[PartCost] = (),
    stations: Sequence[StationRate] = (),
    since: date | None = None,
    by: Person,
    at: datetime,
) -> list[StandardCost | HourlyRate]:
    """Set costs and rates from a day on (the plant's at `at`, if none is given), all of them or none.

    Given again for the same day they are corrected; what they were stays in the ledger. Refuses with CostRefused what
    is negative or finer than the record (costs six decimals, rates four, minutes two), and a cost as bought on an
    assembly: its cost follows from its parts.
    """
    day = since or at.astimezone(get_zone()).date()
    changed: list[StandardCost | HourlyRate] = []
    before: dict[str, Any] = {}
    in_force = list_costs([cost.part.pk for cost in parts], day)
    for cost in parts:
        was, minutes = in_force[cost.part.pk]
        before[f"part:{cost.part.key}"] = [was, minutes]
        record = StandardCost.objects.filter(part=cost.part, since=day).first()
        record = record or StandardCost(part=cost.part, since=day)
        record.standard_cost = was if cost.standard_cost is None else cost.standard_cost
        record.replace_minutes = minutes if cost.replace_minutes is None else cost.replace_minutes
        _check_bought(cost.part, record.standard_cost)
        save_checked(record, CostRefused)
        changed.append(record)
    rates = list_rates([rate.station.pk for rate in stations], day)
    for rate in stations:
        before[f"station:{rate.station.key}"] = rates[rate.station.pk]
        hourly = HourlyRate.objects.filter(station=rate.station, since=day).first()
        hourly = hourly or HourlyRate(station=rate.station, since=day)
        hourly.rate_per_hour = rate.rate_per_hour
        save_checked(hourly, CostRefused)
        changed.append(hourly)
    note(before=before)
    return changed


def _check_bought(part: Part, cost: Decimal) -> None:
    if part.level and cost:
        raise CostRefused(f"{part.number} is built here, so it is not bought for {cost}.")


AMENDABLE: Mapping[str, str] = {
    "site": "name",
    "station": "name area scan_mode work_seconds yield_limit repairs",
    "part": "name shelf_life moisture_level time_on_label",
    "qualification": "name",
    "faultcode": "name retired",
    "causecode": "name retired",
    "equipment": "name calibrate_every caution",
    "checkpiece": "name",
    "supplier": "name",
    "customer": "name",
}
"""What of each kind of record may be corrected by itself. What belongs to a part is set whole, while it is a draft."""

WHILE_UNUSED: Mapping[str, str] = {
    "equipment": "kind",
    "program": "kind name revision",
    "station": "counts_cycles rate_per_hour",
    "part": "kind level serialised unit_of_measure standard_cost replace_minutes",
}
"""What may be corrected besides, as long as nothing refers to the record."""


class AmendmentRefused(Refusal):
    """A record can't be corrected so."""

    code = "amendment-refused"
    action = "Correct what is named."


def is_used(record: Model) -> bool:
    """Whether any other record refers to it."""
    relations: Iterable[Any] = record._meta.get_fields(include_hidden=True)
    return any(
        relation.related_model._base_manager.filter(**{relation.field.name: record}).exists()
        for relation in relations
        if relation.auto_created and not relation.concrete and (relation.one_to_many or relation.one_to_one)
    )


@changing
def amend_record(*, record: Model, changes: Mapping[str, str], by: Person, at: datetime) -> Model:
    """Correct fields of a record of engineering data; what they were stays in the ledger.

    Refuses with AmendmentRefused a field that `AMENDABLE` does not name, a change that changes nothing, and what the
    record does not accept. An empty text takes away what may be missing.
    """
    kind = record._meta.model_name or ""
    record = type(record)._default_manager.get(pk=record.pk)
    can = AMENDABLE.get(kind, "").split()
    if set(changes) - {*can} and not is_used(record):
        can += WHILE_UNUSED.get(kind, "").split()
    if wrong := sorted(set(changes) - {*can}):
        raise AmendmentRefused(
            f"Of {record} can be corrected: {', '.join(can) or 'nothing'}; not {', '.join(wrong)}.",
            action="Define another in its place." if WHILE_UNUSED.get(kind) else "Leave that as it is.",
        )
    before = {name: getattr(record, name) for name in changes}
    for name, value in changes.items():
        setattr(record, name, None if value == "" and record._meta.get_field(name).null else value)
    save_checked(record, AmendmentRefused)
    if before == {name: getattr(record, name) for name in changes}:
        raise AmendmentRefused("It says so already.", action="Nothing needs doing.")
    note(before=before)
    record.refresh_from_db()  # what the database works out of it, too
    return record
