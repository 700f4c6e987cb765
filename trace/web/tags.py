"""Template tags of the pages. Built in by the settings: no template loads them."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

from django import template
from django.http import HttpRequest
from django.template import Context
from django.utils import timezone
from django.utils.html import conditional_escape, format_html
from django.utils.safestring import SafeString, mark_safe

from trace.core.clock import OPEN, to_ticks
from trace.core.permissions import OPERATIONS, PAGES, may, roles_of
from trace.genealogy.whereabouts import Whereabouts
from trace.web.answer import where_cell
from trace.web.cells import Moment, Money, Ref, kind_words, mark, show
from trace.web.readings import result_of
from trace.web.sheets.base import lasting

register = template.Library()


def _asof(context: Context) -> str:
    return getattr(context.get("asof"), "query", "")


@register.filter
def item(values: Any, name: str) -> Any:
    """What stands under a name; nothing where there is none."""
    return values.get(name, "")


@register.filter
def items(values: Any, name: str) -> list[Any]:
    """All that a form told under a name."""
    return list(values.getlist(name))


@register.filter
def may_open(request: HttpRequest, page: str) -> bool:
    """Whether a page opens for who asks."""
    return may(roles_of(request.user), PAGES[page])


@register.filter
def may_do(request: HttpRequest, verb: str) -> bool:
    """Whether an operation is open to who asks."""
    return may(roles_of(request.user), OPERATIONS[verb])


@register.filter
def over(ticks: int) -> bool:
    """Whether what ends then has ended."""
    return ticks < OPEN


@register.simple_tag(takes_context=True)
def cell(context: Context, value: Any) -> SafeString:
    """A value as it stands in a table, its links keeping the page's as-of moment."""
    return show(value, _asof(context))


@register.simple_tag(takes_context=True)
def ref(context: Context, kind: str, key: str, words: str = "") -> SafeString:
    """A link to a thing's page; nothing where there is no key."""
    return Ref(kind, key, words).show(_asof(context)) if key else mark_safe("")


@register.simple_tag(takes_context=True)
def place(context: Context, where: Whereabouts) -> SafeString:
    """Where a unit is, with links."""
    return where_cell(where).show(_asof(context))


@register.simple_tag
def when(moment: datetime | int | None) -> SafeString:
    """A moment in the plant's zone, UTC on hover; from a datetime or from microseconds."""
    ticks = to_ticks(moment) if isinstance(moment, datetime) else moment
    return Moment(ticks).show("")


@register.simple_tag
def clock(moment: datetime) -> SafeString:
    """The time of day in the plant's zone, to the second, UTC on hover."""
    utc = f"{moment.astimezone(UTC):%Y-%m-%d %H:%M:%S}"
    local = f"{timezone.localtime(moment):%H:%M:%S}"
    return format_html('<time datetime="{}Z" title="{} UTC">{}</time>', utc, utc, local)


@register.filter
def local_input(moment: datetime | None) -> str:
    """A moment as a date and time field of a form takes it."""
    return f"{timezone.localtime(moment):%Y-%m-%dT%H:%M}" if moment else ""


@register.filter(name="mark")
def marked(word: str) -> SafeString:
    """A word with its shape."""
    return mark(word)


register.filter("result_of", result_of)
register.filter("lasting", lasting)


@register.filter
def kind(name: str) -> str:
    """The kind of a thing as people say it."""
    return kind_words(name)


@register.filter
def money(amount: Decimal, currency: str) -> str:
    """An amount to the minor unit of its currency, its code behind it."""
    return f"{show(Money(amount, currency))}\u00a0{currency}"


UTC_MOMENT = re.compile(r"(\d{4}-\d\d-\d\d \d\d:\d\d) UTC")


@register.filter
def plant_times(text: str) -> SafeString:
    """A sentence whose moments in UTC are shown in the plant's zone, UTC on hover."""

    def change(match: re.Match[str]) -> str:
        moment = datetime.strptime(match[1], "%Y-%m-%d %H:%M").replace(tzinfo=UTC)
        return show(Moment(to_ticks(moment)))

    return mark_safe(UTC_MOMENT.sub(change, conditional_escape(text)))


ANSWERS = (
    (re.compile(r"(?<=is in )\d+ units?(?=:)"), "units"),
    (re.compile(r"\d+ certain"), "certain"),
    (re.compile(r"\d+ possible"), "possible"),
    (re.compile(r"\d+(?= (?:has|have) shipped)"), "shipped"),
    (re.compile(r"(?<=to )\d+ customers?"), "customers"),
    (re.compile(r"\d+(?= carried it)"), "cleared"),
)


@register.simple_tag
def answer(sentence: str, links: dict[str, str]) -> SafeString:
    """The answer's sentence, each of its numbers a link to the rows behind it; nought is none."""
    text = str(conditional_escape(sentence))
    for pattern, name in ANSWERS:
        match = pattern.search(text)
        if name in links and match and not match[0].startswith("0"):
            link = format_html('<a href="{}">{}</a>', links[name], match[0])
            text = text[: match.start()] + link + text[match.end() :]
    return mark_safe(text)
