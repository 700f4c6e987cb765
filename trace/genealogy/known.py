"""As believed on a day: everything that reads the plant reads it as it was on record at a moment.

Inside `as_known` each table whose rows come and change is hidden by a temporary view of the same name: the
rows that were on record then, with what was written into them since taken back. No query needs to know; a
query outside is as it was. A temporary view comes before a table of the same name on both databases
(PostgreSQL: the schema pg_temp is searched first; SQLite: so is temp), and only this connection sees it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from django.db import connection, models, transaction

from trace.approvals.models import Deviation
from trace.core.clock import OPEN, from_ticks
from trace.engineering.equipment import Calibration, PieceCheck, ProgramLoad
from trace.engineering.models import Qualified, QualityOutlay
from trace.floor.models import (
    Alias,
    BatchPass,
    Carried,
    Carrier,
    Closing,
    Conformity,
    Consignment,
    Diagnosis,
    Fault,
    FirstPiece,
    Fitting,
    LooseSighting,
    Packing,
    Pass,
    Reading,
    RefusedScan,
    Repair,
    Return,
    Salvage,
    Sample,
    SampleEntry,
    Shipment,
    Skip,
    Stacking,
    Unit,
)
from trace.holds.models import Disposition, Hold
from trace.ledger.models import Event
from trace.material.models import (
    Axis,
    AxisSlack,
    BagRecord,
    BathReading,
    Container,
    Count,
    Derivation,
    EmptyPlace,
    FeedRecord,
    Inspection,
    LotStatus,
    Mount,
    Receipt,
    SamplingRuling,
    ScrappedParts,
    SetUp,
    SetUpLine,
    Span,
    Tape,
    TapeReading,
    TapeStop,
)

RECORDED = "recorded <= {known}"
TOLD = "recorded <= {moment}"
STOOD = "recorded <= {known} AND (superseded IS NULL OR superseded > {known})"
STANDS = {"superseded": "CAST(NULL AS bigint)"}


def _until(recorded: str, column: str, before: str = "NULL") -> dict[str, str]:
    """A column whose value was written in when `recorded` says, and was `before` until then."""
    return {column: f"CASE WHEN {recorded} > {{known}} THEN {before} ELSE {column} END"}


_BOUNDED = {
    "ended": f"CASE WHEN bounded > {{known}} THEN {OPEN} ELSE ended END",
    "last": f"CASE WHEN bounded > {{known}} AND (axis_id IS NULL OR axis_id IN "
    f"(SELECT id FROM {{schema}}.trace_axis WHERE kind = 'clock')) THEN {OPEN} ELSE last END",
    # Of an open pass: the longest. It only says how far back a range query looks.
    "length_class": f"CASE WHEN bounded > {{known}} THEN {OPEN.bit_length()} ELSE length_class END",
}
_CLOSED = (
    _until("closed", "inside", "{true}")
    | _until("closed", "outcome", "''")
    | _until("closed", "scanned_out")
    | _until("closed", "closed")
)

BELIEVED: Mapping[type[models.Model], tuple[str, Mapping[str, str]]] = {
    Alias: (STOOD, STANDS),
    BatchPass: (STOOD, STANDS),
    Carried: (STOOD, {**STANDS, **_until("ended", "until")}),
    Carrier: (RECORDED, _until("parted_recorded", "parted")),
    Axis: (
        "TRUE",
        {
            "slack": "COALESCE((SELECT max(s.slack) FROM {schema}.trace_axisslack s "
            "WHERE s.axis_id = trace_axis.id AND s.recorded <= {known}), 0)"
        },
    ),
    AxisSlack: (RECORDED, {}),
    BagRecord: (STOOD, STANDS),
    Calibration: (TOLD, {}),
    Closing: (
        RECORDED,
        _until("ended", "until")
        | _until("ended", "opened_by_id")
        | _until("ended", "reason", "''")
        | _until("ended", "ended"),
    ),
    Consignment: (RECORDED, _until("ended", "until")),
    Conformity: (STOOD, STANDS),
    BathReading: (RECORDED, {}),
    Count: (STOOD, STANDS),
    ScrappedParts: (STOOD, STANDS),
    Container: (RECORDED, {**_until("gone_recorded", "gone"), "store": "''"}),  # where it stood is not kept
    Derivation: (STOOD, STANDS),
    Diagnosis: (STOOD, STANDS),
    Disposition: (TOLD, {}),  # that it was withdrawn is known today
    EmptyPlace: (RECORDED, {}),
    Deviation: (TOLD, {}),  # its uses and its end are those of today
    Event: (TOLD, {}),
    Fault: (STOOD, STANDS),
    FeedRecord: (STOOD, STANDS),
    FirstPiece: (RECORDED, {}),
    Fitting: (STOOD, {**STANDS, **_until("ended", "until"), **_until("ended", "doubted")}),
    Hold: (
        TOLD,
        {
            column: f"CASE WHEN release_recorded > {{moment}} THEN {before} ELSE {column} END"
            for column, before in (("released", "NULL"), ("released_by_id", "NULL"), ("release_reason", "''"))
        },
    ),
    Inspection: (RECORDED, {}),
    LooseSighting: (RECORDED, {}),
    LotStatus: (RECORDED, {}),
    Mount: (
        RECORDED,
        _until("ended", '"end"', str(OPEN)) | _until("ended", "until", str(OPEN)) | _until("ended", "taken_off_by_id"),
    ),
    Packing: (RECORDED, _until("ended", "until")),
    Pass: (STOOD, {**STANDS, **_BOUNDED, **_CLOSED}),
    Qualified: (STOOD, STANDS),
    QualityOutlay: (STOOD, STANDS),
    SamplingRuling: (RECORDED, {}),
    PieceCheck: (TOLD, {}),
    ProgramLoad: (TOLD, {}),
    Reading: (STOOD, STANDS),
    Receipt: (RECORDED, {}),
    RefusedScan: (
        RECORDED,
        _until("ended", "settled") | _until("ended", "settled_by_id") | _until("ended", "reason", "''"),
    ),
    Repair: (STOOD, STANDS),
    Return: (
        STOOD,
        {
            **STANDS,
            **_until("close_recorded", "closed"),
            **_until("close_recorded", "closed_by_id"),
            **_until("close_recorded", "disposition_id"),
            **_until("close_recorded", "outcome", "''"),
            **_until("close_recorded", "close_recorded"),
        },
    ),
    Salvage: (STOOD, STANDS),
    Sample: (
        RECORDED,
        _until("start_recorded", "started")
        | _until("start_recorded", "started_by_id")
        | _until("start_recorded", "equipment_id")
        | _until("start_recorded", "mass")
        | _until("start_recorded", "height")
        | _until("start_recorded", "start_recorded")
        | _until("end_recorded", "ended")
        | _until("end_recorded", "ended_by_id")
        | _until("end_recorded", "result", "''")
        | _until("end_recorded", "reason", "''")
        | _until("end_recorded", "deviation_id")
        | _until("end_recorded", "end_recorded"),
    ),
    SampleEntry: (STOOD, STANDS),
    SetUp: (RECORDED, _until("ended", '"end"', str(OPEN))),
    SetUpLine: ("setup_id IN (SELECT id FROM {schema}.trace_setup WHERE recorded <= {known})", {}),
    Shipment: ("TRUE", _until("departure_recorded", "departed")),
    Skip: (STOOD, STANDS),
    Span: (STOOD, STANDS),
    Stacking: (RECORDED, _until("ended", "until")),
    Tape: (
        RECORDED,
        _until("finished", "board_sets", "planned")
        | _until("finished", "built_until", str(OPEN))
        | _until("finished", "aborted", "''"),
    ),
    TapeReading: (RECORDED, {}),
    TapeStop: (RECORDED, _until("ended", "until", str(OPEN)) | _until("ended", "ended_by_id")),
    Unit: (
        RECORDED,
        _until("scrap_recorded", "scrapped") | _until("by_designator_recorded", "by_designator", "{false}"),
    ),
}
"""Per table: which rows were on record, and the columns that say something else today."""


@contextmanager
def as_known(known: int) -> Iterator[None]:
    """Read as known at a moment (microseconds); OPEN: as known now. For reading only.

    What is not kept as it was: parts, bills of material, routes and approved substitutes (released
    revisions do not change), names, stores, and what was written before its columns were.
    """
    if known == OPEN:
        yield
    elif connection.vendor == "postgresql":
        with transaction.atomic():  # its end takes the views away, whatever went wrong
            _hide_tables(known, _ask("SELECT current_schema()"))
            yield
            _show_tables("pg_temp")
    else:
        try:  # without a transaction, which would keep the floor from writing
            _hide_tables(known, "main")
            yield
        finally:
            _show_tables("temp")


def _ask(question: str) -> str:
    with connection.cursor() as cursor:
        cursor.execute(question)
        return str(cursor.fetchone()[0])


def _hide_tables(known: int, schema: str) -> None:
    with connection.cursor() as cursor:
        for model in BELIEVED:
            cursor.execute(_view(model, known, schema))


def _show_tables(schema: str) -> None:
    with connection.cursor() as cursor:
        for model in BELIEVED:
            cursor.execute(f'DROP VIEW IF EXISTS {schema}."{model._meta.db_table}"')


def _view(model: type[models.Model], known: int, schema: str) -> str:
    on_record, then = BELIEVED[model]
    zone = "+00" if connection.vendor == "postgresql" else ""
    values = {
        "known": str(int(known)),
        "moment": f"'{from_ticks(known):%Y-%m-%d %H:%M:%S.%f}{zone}'",
        "schema": f'"{schema}"',
        "true": "TRUE",
        "false": "FALSE",
    }
    columns = [field.column for field in model._meta.concrete_fields]
    given = {column.strip('"'): text for column, text in then.items()}
    assert given.keys() <= set(columns), model
    selected = ", ".join(f'{given[c]} AS "{c}"' if c in given else f'"{c}"' for c in columns)
    table = model._meta.db_table
    text = f'CREATE TEMP VIEW "{table}" AS SELECT {selected} FROM {{schema}}."{table}" WHERE {on_record}'
    return text.format(**values)
