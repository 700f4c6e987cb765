"""Whether equipment was fit for its work at a moment, by what is on record of the time before."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db.models import Exists, F, OuterRef, Q, Subquery

from trace.engineering.calendar import working_day_at
from trace.engineering.equipment import Calibration, CheckPiece, Equipment, PieceCheck, Program, ProgramLoad
from trace.engineering.queries import get_calendar

DAY = timedelta(days=1)
FEW_DAYS = 200
"""So many can be asked for one by one."""


@dataclass(frozen=True)
class Fitness:
    """Of one piece of equipment at a moment: what is wrong with its calibration (nothing: none is), the check pieces
    that were not run right in this shift, the program on it, the day up to which its calibration holds."""

    calibration: str = ""
    owed: tuple[str, ...] = ()
    program: Program | None = None
    due: date | None = None

    @property
    def fit(self) -> bool:
        """Whether it may be used, whatever the program."""
        return not self.calibration and not self.owed


@dataclass(frozen=True)
class StateThen:
    """The state of equipment at a moment in which it was used: its last calibration, the last check of each of its
    pieces in the day before."""

    calibration: Calibration | None = None
    checks: tuple[PieceCheck, ...] = ()


@dataclass(frozen=True)
class WrongCall:
    """A check in which equipment called a piece wrongly, and has not told it right since. `right_before`: when it last
    did; what it judged since then is in doubt (None: whatever it ever judged)."""

    check: PieceCheck
    right_before: datetime | None


def judge_calibration(needed: bool, last: tuple[bool, date | None] | None, day: date) -> str:
    """What is wrong with a calibration on a day: `last` is whether it passed, and its last good day. What was never
    calibrated is wrong where it is needed; a failed calibration is wrong wherever there was one."""
    if last is None:
        return "was never calibrated" if needed else ""
    passed, due = last
    if not passed:
        return "failed its last calibration"
    return f"was due for calibration after {due}" if due and due < day else ""


def judge_fitness(equipment: Sequence[Equipment], at: datetime) -> dict[int, Fitness]:
    """Per piece of equipment (by id), how fit it was at a moment. The number of queries does not grow with that of the
    pieces.

    Of a check piece its last check in the shift counts. Outside of all shifts the plant's day is the shift.
    """
    ids = [one.pk for one in equipment]
    if not ids:
        return {}
    calibrated: dict[int, tuple[bool, date | None]] = {}
    found = Calibration.objects.filter(equipment__in=ids, at__lte=at).order_by("at", "id")
    for pk, passed, due in found.values_list("equipment", "passed", "due"):
        calibrated[pk] = passed, due
    loaded = {
        load.equipment_id: load.program
        for load in ProgramLoad.objects.filter(equipment__in=ids, since__lte=at)
        .select_related("program")
        .order_by("since", "id")
    }
    calendar = get_calendar()
    shift, day = working_day_at(calendar, at), at.astimezone(calendar.zone).date()
    pieces = CheckPiece.objects.filter(
        Q(retired=None) | Q(retired__gt=at), Q(equipment__in=ids) | Q(kind__in={one.kind for one in equipment})
    )
    ran: dict[tuple[int, int], bool] = defaultdict(bool)
    checks = PieceCheck.objects.filter(equipment__in=ids, at__gte=shift.begins, at__lte=at)
    for check in checks.select_related("piece").order_by("at", "id"):
        ran[check.equipment_id, check.piece_id] = check.right
    return {
        one.pk: Fitness(
            judge_calibration(one.calibrate_every is not None, calibrated.get(one.pk), day),
            tuple(
                piece.key for piece in pieces if one.pk == piece.equipment_id or one.kind == piece.kind
                if not ran[one.pk, piece.pk]
            ),
            loaded.get(one.pk),
            calibrated.get(one.pk, (False, None))[1],
        )
        for one in equipment
    }  # fmt: skip


def list_states_then(used: Collection[tuple[int, datetime]]) -> dict[tuple[int, datetime], StateThen]:
    """Per piece of equipment (by id) and moment, its state then. Two queries, whatever their number."""
    if not used:
        return {}
    calibrations: dict[int, list[Calibration]] = defaultdict(list)
    for one in Calibration.objects.filter(equipment__in={pk for pk, _ in used}).order_by("at", "id"):
        calibrations[one.equipment_id].append(one)
    days = {(pk, moment.replace(hour=0, minute=0, second=0, microsecond=0)) for pk, moment in used}
    near = Q(equipment__in={pk for pk, _ in used}, at__gte=min(moment for _, moment in used) - DAY)
    if len(days) <= FEW_DAYS:
        near = Q()
        for pk, day in days:
            near |= Q(equipment=pk, at__gte=day - DAY, at__lte=day + DAY)
    checks: dict[int, list[PieceCheck]] = defaultdict(list)
    for check in PieceCheck.objects.filter(near).select_related("piece").order_by("at", "id"):
        checks[check.equipment_id].append(check)
    return {
        (pk, moment): StateThen(
            next((one for one in reversed(calibrations[pk]) if one.at <= moment), None),
            tuple({one.piece_id: one for one in checks[pk] if moment - DAY <= one.at <= moment}.values()),
        )
        for pk, moment in used
    }


def list_wrong_calls(equipment: Sequence[Equipment], at: datetime) -> dict[int, list[WrongCall]]:
    """Per piece of equipment (by id), the check pieces that it called wrongly when they were last run on it up to a
    moment, in whatever shift. A piece that is retired no longer counts. One query."""
    own = PieceCheck.objects.filter(equipment=OuterRef("equipment"), piece=OuterRef("piece"), at__lte=at)
    later = own.filter(Q(at__gt=OuterRef("at")) | Q(at=OuterRef("at"), pk__gt=OuterRef("pk")))
    right = own.filter(said_good=F("piece__good"), at__lte=OuterRef("at")).order_by("-at").values("at")
    wrong = (
        PieceCheck.objects.filter(Q(piece__retired=None) | Q(piece__retired__gt=at), ~Exists(later))
        .filter(equipment__in=[one.pk for one in equipment], at__lte=at)
        .exclude(said_good=F("piece__good"))
        .annotate(right_before=Subquery(right[:1]))
        .select_related("piece", "by")
        .order_by("piece__key")
    )
    calls: dict[int, list[WrongCall]] = {one.pk: [] for one in equipment}
    for check in wrong:
        calls[check.equipment_id].append(WrongCall(check, check.right_before))
    return calls


def find_last_good(equipment: Equipment, before: datetime) -> datetime | None:
    """Since when what equipment did is in doubt, as of a moment: when that was last found good which by then is not. Of
    a failed calibration the one passed before it, of a check piece called wrongly when it was last called right; of
    several the earliest. Where nothing is wrong, when it was last found good in any way. None: it never was."""
    wrong = [call.right_before for call in list_wrong_calls([equipment], before)[equipment.pk]]
    calibrations = Calibration.objects.filter(equipment=equipment, at__lte=before)
    passed = calibrations.filter(passed=True).first()
    last = calibrations.first()
    if last and not last.passed:
        wrong.append(passed.at if passed else None)
    if wrong:
        return None if None in wrong else min(moment for moment in wrong if moment)
    checks = PieceCheck.objects.filter(equipment=equipment, at__lte=before, said_good=F("piece__good"))
    return max([one.at for one in (passed, checks.first()) if one], default=None)
