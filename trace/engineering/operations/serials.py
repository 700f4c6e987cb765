"""The serial rules of parts."""

from __future__ import annotations

from datetime import datetime

from trace.core.errors import Refusal
from trace.core.keys import KEY, KEY_LENGTH
from trace.core.models import Person
from trace.engineering.models import Part, SerialRule
from trace.engineering.operations.common import changing, save_checked
from trace.engineering.rules import make_serial, shorten


class SerialRuleRefused(Refusal):
    """Serials can't be issued so."""

    code = "serial-rule-refused"
    action = "Write the prefix in capitals, digits and hyphens, with {YY} and {WW} for year and week; then the digits."


@changing
def set_serial_rule(
    *, number: str, prefix: str = "", digits: int, next_number: int = 1, by: Person, at: datetime
) -> SerialRule:
    """Serials of this part number, all its revisions, are `prefix` and a running number of so many `digits`, the next
    of which is `next_number`. In the prefix `{YY}` and `{WW}` stand for year and ISO week; the number goes on
    through them.

    Set again, it takes the place of the rule before; units keep their serials, and one that is taken is passed over.
    Refuses with SerialRuleRefused a number of no part that is tracked by serial, and what would make no key.
    """
    if not Part.objects.filter(number=number.strip(), serialised=True).exists():
        raise SerialRuleRefused(
            f"“{shorten(number)}” is the number of no part that is tracked by serial.", action="Define the part first."
        )
    rule = SerialRule.objects.filter(number=number.strip()).first() or SerialRule(number=number.strip())
    rule.prefix, rule.digits, rule.next_number = prefix.strip().upper(), digits, next_number
    sample = make_serial(rule.prefix, max(1, min(digits, KEY_LENGTH)), 1, at.date())
    if not KEY.fullmatch(sample) or len(sample) > KEY_LENGTH:
        raise SerialRuleRefused(f"A serial such as “{shorten(sample)}” can't be a key.")
    if next_number >= 10**digits:
        raise SerialRuleRefused(f"{next_number} has more than {digits} digits.")
    save_checked(rule, SerialRuleRefused)
    return rule
