"""Which form a store's tables have, and the way to the newest one: steps in ``versions``, run by alembic in
the order of their numbers.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from diffbench.errors import HistoryError

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from diffbench.history.connection import Location

VERSION_TABLE = "diffbench_revision"
_NEWEST = "0002"


def newest() -> str:
    """Revision that this version of the program works with; a test holds it against the steps."""
    return _NEWEST


def revision(connection: Connection, location: Location) -> str | None:
    """Revision of a store; None where there is no store yet. Raises ``HistoryError`` for a SQLite file of
    something else, and for a store of a newer version.
    """
    import sqlalchemy as sa

    if connection.dialect.name == "postgresql":
        there = connection.execute(sa.select(sa.func.to_regclass(VERSION_TABLE))).scalar() is not None
        foreign = False  # a database of a team may hold other things beside a history
    else:
        names = sa.inspect(connection).get_table_names()
        there = VERSION_TABLE in names
        foreign = bool(names) and not there
    if not there:
        if foreign:
            raise HistoryError.single(
                "is a SQLite file of something else",
                file=location.label,
                mend="name a history, or a file that does not exist yet",
            )
        return None
    number = sa.column("version_num", sa.String)
    text = connection.execute(sa.select(number).select_from(sa.table(VERSION_TABLE))).scalar_one_or_none()
    if text is not None and text > _NEWEST:
        raise HistoryError.single(
            f"was written by a newer diffbench (tables of form {text}; this one knows {_NEWEST})",
            file=location.label,
            mend="install a newer diffbench",
        )
    return text


def upgrade(connection: Connection, to: str = "head") -> None:
    """Run the steps that are still to be done, up to revision ``to``, within the transaction of the
    connection: all, or none.
    """
    from alembic.config import Config
    from alembic.runtime.environment import EnvironmentContext
    from alembic.script import ScriptDirectory

    config = Config()
    # a path may hold a per cent sign, which this kind of settings would take for its own
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    steps = ScriptDirectory.from_config(config)

    def still_to_do(done: Any, context: Any) -> Any:
        del context
        return steps._upgrade_revs(to, done)

    with EnvironmentContext(config, steps, fn=still_to_do) as environment:
        environment.configure(connection=connection, version_table=VERSION_TABLE)
        environment.run_migrations()
