"""API tokens, stored as hashes, and stored responses for repeated requests (idempotency)."""

from datetime import datetime
from typing import Any

from sqlalchemy import Row, insert, select, update

from alertd.store.connection import Database, insert_or
from alertd.store.rows import StoredAnswer, StoredToken
from alertd.store.schema import idempotency, tokens


class Tokens:
    """The tokens of one store. Every method raises StoreError when the store fails."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def put(self, token: StoredToken) -> None:
        """Save a new token; its id and hash must be unique."""
        with self._database.write() as connection:
            connection.execute(
                insert(tokens).values(
                    id=token.id,
                    hash=token.hash,
                    name=token.name,
                    scopes=" ".join(token.scopes),
                    created_at=token.created_at,
                    expires_at=token.expires_at,
                    revoked_at=token.revoked_at,
                    last_used_at=token.last_used_at,
                )
            )

    def by_hash(self, hash_: str) -> StoredToken | None:
        """Return a token in any state, or None. The caller checks for revocation and expiry."""
        with self._database.read() as connection:
            row = connection.execute(select(tokens).where(tokens.c.hash == hash_)).one_or_none()
        return None if row is None else _token(row)

    def all(self) -> list[StoredToken]:
        """Return all tokens, oldest first."""
        with self._database.read() as connection:
            rows = connection.execute(select(tokens).order_by(tokens.c.created_at, tokens.c.id))
            return [_token(row) for row in rows]

    def revoke(self, id_: str, at: datetime) -> bool:
        """Revoke a token; return whether an active one existed."""
        with self._database.write() as connection:
            revoked = update(tokens).where(tokens.c.id == id_, tokens.c.revoked_at.is_(None)).values(revoked_at=at)
            return connection.execute(revoked).rowcount > 0

    def used(self, id_: str, at: datetime) -> None:
        """Record the time of the last use."""
        with self._database.write() as connection:
            connection.execute(update(tokens).where(tokens.c.id == id_).values(last_used_at=at))


class Answers:
    """The stored responses of one store. Every method raises StoreError when the store fails."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def get(self, route: str, key: str) -> StoredAnswer | None:
        """Return the response stored for a route and key, or None."""
        with self._database.read() as connection:
            row = connection.execute(
                select(idempotency).where(idempotency.c.route == route, idempotency.c.key == key)
            ).one_or_none()
        return None if row is None else _answer(row)

    def put(self, answer: StoredAnswer) -> bool:
        """Save a response; return whether it is the first for its route and key. A later one changes nothing."""
        with self._database.write() as connection:
            added = connection.execute(
                insert_or(connection, idempotency)
                .values(
                    route=answer.route,
                    key=answer.key,
                    request_hash=answer.request_hash,
                    status=answer.status,
                    body=answer.body,
                    created_at=answer.created_at,
                )
                .on_conflict_do_nothing()
                .returning(idempotency.c.key)
            )
            return added.first() is not None


def _token(row: Row[Any]) -> StoredToken:
    return StoredToken(
        id=row.id,
        hash=row.hash,
        name=row.name,
        scopes=tuple(row.scopes.split()),
        created_at=row.created_at,
        expires_at=row.expires_at,
        revoked_at=row.revoked_at,
        last_used_at=row.last_used_at,
    )


def _answer(row: Row[Any]) -> StoredAnswer:
    return StoredAnswer(
        route=row.route,
        key=row.key,
        request_hash=row.request_hash,
        status=row.status,
        body=row.body,
        created_at=row.created_at,
    )
