"""Upgrades a store to the current schema; refuses a newer schema and a database of another program."""

from importlib.resources import as_file, files

from sqlalchemy import Connection, inspect, select, text

from alertd.errors import StoreError
from alertd.store.schema import REVISION, meta

_FIRST = "0001"


def revision_of(connection: Connection, place: object) -> str:
    """Return the schema revision of a store; "" when it is empty.

    Raises StoreError when the database belongs to another program or has a newer schema.
    """
    tables = set(inspect(connection).get_table_names())
    if not tables:
        return ""
    if meta.name not in tables:
        raise _not_ours(place)
    if "alembic_version" in tables:
        found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    else:  # written by the first alertd, which stored the schema number in `meta`
        number = connection.execute(select(meta.c.value).where(meta.c.key == "schema_version")).scalar()
        found = f"{int(number):04d}" if number and number.isdigit() else None
    if found is None or not found.isdigit():
        raise _not_ours(place)
    if int(found) > int(REVISION):
        raise StoreError(
            f"store {place}: written by a newer alertd (schema {int(found)}, this one supports {int(REVISION)}); "
            "run that newer alertd, or name another store"
        )
    return str(found)


def upgrade_store(connection: Connection, revision: str) -> None:
    """Apply every migration after `revision`, all or none, in the transaction of `connection`."""
    from alembic import command  # importing it takes 0.2 s, which an up-to-date store does not need
    from alembic.config import Config

    with as_file(files("alertd.store") / "migrations") as folder:
        config = Config()
        config.set_main_option("script_location", str(folder).replace("%", "%%"))
        config.attributes["connection"] = connection
        if revision == _FIRST:
            command.stamp(config, _FIRST)
        command.upgrade(config, "head")


def _not_ours(place: object) -> StoreError:
    return StoreError(f"store {place}: not an alertd store; name another one")
