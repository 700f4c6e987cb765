"""Equipment: defining it, calibrating it, checking it, loading its programs."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from trace.core.clock import now
from trace.core.errors import Refusal
from trace.core.keys import KEY_LENGTH, clean_text, free_key
from trace.core.models import Person
from trace.engineering.equipment import Calibration, CheckPiece, Equipment, PieceCheck, Program, ProgramLoad
from trace.engineering.models import Station
from trace.engineering.operations.common import changing, save_checked
from trace.engineering.queries import get_zone
from trace.ledger.operation import note, operation


class EquipmentRefused(Refusal):
    """Equipment, or what was done with it, can't be recorded so."""

    code = "equipment-refused"
    action = "Correct what is named, and record it again."


@changing
def define_equipment(
    *,
    key: str,
    name: str,
    kind: str,
    station: Station | None = None,
    calibrate_every: int | None = None,
    caution: str = "",
    by: Person,
    at: datetime,
) -> Equipment:
    """A piece of equipment, of the kind that steps ask for, and where it stands. `calibrate_every` is in days.

    Refuses with EquipmentRefused what the record does not accept, and a station that is retired; with BadKey, KeyInUse.
    """
    _want_open(station)
    equipment = Equipment(
        key=free_key(Equipment, key),
        name=name,
        kind=kind.strip(),
        station=station,
        calibrate_every=calibrate_every,
        caution=caution,
    )
    save_checked(equipment, EquipmentRefused)
    return equipment


@changing
def move_equipment(*, equipment: Equipment, station: Station | None, by: Person, at: datetime) -> Equipment:
    """It stands at another station, or at none. Refuses with EquipmentRefused what is retired."""
    equipment = _lock(equipment)
    _want_open(station)
    note(before=equipment.station)
    equipment.station = station
    equipment.save(update_fields=["station"])
    return equipment


@changing
def retire_equipment(*, equipment: Equipment, by: Person, at: datetime) -> Equipment:
    """It is used no more; its record stays. Refuses with EquipmentRefused what was retired before."""
    equipment = _lock(equipment)
    equipment.retired = at
    equipment.save(update_fields=["retired"])
    return equipment


@operation()
def record_calibration(
    *,
    equipment: Equipment,
    passed: bool,
    due: date | None = None,
    certificate: str = "",
    by: Person,
    at: datetime,
) -> Calibration:
    """Equipment was calibrated at `at`, by somebody here or elsewhere. What passed is good up to the day `due`; without
    it, for its interval from that day on. What failed is recorded as well: nothing may be done with it until it passes.

    `certificate` is the key of a file that was attached, or the number of a paper one. Refuses with EquipmentRefused
    what is retired, what passed and has neither a due date nor an interval, a due date before the calibration, one of
    what failed; with BadText.
    """
    equipment = _lock(equipment)
    day = at.astimezone(get_zone()).date()
    if passed and due is None and equipment.calibrate_every:
        due = day + timedelta(days=equipment.calibrate_every)
    if passed and due is None:
        raise EquipmentRefused(f"{equipment.key} has no interval: say up to which day its calibration holds.")
    if due and not passed:
        raise EquipmentRefused(f"{equipment.key} failed: its calibration holds up to no day.")
    if due and due < day:
        raise EquipmentRefused(f"A calibration of {day} does not hold up to {due}, before it.")
    calibration = Calibration.objects.create(
        equipment=equipment,
        at=at,
        passed=passed,
        due=due,
        certificate=clean_text(certificate, KEY_LENGTH, "The certificate"),
        by=by,
        recorded=now(),
    )
    last = equipment.calibrations.all()[0]
    equipment.calibrated, equipment.calibration_due = last.at, last.due
    equipment.save(update_fields=["calibrated", "calibration_due"])
    return calibration


@changing
def define_check_piece(
    *,
    key: str,
    name: str,
    good: bool,
    kind: str = "",
    equipment: Equipment | None = None,
    by: Person,
    at: datetime,
) -> CheckPiece:
    """A piece known to be good or bad, of a kind of equipment or of one, to be run on it in every shift.

    Refuses with EquipmentRefused a piece of both or of neither, and what the record does not accept; with BadKey,
    KeyInUse.
    """
    if bool(kind.strip()) == bool(equipment):
        raise EquipmentRefused("A check piece belongs to a kind of equipment, or to one.", action="Name one of them.")
    piece = CheckPiece(key=free_key(CheckPiece, key), name=name, good=good, kind=kind.strip(), equipment=equipment)
    save_checked(piece, EquipmentRefused)
    return piece


@changing
def retire_check_piece(*, piece: CheckPiece, by: Person, at: datetime) -> CheckPiece:
    """The piece is owed no more. Refuses with EquipmentRefused what was retired before."""
    piece = CheckPiece.objects.select_for_update(of=("self",)).get(pk=piece.pk)
    if piece.retired:
        raise EquipmentRefused(f"{piece.key} was retired before.", action="Nothing needs doing.")
    piece.retired = at
    piece.save(update_fields=["retired"])
    return piece


@operation()
def record_check(*, equipment: Equipment, piece: CheckPiece, said_good: bool, by: Person, at: datetime) -> PieceCheck:
    """A check piece was run at `at`, and the equipment called it good or bad. A wrong call is recorded, too: from then
    on the equipment is not fit, until the piece is run right. Refuses with EquipmentRefused a piece of other equipment,
    and what is retired."""
    equipment, piece = _lock(equipment), CheckPiece.objects.get(pk=piece.pk)
    if piece.retired and piece.retired <= at:
        raise EquipmentRefused(f"{piece.key} is retired.", action="Take the piece that came in its place.")
    if piece.equipment_id != equipment.pk and piece.kind != equipment.kind:
        raise EquipmentRefused(f"{piece.key} is not a check piece of {equipment.key}.", action="Take one of its own.")
    return PieceCheck.objects.create(
        equipment=equipment, piece=piece, said_good=said_good, at=at, by=by, recorded=now()
    )


@changing
def define_program(*, key: str, kind: str, name: str, revision: str, by: Person, at: datetime) -> Program:
    """A revision of a program of a kind of equipment. Refuses with EquipmentRefused one that there is, and what the
    record does not accept; with BadKey, KeyInUse."""
    kind = kind.strip()
    if Program.objects.filter(kind=kind, name=name, revision=revision).exists():
        raise EquipmentRefused(
            f"{name} {revision} of {kind} is defined.", action="A changed program gets a new revision."
        )
    program = Program(key=free_key(Program, key), kind=kind, name=name, revision=revision)
    save_checked(program, EquipmentRefused)
    return program


@operation()
def load_program(*, equipment: Equipment, program: Program, by: Person, at: datetime) -> ProgramLoad:
    """A program was loaded at `at`, which may be entered later: it is on the equipment until another is loaded.
    Refuses with EquipmentRefused a program of another kind of equipment, and what is retired."""
    equipment = _lock(equipment)
    if program.kind != equipment.kind:
        raise EquipmentRefused(f"{program} is a program of {program.kind}, and {equipment.key} is a {equipment.kind}.")
    return ProgramLoad.objects.create(equipment=equipment, program=program, since=at, by=by, recorded=now())


def _lock(equipment: Equipment) -> Equipment:
    equipment = Equipment.objects.select_for_update(of=("self",)).select_related("station").get(pk=equipment.pk)
    if equipment.retired:
        raise EquipmentRefused(f"{equipment.key} is retired.", action="Check which equipment it was.")
    return equipment


def _want_open(station: Station | None) -> None:
    if station and station.retired:
        raise EquipmentRefused(f"Station {station.key} is retired.", action="Name another.")
