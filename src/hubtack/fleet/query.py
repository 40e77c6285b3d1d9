"""Questions to a ledger in SQL, by DuckDB. Each table is a view over its Parquet files."""

from __future__ import annotations

import datetime as dt
import decimal
import importlib
from typing import Any

from hubtack.errors import SourceError, UsageError
from hubtack.fleet.ledger import Ledger
from hubtack.fleet.tables import COLUMNS, TABLES
from hubtack.safe import safe_text

_TYPES = {"text": "VARCHAR", "real": "DOUBLE", "int": "BIGINT", "bool": "BOOLEAN", "time": "TIMESTAMP WITH TIME ZONE"}


def run_query(url: str, sql: str) -> tuple[list[str], list[list[Any]]]:
    """Names of the columns and the rows that ``sql`` gives on the ledger at ``url``; values as JSON types.

    The statement runs in memory and can reach nothing but the ledger's tables.

    Raises
    ------
    UsageError
        If DuckDB is missing, or the statement is not one that it understands.
    SourceError
        If there is no ledger at ``url``.
    """
    try:
        duckdb = importlib.import_module("duckdb")
    except ImportError:
        raise UsageError(
            "--query needs DuckDB: pip install duckdb (the ledger is plain Parquet and serves any other tool as it is)"
        ) from None
    ledger = Ledger.open(url, writing=False)
    connection = duckdb.connect(":memory:")
    try:
        connection.execute("SET TimeZone = 'UTC'")
        for table in TABLES:
            _load(connection, ledger, table)
        # The views are loaded: from here on the statement reaches no file and no network.
        connection.execute("SET enable_external_access = false")
        connection.execute("SET lock_configuration = true")
        answer = connection.execute(sql)
        columns = [str(column[0]) for column in answer.description or ()]
        return columns, [[_plain(value) for value in row] for row in answer.fetchall()]
    except duckdb.Error as err:
        raise UsageError(f"--query: {safe_text(str(err).strip(), 600)}") from None
    except ImportError as err:  # versions before 2.0.1 want pytz for times, and do not say so when they are installed
        raise UsageError(f"--query: this DuckDB wants {safe_text(err.name or str(err))} beside it: pip install it") from None
    except OSError as err:
        raise SourceError(f"{safe_text(url)}: the ledger cannot be read: {err}") from err
    finally:
        connection.close()


def _load(connection: Any, ledger: Ledger, table: str) -> None:
    """A table of the ledger as a view: Parquet files read as they are asked for, or a store's files in memory."""
    columns = ", ".join(f'"{name}" {_TYPES[kind]}' for name, kind in COLUMNS[table].items())
    names = ledger.files(table)
    if not names:
        connection.execute(f"CREATE TABLE {table} ({columns})")
        return
    arrow = ledger.dataset(table, names)
    connection.register(f"{table}_files", arrow)
    connection.execute(f"CREATE VIEW {table} AS SELECT * FROM {table}_files")


def _plain(value: Any) -> Any:
    if isinstance(value, dt.datetime):
        return value.astimezone(dt.UTC).isoformat().replace("+00:00", "Z")
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    if isinstance(value, decimal.Decimal):
        return float(value)
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return value if value is None or isinstance(value, str | int | float | bool) else str(value)
