"""Tables that sort, filter and page on the server and download as files.

A table is declared with its columns and rows (a list, or a queryset that is read by the page); it
is then bound to the query of a request, in which its own parameters begin with its name:
`units-sort=-serial`, `units-page=2`, `units-find=text`, `units-sureness=possible`. The others are
kept, so that tables on one page don't disturb each other. `?csv=units` downloads every row that
the filters let through, `?xlsx=units` does so as a spreadsheet.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property
from itertools import chain
from typing import Any

from django.core.paginator import Page, Paginator
from django.db.models import Count, Q, QuerySet
from django.http import FileResponse, HttpRequest, HttpResponse, QueryDict, StreamingHttpResponse
from django.shortcuts import render

from trace.exchange.spreadsheet import inert
from trace.exchange.workbook import MEDIA_TYPE, Cell, write_workbook
from trace.web.cells import Link, Money, sort_key, text_of
from trace.web.moments import Asof

PAGE_SIZE = 25
CHOICES_SHOWN = 200
FEW_ROWS = 12


@dataclass(frozen=True)
class Column:
    """One column. `value` gives a row's cell; `field` is what a queryset sorts and chooses by.

    A `choose` column offers its values as a filter. A `hidden` one is a filter (and in the CSV) only.
    """

    name: str
    label: str
    value: Callable[[Any], Any]
    field: str = ""
    choose: bool = False
    hidden: bool = False
    number: bool = False


@dataclass(frozen=True)
class Table:
    """A table as declared. `preset` are choices that hold until others are made, `search` the
    fields in which a queryset is searched (a list is searched in every cell), `empty` what to say
    or do first when there are no rows at all, `sort` the order at first (a list keeps its own)."""

    name: str
    title: str
    columns: Sequence[Column]
    rows: Sequence[Any] | QuerySet
    empty: str
    search: Sequence[str] = ()
    preset: Mapping[str, str] = field(default_factory=dict)
    sort: str = ""
    note: str = ""

    def bind(self, query: QueryDict, path: str, asof: str) -> Shown:
        """The table as a request asks for it."""
        return Shown(self, query, path, asof)


@dataclass(frozen=True)
class Head:
    """A column's head: where its link leads, and how the rows are sorted by it now."""

    column: Column
    href: str
    sorted: str


@dataclass(frozen=True)
class Choice:
    """One value that a filter offers."""

    value: str
    label: str
    selected: bool


class Shown:
    """A table bound to a request: rows filtered, in order, one page of them."""

    def __init__(self, table: Table, query: QueryDict, path: str, asof: str) -> None:
        self.table, self.query, self.path, self.asof = table, query, path, asof
        self.columns = [column for column in table.columns if not column.hidden]
        self.find = self.wish("find").strip()[:100]
        self.chosen = {
            column.name: self.wish(column.name, table.preset.get(column.name, ""))
            for column in table.columns
            if column.choose
        }
        self.sort = self.wish("sort", table.sort)

    @property
    def id(self) -> str:
        """The element that holds the table."""
        return f"table-{self.table.name}"

    def wish(self, name: str, default: str = "") -> str:
        """This table's own parameter."""
        return self.query.get(f"{self.table.name}-{name}", default)

    def link(self, **changes: str) -> str:
        """The address of this page with some of the table's parameters changed."""
        query = self.query.copy()
        for name in FILES:
            query.pop(name, None)
        for name, value in changes.items():
            query[f"{self.table.name}-{name}"] = value
        if "page" not in changes:
            query.pop(f"{self.table.name}-page", None)
        return f"{self.path}?{query.urlencode()}"

    @property
    def kept(self) -> list[tuple[str, str]]:
        """Parameters of the rest of the page, and the order: the filter form sends them along."""
        own = {f"{self.table.name}-{name}" for name in [*self.chosen, "find", "page"]} | set(FILES)
        return [(name, value) for name, values in self.query.lists() if name not in own for value in values]

    def files(self) -> Iterator[tuple[str, str]]:
        """What every row can be downloaded as: its name, and the address."""
        for name in FILES:
            query = self.query.copy()
            query.pop(f"{self.table.name}-page", None)
            query[name] = self.table.name
            yield name.upper(), f"{self.path}?{query.urlencode()}"

    @property
    def clear_link(self) -> str:
        """This page with every row of the table."""
        wanted = {"find": "", **dict.fromkeys(self.chosen, "")}
        return self.link(**wanted)

    @property
    def filtered(self) -> bool:
        """Whether a filter hides rows."""
        return bool(self.find or any(self.chosen.values()))

    @property
    def filterable(self) -> bool:
        """Whether there are enough rows to offer filters, or a filter that may be taken off."""
        if isinstance(self.table.rows, QuerySet) and not (self.table.search or self.chosen):
            return False  # nothing to filter by
        return self.total > FEW_ROWS or self.filtered

    @cached_property
    def total(self) -> int:
        """Rows without any filter."""
        rows = self.table.rows
        return rows.count() if isinstance(rows, QuerySet) else len(rows)

    def heads(self) -> Iterator[Head]:
        """The columns' heads with their sort links."""
        for column in self.columns:
            down = self.sort == column.name
            state = "ascending" if down else "descending" if self.sort == f"-{column.name}" else ""
            sortable = column.field or not isinstance(self.table.rows, QuerySet)
            href = self.link(sort=f"-{column.name}" if down else column.name) if sortable else ""
            yield Head(column, href, state)

    def choices(self) -> Iterator[tuple[Column, list[Choice]]]:
        """The filters that choose a value, each with the values there are and their numbers."""
        for column in self.table.columns:
            if not column.choose:
                continue
            chosen = self.chosen[column.name]
            counted = self._count(column)
            if chosen and chosen not in counted:
                counted[chosen] = 0
            offered = sorted(counted.items(), key=lambda item: sort_key(item[0]))[:CHOICES_SHOWN]
            if len(offered) > 1 or chosen:
                every = Choice("", "all", not chosen)
                found = [Choice(value, f"{value or '–'} ({number})", value == chosen) for value, number in offered]
                yield column, [every, *(choice for choice in found if choice.value)]

    def _count(self, column: Column) -> dict[str, int]:
        """How many rows each value of a column would leave, the other filters as they are."""
        rows = self._filtered(leave_out=column)
        if isinstance(rows, QuerySet):
            counted = rows.order_by().values(column.field).annotate(number=Count("pk"))
            return {text_of(row[column.field]): row["number"] for row in counted}
        return dict(Counter(text_of(column.value(row)) for row in rows))

    @cached_property
    def rows(self) -> Sequence[Any] | QuerySet:
        """Every row that the filters let through, in order."""
        rows = self._filtered()
        named = {column.name: column for column in self.columns}
        by, down = named.get(self.sort.removeprefix("-")), self.sort.startswith("-")
        if isinstance(rows, QuerySet):
            sign = "-" * down
            return rows.order_by(f"{sign}{by.field}", f"{sign}pk") if by and by.field else rows
        value = by and by.value
        return sorted(rows, key=lambda row: sort_key(value(row)), reverse=down) if value else rows

    def _filtered(self, leave_out: Column | None = None) -> Sequence[Any] | QuerySet:
        """The rows that the filters let through, all of them or all but one column's."""
        rows = self.table.rows
        wanted = [
            (column, chosen)
            for column in self.table.columns
            if column is not leave_out and (chosen := self.chosen.get(column.name))
        ]
        return self._query(rows, wanted) if isinstance(rows, QuerySet) else self._pick(rows, wanted)

    def _query(self, rows: QuerySet, chosen: Sequence[tuple[Column, str]]) -> QuerySet:
        rows = rows.filter(**{column.field: value for column, value in chosen})
        if self.find:
            wanted = Q()
            for name in self.table.search:
                wanted |= Q(**{f"{name}__icontains": self.find})
            rows = rows.filter(wanted)
        return rows

    def _pick(self, rows: Sequence[Any], chosen: Sequence[tuple[Column, str]]) -> Sequence[Any]:
        for column, value in chosen:
            rows = [row for row in rows if text_of(column.value(row)) == value]
        if self.find:
            wanted = self.find.casefold()
            rows = [
                row
                for row in rows
                if any(wanted in text_of(column.value(row)).casefold() for column in self.table.columns)
            ]
        return rows

    @cached_property
    def page(self) -> Page:
        """The page asked for, or the nearest there is."""
        pages = Paginator(self.rows, PAGE_SIZE)
        if not self.filtered:
            pages.count = self.total  # counted once: of a long table that takes longer than its rows
        return pages.get_page(self.wish("page", "1"))

    @property
    def previous_link(self) -> str:
        return self.link(page=str(self.page.previous_page_number())) if self.page.has_previous() else ""

    @property
    def next_link(self) -> str:
        return self.link(page=str(self.page.next_page_number())) if self.page.has_next() else ""

    def cells(self) -> Iterator[list[tuple[Column, Any]]]:
        """The rows of this page, cell by cell."""
        for row in self.page.object_list:
            yield [(column, column.value(row)) for column in self.columns]

    def labels(self) -> list[str]:
        """The heads of every column, hidden ones too."""
        return [column.label for column in self.table.columns]

    def lines(self) -> Iterator[list[Any]]:
        """Every row that the filters let through, value by value."""
        rows = self.rows
        for row in rows.iterator(2000) if isinstance(rows, QuerySet) else rows:
            yield [column.value(row) for column in self.table.columns]


class _Echo:
    def write(self, line: str) -> str:
        return line


def _as_csv(shown: Shown) -> StreamingHttpResponse:
    writer = csv.writer(_Echo())
    head = "\ufeff" + writer.writerow(shown.labels())  # Excel reads UTF-8 only behind a byte order mark
    lines = (writer.writerow([inert(text_of(value)) for value in values]) for values in shown.lines())
    return StreamingHttpResponse(chain([head], lines), content_type="text/csv; charset=utf-8")


def _as_xlsx(shown: Shown) -> FileResponse:
    rows = ([_number_or_text(value) for value in values] for values in shown.lines())
    return FileResponse(write_workbook([(shown.table.title, shown.labels(), rows)]), content_type=MEDIA_TYPE)


def _number_or_text(value: Any) -> Cell:
    linked = value.value if isinstance(value, Link) else value
    plain = linked.amount if isinstance(linked, Money) else linked
    return plain if isinstance(plain, int | Decimal) and not isinstance(plain, bool) else text_of(value)


FILES: Mapping[str, Callable[[Shown], StreamingHttpResponse]] = {"csv": _as_csv, "xlsx": _as_xlsx}
"""What a table can be downloaded as."""


def respond(
    request: HttpRequest,
    template: str,
    context: dict[str, Any],
    tables: Iterable[Table],
    *,
    name: str,
) -> HttpResponse | StreamingHttpResponse:
    """The page with its tables; one table alone when htmx asks for it; one as a file with `?csv=` or `?xlsx=`.

    `name` begins the file's name, and the context's `asof` ends it and goes into every link.
    """
    asof = context.get("asof") or Asof()
    shown = {table.name: table.bind(request.GET, request.path, asof.query) for table in tables}
    for kind, download in FILES.items():
        if wanted := shown.get(request.GET.get(kind, "")):
            response = download(wanted)
            file = f"{name}-{wanted.table.name}{asof.mark}.{kind}"
            response.headers["Content-Disposition"] = f'attachment; filename="{file}"'
            return response
    htmx = getattr(request, "htmx", None)
    if htmx and (asked := shown.get((htmx.target or "").removeprefix("table-"))):
        return render(request, "pieces/table.html", {**context, "shown": asked})
    return render(request, template, {**context, "tables": shown})
