"""Bringing a store up to this alertd's tables. A store of a newer alertd, or another program's, is refused."""

from importlib.resources import as_file, files

from sqlalchemy import Connection, inspect, select, text

from alertd.errors import StoreError
from alertd.store.schema import REVISION, meta

_FIRST = "0001"


def revision_of(connection: Connection, place: object) -> str:
    """The step a store stands at; "" when it is empty. Raises StoreError when it is not ours or too new."""
    tables = set(inspect(connection).get_table_names())
    if not tables:
        return ""
    if meta.name not in tables:
        raise _not_ours(place)
    if "alembic_version" in tables:
        found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    else:  # made by the first alertd, which numbered the shape itself
        number = connection.execute(select(meta.c.value).where(meta.c.key == "schema_version")).scalar()
        found = f"{int(number):04d}" if number and number.isdigit() else None
    if found is None or not found.isdigit():
        raise _not_ours(place)
    if int(found) > int(REVISION):
        raise StoreError(
            f"store {place}: written by a newer alertd (schema {int(found)}, this one knows {int(REVISION)}); "
            "run that newer alertd, or start with another store"
        )
    return str(found)


def upgrade_store(connection: Connection, revision: str) -> None:
    """Take every step after `revision`, all or none, in the transaction of `connection`."""
    from alembic import command  # a fifth of a second that a store already up to date does not need
    from alembic.config import Config

    with as_file(files("alertd.store") / "migrations") as folder:
        config = Config()
        config.set_main_option("script_location", str(folder).replace("%", "%%"))
        config.attributes["connection"] = connection
        if revision == _FIRST:
            command.stamp(config, _FIRST)
        command.upgrade(config, "head")


def _not_ours(place: object) -> StoreError:
    return StoreError(f"store {place}: what it holds is not alertd's; name another one")
