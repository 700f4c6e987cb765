"""The cost of quality of a period: prevention, appraisal, internal and external failure. Reads only."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal

from django.db.models import Count, Exists, OuterRef, QuerySet, Sum

from trace.containment.rates import Rates
from trace.core.clock import to_ticks
from trace.core.errors import Kind, Refusal
from trace.costing.grouped import get_currency
from trace.costing.queries import day_of
from trace.costing.rules import ZERO, CostGroup, CostLine, CostPlace, Outlay
from trace.costing.spent import Spent, find_tests, list_scrapped_stock, list_tested, price_tests, say_samples
from trace.engineering.equipment import Calibration, PieceCheck
from trace.engineering.models import Designator, QualityHeading, QualityOutlay, Step
from trace.engineering.queries import get_calendar
from trace.floor.models import Return
from trace.genealogy.rules import Sureness
from trace.material.models import Inspection
from trace.quality.periods import CHOICES as PERIODS
from trace.quality.periods import Period, read_asked

LOOKED_AT = timedelta(days=29)
"""Without a period: so many days up to today, and today."""

CHOICES: Mapping[str, str] = {**PERIODS, "": "the thirty days up to today"}

USUAL: Mapping[QualityHeading, Sequence[str]] = {
    QualityHeading.PREVENTION: (
        "quality planning",
        "training",
        "preventive maintenance",
        "design review",
        "qualifying suppliers",
    ),
    QualityHeading.APPRAISAL: (
        "inspection",
        "testing new materials",
        "product testing",
        "calibration",
        "quality audits",
        "sample tests",
    ),
    QualityHeading.INTERNAL: ("scrap", "rework", "abnormal spoilage", "retest", "material review", "downtime"),
    QualityHeading.EXTERNAL: (
        "returns",
        "warranty repair",
        "warranty claims",
        "liability",
        "field service",
        "complaints",
        "recall",
    ),
}
"""What usually stands under each heading (common practice): failure is internal where it was found before delivery."""


def find_heading(words: str) -> QualityHeading | None:
    """The heading under which something usually stands."""
    return next((heading for heading, usual in USUAL.items() if words.strip().lower() in usual), None)


@dataclass(frozen=True)
class QualityLine:
    """Money under a heading: of a `line` that follows from the records, or of what was `entered`."""

    heading: QualityHeading
    words: str
    amount: Decimal
    line: CostLine | None = None
    entered: QualityOutlay | None = None


@dataclass(frozen=True)
class QualityCost:
    """The cost of quality as its lines; `sales` of the same time, if they are known; `unpriced` what no line is about
    because no record says what it costs, in sentences."""

    currency: str
    lines: Sequence[QualityLine]
    sales: Decimal | None = None
    unpriced: Sequence[str] = ()

    @property
    def total(self) -> Decimal:
        return sum((line.amount for line in self.lines), ZERO)

    @property
    def by_heading(self) -> dict[QualityHeading, Decimal]:
        """The total divided by heading."""
        return {
            heading: sum((line.amount for line in self.lines if line.heading == heading), ZERO)
            for heading in QualityHeading
        }

    def find_percent(self, amount: Decimal) -> Decimal | None:
        """An amount in percent of the sales, to two places; None where these are not known."""
        return _percent(amount, self.sales) if self.sales else None

    def find_share(self, amount: Decimal) -> Decimal | None:
        """An amount in percent of the whole cost of quality, to two places; None where there is none."""
        return _percent(amount, self.total) if self.total else None


def _percent(amount: Decimal, whole: Decimal) -> Decimal:
    return (100 * amount / whole).quantize(Decimal("0.01"), ROUND_HALF_UP)


class BadSales(Refusal):
    """The sales of a period can't be so."""

    code = "bad-sales"
    kind = Kind.UNREADABLE
    action = "Give an amount above 0, such as 8100000, or leave it empty."


def read_sales(text: str) -> Decimal | None:
    """Sales as somebody typed them; None where nothing is said. Refuses with BadSales."""
    if not text.strip():
        return None
    try:
        sales = Decimal(text.strip())
    except ArithmeticError:
        raise BadSales(f"“{text[:30]}” is no amount.") from None
    if not sales.is_finite() or not 0 < sales < Decimal(10) ** 15:
        raise BadSales(f"Sales can’t be {text[:30]}.")
    return sales


@dataclass(frozen=True)
class QualityReport:
    """The cost of quality of a period, as asked."""

    period: Period
    cost: QualityCost


def ask_quality_cost(now: datetime, asked: Mapping[str, str]) -> QualityReport:
    """The cost of quality as asked: a `period` with `from` and `to` as lines have them, and the `sales` of it. Refuses
    with BadPeriod, BadSales. No Site: its DoesNotExist."""
    period = read_asked(asked, None, LOOKED_AT, get_calendar(), now)
    return QualityReport(period, summarise_quality_cost(period, read_sales(asked.get("sales", ""))))


def summarise_quality_cost(period: Period, sales: Decimal | None = None) -> QualityCost:
    """What quality cost in a period, at the costs and rates of its last day.

    Appraisal: the minutes of every step at which something is measured or judged and nothing is put in, the first time
    that a unit was there. Internal failure: repairs with their parts, tests done again, units scrapped at the cost
    accumulated to where they stood, parts scrapped. External failure: the same of what had come back from a customer.
    What was entered for a day of the period stands beside it, under its heading.
    """
    since, until = to_ticks(period.since), to_ticks(period.until)
    spent = Spent(None, since, until)
    failures = [
        *spent.list_repairs(),
        *spent.list_retests(),
        *spent.list_scrapped(),
        *list_scrapped_stock(since, until),
        *spent.list_returns(Rates()),
    ]
    lines = [QualityLine(QualityHeading.APPRAISAL, str(one), one.amount, one) for one in _list_tests(since, until)]
    lines += [QualityLine(QualityHeading(one.group.place.failure), str(one), one.amount, one) for one in failures]
    lines += [
        QualityLine(QualityHeading(one.heading), one.words, one.amount, entered=one)
        for one in list_outlays(period.first, period.last)
    ]
    headings = list(QualityHeading)
    lines.sort(key=lambda line: headings.index(line.heading))
    return QualityCost(get_currency(), lines, sales, list(_list_unpriced(period, since, until)))


def list_outlays(first: date, last: date) -> QuerySet[QualityOutlay]:
    """What was entered for these days."""
    return QualityOutlay.objects.filter(superseded=None, day__gte=first, day__lte=last).select_related("by")


def _list_tests(since: int, until: int) -> Iterator[CostLine]:
    """The first tests of units, at steps that do nothing else."""
    puts_in = Designator.objects.filter(parent=OuterRef("part"), step_number=OuterRef("number"))
    building = set(Step.objects.filter(Exists(puts_in)).values_list("pk", flat=True))
    steps = {pk: step for pk, step in find_tests().items() if pk not in building}
    rows = list_tested(steps, since, until, again=False).order_by().values("step", "station").annotate(n=Count("pk"))
    group = CostGroup(Sureness.CERTAIN, CostPlace.IN_PLANT)
    tests = {(group, row["step"], row["station"]): row["n"] for row in rows}
    yield from price_tests(Outlay.TEST, tests, steps, day_of(until - 1))


def _list_unpriced(period: Period, since: int, until: int) -> Iterator[str]:
    """What was done and costs something that no record tells of."""
    inspections = Inspection.objects.filter(at__gte=since, at__lt=until).aggregate(n=Count("pk"), of=Sum("inspected"))
    if n := inspections["n"]:
        pieces = _many(inspections["of"], "piece")
        yield f"{_many(n, 'incoming inspection')} of {pieces}: what they took is not on record."
    between = {"at__gte": period.since, "at__lt": period.until}
    for count, thing in (
        (Calibration.objects.filter(**between).count(), "calibration"),
        (PieceCheck.objects.filter(**between).count(), "check run"),
    ):
        if count:
            yield f"{_many(count, thing)}: what they took is not on record."
    yield from say_samples(None, since, until)
    if n := Return.objects.filter(superseded=None, received__gte=since, received__lt=until).count():
        yield f"{_many(n, 'return')} received: freight, handling and what was sent instead are not on record."


def _many(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"
