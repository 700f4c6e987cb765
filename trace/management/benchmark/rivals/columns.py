"""One row per placed part in DuckDB, a column store in this process; the same queries."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

from trace.core.models import Person
from trace.engineering.models import Station
from trace.floor.models import Consignment, Customer, Fitting, Packing, Pass, Shipment, Unit
from trace.management.benchmark.history import History, Question
from trace.management.benchmark.rivals.edges import list_runs
from trace.management.benchmark.rivals.rows import COLUMNS, RowPerPart, ask_rows, backward_sql, fill
from trace.material.models import Container, Derivation, Lot, SetUpLine, Supplier

WANTED = (
    Person, Station, Supplier, Lot, Container, Derivation, SetUpLine, Unit, Pass, Fitting, Customer, Packing, Shipment,
    Consignment,
)  # fmt: skip


class ColumnStore:
    """A DuckDB file with the tables that the queries read. It has no index: it reads columns fast."""

    name = "row per part, DuckDB"

    def __init__(self, history: History, folder: Path) -> None:
        import duckdb

        self.history, self.folder, self.path = history, folder, folder / "columns.duckdb"
        self.version = f"DuckDB {duckdb.__version__}"
        self.database = duckdb.connect(str(self.path))

    def build(self) -> None:
        for rows in self.history.tables():
            if rows.model in WANTED:
                columns = {f.name: f.column for f in rows.model._meta.concrete_fields}
                fields = [columns[name] for name in rows.names]
                extra = ", NULL::BIGINT AS until, NULL::BIGINT AS superseded"
                extra += ", row_number() OVER () AS id" if "id" not in fields else ""
                self._load(rows.model._meta.db_table, fields, rows.rows, extra)
        self._load("run", ["feed", "first", "last", "container", "candidates"], list_runs(self.history))
        self.database.execute(f"CREATE TABLE placed ({COLUMNS})")
        fill(self.history, self.database.execute, "duckdb")
        self.database.execute("DROP TABLE run")
        self.database.execute("CHECKPOINT")

    def _load(self, table: str, fields: list[Any], rows: object, extra: str = "") -> None:
        path = self.folder / f"{table}.csv"
        with path.open("w", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(fields)
            writer.writerows(rows)  # type: ignore[arg-type]
        self.database.execute(f"CREATE TABLE {table} AS SELECT *{extra} FROM read_csv('{path}', sample_size = -1)")
        path.unlink()

    def bytes(self) -> int:
        found = self.database.execute(
            "SELECT count(DISTINCT block_id) * 262144 FROM pragma_storage_info('placed')"
        ).fetchone()
        return found[0]

    def ask(self, question: Question) -> list:
        return ask_rows(question, self._fetch)

    def look_into(self, key: str) -> list:
        return self._fetch(backward_sql(key))

    def _fetch(self, sql: str) -> list:
        return self.database.execute(sql).fetchall()

    forward_of = staticmethod(RowPerPart.forward_of)
    backward_of = staticmethod(RowPerPart.backward_of)

    def close(self) -> None:
        self.database.close()
        self.path.unlink()
