"""How people get in at stations: badges with their PINs, and the devices at which they are shown."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from django.contrib.auth.hashers import make_password

from trace.core.errors import Refusal
from trace.core.keys import clean_key, clean_text
from trace.core.models import Badge, Device, Person
from trace.core.secrecy import Secret, badge_digest, clean_scan
from trace.engineering.models import Station
from trace.engineering.operations.common import changing, keys_of, save_checked
from trace.engineering.rules import explain_weak_pin
from trace.ledger.operation import note


class BadgeRefused(Refusal):
    """A badge or its PIN can't be used so."""

    code = "badge-refused"
    action = "Give another, and try again."


class DeviceRefused(Refusal):
    """A device can't be made, bound or ended so."""

    code = "device-refused"
    action = "Correct what is named, and try again."


@changing
def issue_badge(*, person: Person, code: Secret, pin: Secret, by: Person, at: datetime) -> Badge:
    """The badge with this code is the person's; with the PIN it opens devices to them. A badge they had ends.

    Neither code nor PIN is kept, nor told to any record. Refuses with BadgeRefused a machine, who left, a code that is
    empty or on another's badge, and a PIN that is no number of 4 to 12 digits or easily guessed.
    """
    if person.is_machine or person.retired:
        raise BadgeRefused(f"{person} {'is a machine' if person.is_machine else 'is no longer here'}.", action="")
    if not clean_scan(code.value):
        raise BadgeRefused("The badge’s code is empty.", action="Scan the badge.")
    why = explain_weak_pin(pin.value)
    if not why and pin.value in code.value:
        why = "The PIN can be read on the badge."
    if why:
        raise BadgeRefused(why, action="Choose another PIN, and tell it to nobody.")
    Badge.objects.filter(person=person, ended=None).update(ended=at)
    digest = badge_digest(code.value)
    if taken := Badge.objects.select_related("person").filter(digest=digest, ended=None).first():
        raise BadgeRefused(f"That badge is {taken.person}’s.", action="Give another badge, or end theirs first.")
    badge = Badge(person=person, digest=digest, pin=make_password(pin.value), issued=at)
    save_checked(badge, BadgeRefused)
    return badge


@changing
def end_badge(*, person: Person, by: Person, at: datetime) -> Badge:
    """The person's badge opens nothing any more, from the next page on. Refuses with BadgeRefused who has none."""
    badge = Badge.objects.filter(person=person, ended=None).first()
    if badge is None:
        raise BadgeRefused(f"{person} has no badge in use.", action="")
    badge.ended = at
    badge.save(update_fields=["ended"])
    return badge


@changing
def issue_device(*, key: str, name: str, stations: Sequence[Station], digest: str, by: Person, at: datetime) -> Device:
    """A screen at these stations, and the secret that binds its browser: `digest` is the SHA-256 of it, in
    hexadecimal. A device of that key gets these stations and a new secret; browsers bound by the old are bound no more.

    Refuses with DeviceRefused one without a name or a station, a station that is retired, and a digest that is none;
    with BadKey, BadText.
    """
    device = Device.objects.filter(key=clean_key(key)).first() or Device(key=clean_key(key))
    note(before=device.stations)
    device.name, device.stations = clean_text(name, 120, "The device’s name"), keys_of(stations, DeviceRefused)
    if not stations:
        raise DeviceRefused("A device is for one station at least.", action="Name those at which it stands.")
    device.digest, device.issued, device.bound, device.ended = digest, at, None, None
    save_checked(device, DeviceRefused)
    return device


@changing
def bind_device(*, device: Device, by: Person, at: datetime) -> Device:
    """A browser is the device from now on: it was shown the secret. Refuses with DeviceRefused one that ended."""
    device = _standing(device)
    device.bound = at
    device.save(update_fields=["bound"])
    return device


@changing
def end_device(*, device: Device, by: Person, at: datetime) -> Device:
    """No browser is the device any more; whoever is signed in there is out. Refuses with DeviceRefused what ended."""
    device = _standing(device)
    device.ended = at
    device.save(update_fields=["ended"])
    return device


def _standing(device: Device) -> Device:
    device = Device.objects.select_for_update().get(pk=device.pk)
    if device.ended:
        raise DeviceRefused(f"{device} ended at {device.ended:%Y-%m-%d %H:%M} UTC.", action="Issue it anew.")
    return device
