"""A ledger that many rounds share: a PostgreSQL database with one row a photo's content and method.

It keeps scores and which round holds which content; no path, no name of a lawn, no address. Rows
are written by key, so that two runs at once write the same row once, and each has its checksum. A
score that no round holds any more is forgotten.
"""

from __future__ import annotations

import time
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

from lawnscore.contract.errors import LawnscoreError
from lawnscore.contract.files import write_whole
from lawnscore.register.lock import own_folder
from lawnscore.scoring.address import shown

if TYPE_CHECKING:
    import sqlalchemy as sa

SCHEMES = ("postgresql", "postgres", "postgresql+psycopg")
SCHEMA_VERSION = 1
ROUND_ID = "round-id"
"""File in .lawnscore/ by which a shared ledger knows the round: a random number."""

KEY = ("sha256", "version", "settings_id", "card_id")
"""Columns that a score is kept under."""

Row = tuple[str, ...]
"""The key, and then row, extra and checksum."""

_CONNECT_SECONDS = 10
_LOCK = 0x6C61776E
"""Any number, for the lock under which the tables are made."""

_CHUNK = 500
_WAITING_ROWS = 64
_WAITING_SECONDS = 2.0
"""Rows are sent together; those that wait when a run is killed are sent by the next one."""

_TRIES = 5
_TRY_AGAIN = frozenset({"40001", "40P01"})
"""SQLSTATE of a transaction that another one had to overtake (PostgreSQL, appendix A)."""


class SharedLedger:
    """Scores shared by many rounds. Close it with :meth:`close`.

    Parameters
    ----------
    address
        Such as ``postgresql://db.example/lawns``; a password is better left to ``PGPASSWORD`` or
        ``~/.pgpass``, and is printed nowhere.
    round_path
        Folder of the round.

    Raises
    ------
    LawnscoreError
        When it cannot be reached or used.
    """

    def __init__(self, address: str, round_path: Path) -> None:
        self.address = address
        self._waiting: dict[Row, Row] = {}
        self._sent = time.monotonic()
        self._engine, self._tables = _open(address)
        self.round_id = _round_id(round_path)
        try:
            self._do(self._make)
        except BaseException:
            self._engine.dispose()
            raise

    def close(self) -> None:
        """Send what waits, and let the database go."""
        try:
            self.send()
        finally:
            self._engine.dispose()

    def scores(self, hashes: Iterable[str], key: Row) -> Iterator[Row]:
        """Yield the rows kept of these contents under a method (version, settings, card)."""
        import sqlalchemy as sa

        table = self._tables["scores"]
        for some in _chunks(sorted(set(hashes))):
            query = sa.select(table).where(table.c.sha256.in_(some), *_same(table, key))
            yield from (tuple(map(str, row)) for row in self._do(partial(_all, query)))

    def keep(self, row: Row) -> None:
        """Keep a row, in place of one of the same key; soon, not at once."""
        self._waiting[row[: len(KEY)]] = row
        late = time.monotonic() - self._sent > _WAITING_SECONDS
        if late or len(self._waiting) >= _WAITING_ROWS:
            self.send()

    def send(self) -> None:
        """Write what waits."""
        rows = [self._waiting[key] for key in sorted(self._waiting)]  # two runs, one order
        for some in _chunks(rows):
            self._do(partial(self._upsert, some))
        self._waiting.clear()
        self._sent = time.monotonic()

    def lacks(self, hashes: Iterable[str], key: Row) -> set[str]:
        """Return which of these contents have no row under a method (version, settings, card)."""
        import sqlalchemy as sa

        wanted = set(hashes)
        table = self._tables["scores"]
        for some in _chunks(sorted(wanted)):
            query = sa.select(table.c.sha256).where(table.c.sha256.in_(some), *_same(table, key))
            wanted -= {sha256 for (sha256,) in self._do(partial(_all, query))}
        return wanted

    def hold(self, hashes: Iterable[str]) -> None:
        """Note that the round holds these contents and no others; forget what nobody holds."""
        import sqlalchemy as sa
        from sqlalchemy.dialects.postgresql import insert

        holdings = self._tables["holdings"]
        mine = holdings.c.round_id == self.round_id
        now = set(hashes)
        query = sa.select(holdings.c.sha256).where(mine)
        before = {sha256 for (sha256,) in self._do(partial(_all, query))}
        for some in _chunks(sorted(now - before)):
            rows = [{"round_id": self.round_id, "sha256": sha256} for sha256 in some]
            self._do(partial(_execute, [insert(holdings).on_conflict_do_nothing()], rows))
        self.release(before - now)

    def release(self, hashes: Iterable[str]) -> int:
        """Note that the round holds these contents no more; forget those that nobody holds.

        Returns
        -------
        int
            How many scores were forgotten; those that another round holds stay.
        """
        import sqlalchemy as sa

        holdings, scores = self._tables["holdings"], self._tables["scores"]
        mine = holdings.c.round_id == self.round_id
        n = 0
        for some in _chunks(sorted(set(hashes))):
            drop = sa.delete(holdings).where(mine, holdings.c.sha256.in_(some))
            held = sa.exists().where(holdings.c.sha256 == scores.c.sha256)
            forget = sa.delete(scores).where(scores.c.sha256.in_(some), ~held)
            n += self._do(partial(_n_of_last, [drop, forget]))
        return n

    def held(self, hashes: Iterable[str]) -> int:
        """Return how many scores of these contents are there still."""
        import sqlalchemy as sa

        table = self._tables["scores"]
        count = sa.select(sa.func.count()).select_from(table)
        return sum(
            self._do(partial(_all, count.where(table.c.sha256.in_(some))))[0][0]
            for some in _chunks(sorted(set(hashes)))
        )

    def _make(self, db: sa.Connection) -> None:
        """Make the tables, one run at a time: PostgreSQL itself would let two collide."""
        import sqlalchemy as sa

        db.execute(sa.select(sa.func.pg_advisory_xact_lock(_LOCK)))
        self._tables["schema"].metadata.create_all(db)
        schema = self._tables["schema"]
        found = db.scalar(sa.select(sa.func.max(schema.c.version)))
        if found is None:
            db.execute(sa.insert(schema).values(version=SCHEMA_VERSION))
        elif found != SCHEMA_VERSION:
            raise LawnscoreError(
                f"the shared ledger is of another program version (schema {found})",
                "Use the same version of lawnscore on every machine, or another database.",
                shown(self.address),
            )

    def _upsert(self, rows: Sequence[Row], db: sa.Connection) -> None:
        from sqlalchemy.dialects.postgresql import insert

        table = self._tables["scores"]
        new = insert(table)
        values = {name: new.excluded[name] for name in ("row", "extra", "checksum")}
        names = [column.name for column in table.columns]
        db.execute(
            new.on_conflict_do_update(index_elements=list(KEY), set_=values),
            [dict(zip(names, row, strict=True)) for row in rows],
        )

    def _do(self, action: Callable[[Any], Any]) -> Any:
        """Do something in a transaction of its own; again when the connection broke meanwhile."""
        from sqlalchemy.exc import DBAPIError, SQLAlchemyError

        for left in reversed(range(_TRIES)):
            try:
                with self._engine.begin() as db:
                    return action(db)
            except DBAPIError as error:
                overtaken = getattr(error.orig, "sqlstate", None) in _TRY_AGAIN
                if not left or not (overtaken or error.connection_invalidated):
                    raise _unusable(self.address, error) from None
                time.sleep(0.1)
            except SQLAlchemyError as error:
                raise _unusable(self.address, error) from None
        raise AssertionError


def _all(query: sa.Select[Any], db: sa.Connection) -> Sequence[sa.Row[Any]]:
    return db.execute(query).all()


def _execute(statements: Iterable[Any], rows: Any, db: sa.Connection) -> None:
    for statement in statements:
        db.execute(statement, rows)


def _n_of_last(statements: Iterable[Any], db: sa.Connection) -> int:
    """Execute statements and return how many rows the last of them removed."""
    return [db.execute(statement).rowcount for statement in statements][-1]


def _open(address: str) -> tuple[sa.Engine, dict[str, sa.Table]]:
    if address.partition("://")[0] not in SCHEMES:
        raise LawnscoreError(
            "a shared ledger is a PostgreSQL database",
            "Name it as postgresql://HOST/DATABASE; without --ledger it is a file in the round.",
            shown(address),
        )
    try:
        import psycopg  # noqa: F401 - named by the address below
        import sqlalchemy as sa
    except ImportError:
        raise LawnscoreError(
            "a shared ledger needs the packages SQLAlchemy and psycopg, which are not installed",
            "Install them: pip install 'lawnscore[postgresql]'.",
        ) from None
    try:
        engine = sa.create_engine(
            sa.make_url(address).set(drivername="postgresql+psycopg"),
            pool_size=1,
            pool_pre_ping=True,
            hide_parameters=True,
            connect_args={
                "connect_timeout": _CONNECT_SECONDS,
                "application_name": "lawnscore",
            },
        )
    except (sa.exc.ArgumentError, ValueError):
        raise LawnscoreError(
            "this is no address of a database",
            "Write postgresql://USER@HOST:PORT/DATABASE, with %40 for an @ in a password.",
            shown(address),
        ) from None
    return engine, _tables()


def _tables() -> dict[str, sa.Table]:
    import sqlalchemy as sa

    metadata = sa.MetaData()
    words = [sa.Column(name, sa.Text, primary_key=True) for name in KEY]
    values = [sa.Column(name, sa.Text, nullable=False) for name in ("row", "extra", "checksum")]
    return {
        "schema": sa.Table(
            "lawnscore_schema",
            metadata,
            sa.Column("version", sa.Integer, primary_key=True, autoincrement=False),
        ),
        "scores": sa.Table("lawnscore_scores", metadata, *words, *values),
        "holdings": sa.Table(
            "lawnscore_holdings",
            metadata,
            sa.Column("round_id", sa.Text, primary_key=True),
            sa.Column("sha256", sa.Text, primary_key=True, index=True),
        ),
    }


def _same(table: sa.Table, key: Row) -> list[Any]:
    return [table.c[name] == value for name, value in zip(KEY[1:], key, strict=True)]


def _chunks(values: Sequence[Any]) -> Iterator[Sequence[Any]]:
    for start in range(0, len(values), _CHUNK):
        yield values[start : start + _CHUNK]


def _round_id(round_path: Path) -> str:
    path = own_folder(round_path) / ROUND_ID
    try:
        return str(uuid.UUID(path.read_text(encoding="ascii").strip()))
    except (OSError, ValueError):
        new = str(uuid.uuid4())
        write_whole(path, f"{new}\n".encode("ascii"))
        return new


def _unusable(address: str, error: Exception) -> LawnscoreError:
    return LawnscoreError(
        f"the shared ledger cannot be used ({_why(address, error)})",
        "See that it runs and that you may write there, and run again; what was done is kept.",
        shown(address),
    )


def _why(address: str, error: Exception) -> str:
    """Return what the database said, unless a piece of what may be a password is in it."""
    said = str(getattr(error, "orig", None) or error).strip().partition("\n")[0]
    return type(error).__name__ if any(one in said for one in _secrets(address)) else said


def _secrets(address: str) -> set[str]:
    """Return every piece of an address that may be of a password, however it was mistyped."""
    rest = address.partition("://")[2]
    login = rest.rpartition("@")[0].partition(":")[2]
    options = rest.partition("?")[2]
    pieces = {login, options, *login.replace("/", "@").split("@"), *options.split("&")}
    pieces |= {piece.partition("=")[2] for piece in options.split("&")}
    return {form for piece in pieces for form in (piece, unquote(piece)) if form}
