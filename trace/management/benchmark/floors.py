"""The floor: the same answer rows, already reckoned, fetched by id from an indexed table of the same database."""

from __future__ import annotations

import json
from collections.abc import Collection

from django.db import connection

BOARDS_WITH_PARTS = 2_000


def build_floors() -> None:
    """Make the two tables: one row per unit, and one row per placed part of some boards."""
    with connection.cursor() as cursor:
        cursor.execute(
            "CREATE TABLE floor_unit AS"
            " SELECT u.id, u.key, p.key AS part, 'certain' AS sureness, 0 AS reason, u.key AS top, 'shipped' AS kind,"
            " 'SHIP-000001' AS place, 'CUST-100' AS customer, 'Customer 100' AS customer_name, u.created AS since,"
            " 30 AS step, 'CARTON-0000001' AS carton FROM trace_unit u JOIN trace_part p ON p.id = u.part_id"
        )
        cursor.execute(
            "CREATE TABLE floor_part AS"
            " SELECT (u.id - 1) * 150 + row_number() OVER (PARTITION BY u.id ORDER BY l.id) AS id, u.key AS unit,"
            " l.designator, 'PART-001' AS part, 'C00000001' AS container, 'LOT-0000001' AS lot, 'N0000001' AS number,"
            " 'Acme' AS supplier, '2410' AS date_code, u.created AS since, u.created AS until, 'PLACE' AS station,"
            " '10 Place' AS step, 'Ann' AS who"
            f" FROM trace_unit u CROSS JOIN trace_setupline l WHERE u.id <= {BOARDS_WITH_PARTS}"
        )
        for table in ("floor_unit", "floor_part"):
            cursor.execute(f"CREATE UNIQUE INDEX {table}_id ON {table} (id)")
            cursor.execute(f"ANALYZE {table}")


def fetch_floor(table: str, ids: Collection[int]) -> list[tuple]:
    """The rows of these ids."""
    array = {
        "postgresql": "= ANY (ARRAY(SELECT jsonb_array_elements_text(%s::jsonb)::bigint))",
        "sqlite": "IN (SELECT value FROM json_each(%s))",
    }
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT * FROM {table} WHERE id {array[connection.vendor]}", [json.dumps(sorted(ids))])
        return cursor.fetchall()


def fetch_floor_page(before: int, rows: int) -> list[tuple]:
    """So many rows behind an id."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT * FROM floor_unit WHERE id > %s ORDER BY id LIMIT %s", [before, rows])
        return cursor.fetchall()
