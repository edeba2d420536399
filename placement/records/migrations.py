"""Steps that bring older records up to the present tables, each in its own words.

The number of the last step taken stands in the table `schema_version`. All steps that are due run
in one transaction: a records file is either as it was or up to date, never between.

Version 1: students with their names, filmed drills, analyses, turns, serves, bounces, corrections.
Version 2: names in a table of their own; corrections can be taken back; serves count their
revisions. Version 3: what the physical fit of a serve gives (spread of pace, toss, net clearance,
spin); the covariance of the landing beside the landing; random marks of students, and what is
needed to forget one in every file this tool has written.
Version 4: the flags of a serve. Version 5: any bounce can be moved by hand.
"""

from __future__ import annotations

import uuid
from collections.abc import Callable

from sqlalchemy import Connection, inspect, text

from placement.records import schema
from placement.records.errors import StoreError


def bring_up_to_date(connection: Connection, *, moment: str) -> int:
    """Make the tables, or change older ones, so that they are of the present version.

    Parameters
    ----------
    connection : Connection
        In a transaction that may write.
    moment : str
        The moment to note beside the steps.

    Returns
    -------
    int
        The version found; 0 for new records.

    Raises
    ------
    StoreError
        If the records are of a newer version, or the file holds something else.
    """
    found = version_of(connection)
    if found > schema.VERSION:
        raise StoreError(
            f"these records are of version {found}, made by a newer serve-placement; this one "
            f"knows version {schema.VERSION}: install the newer one"
        )
    if found == 0:
        schema.metadata.create_all(connection)
        _note(connection, schema.VERSION, moment)
        return 0
    for step in range(found + 1, schema.VERSION + 1):
        _STEPS[step](connection)
        _note(connection, step, moment)
    return found


def version_of(connection: Connection) -> int:
    """The version of the records behind a connection; 0 where there are none yet.

    Raises
    ------
    StoreError
        If the database holds tables of something else.
    """
    names = inspect(connection).get_table_names()
    if "schema_version" not in names:
        if names:
            raise StoreError(
                "this database holds other tables and no records of serve-placement; "
                "name another file with --store"
            )
        return 0
    return int(connection.execute(text("SELECT MAX(version) FROM schema_version")).scalar() or 0)


def _note(connection: Connection, version: int, moment: str) -> None:
    connection.execute(schema.schema_version.insert().values(version=version, applied_at=moment))


def _run(connection: Connection, *statements: str) -> None:
    for statement in statements:
        connection.execute(text(statement))


def _to_version_2(connection: Connection) -> None:
    _run(
        connection,
        "CREATE TABLE student_name (student_id INTEGER NOT NULL PRIMARY KEY "
        "REFERENCES student (student_id) ON DELETE CASCADE, name VARCHAR DEFAULT '' NOT NULL)",
        "INSERT INTO student_name (student_id, name) "
        "SELECT student_id, name FROM student WHERE name <> ''",
        "ALTER TABLE student DROP COLUMN name",
        "ALTER TABLE correction ADD COLUMN batch INTEGER DEFAULT 0 NOT NULL",
        "ALTER TABLE correction ADD COLUMN undone_at VARCHAR DEFAULT '' NOT NULL",
        "ALTER TABLE correction ADD COLUMN undone_by VARCHAR DEFAULT '' NOT NULL",
        "ALTER TABLE correction ADD COLUMN carried_from INTEGER",
        "ALTER TABLE serve ADD COLUMN revision INTEGER DEFAULT 0 NOT NULL",
        # A correction of version 1 was a change of its own, and each counts as one revision.
        "UPDATE correction SET batch = correction_id",
        "UPDATE serve SET revision = "
        "(SELECT COUNT(*) FROM correction WHERE correction.serve_id = serve.serve_id)",
    )


_ADDED_REALS = (
    "pace_sd_m_s", "toss_rise_m", "toss_rise_sd_m", "net_clearance_m", "second_bounce_y_m",
    "topspin_rad_s", "topspin_lo", "topspin_hi", "sidespin_rad_s", "sidespin_lo", "sidespin_hi",
    "outcome_probability", "landing_time_s", "landing_sd_x_m", "landing_sd_y_m",
    "landing_cov_xy_m2",
)  # fmt: skip

# The landing of a serve is the bounce at that very place: both numbers came from one analysis.
_SAME_PLACE = (
    "bounce.analysis_id = serve.analysis_id AND ABS(bounce.x_m - serve.landing_x_m) < 0.0005 "
    "AND ABS(bounce.y_m - serve.landing_y_m) < 0.0005"
)


def _to_version_3(connection: Connection) -> None:
    _run(
        connection,
        *(f"ALTER TABLE serve ADD COLUMN {name} FLOAT" for name in _ADDED_REALS),
        "ALTER TABLE student ADD COLUMN uid VARCHAR DEFAULT '' NOT NULL",
        "ALTER TABLE bounce ADD COLUMN serve_id INTEGER "
        "REFERENCES serve (serve_id) ON DELETE SET NULL",
        "CREATE INDEX ix_bounce_serve ON bounce (serve_id)",
        *(
            f"UPDATE serve SET {target} = (SELECT MIN(bounce.{source}) FROM bounce "
            f"WHERE {_SAME_PLACE}) WHERE landing_x_m IS NOT NULL"
            for target, source in (
                ("landing_time_s", "time_s"),
                ("landing_sd_x_m", "sd_x_m"),
                ("landing_sd_y_m", "sd_y_m"),
                ("landing_cov_xy_m2", "cov_xy_m2"),
            )
        ),
        # A bounce belongs to the last serve that began before it.
        "UPDATE bounce SET serve_id = (SELECT serve.serve_id FROM serve "
        "WHERE serve.analysis_id = bounce.analysis_id AND serve.t_start_s <= bounce.time_s "
        "ORDER BY serve.t_start_s DESC LIMIT 1)",
    )
    schema.written_file.create(connection)
    schema.forgotten.create(connection)
    for student_id in connection.execute(text("SELECT student_id FROM student")).scalars().all():
        connection.execute(
            text("UPDATE student SET uid = :uid WHERE student_id = :student_id"),
            {"uid": uuid.uuid4().hex, "student_id": student_id},
        )


def _to_version_4(connection: Connection) -> None:
    _run(connection, "ALTER TABLE serve ADD COLUMN flags VARCHAR DEFAULT '' NOT NULL")


def _to_version_5(connection: Connection) -> None:
    _run(
        connection,
        "ALTER TABLE correction ADD COLUMN bounce_id INTEGER "
        "REFERENCES bounce (bounce_id) ON DELETE CASCADE",
        "CREATE INDEX ix_correction_bounce ON correction (bounce_id)",
    )


_STEPS: dict[int, Callable[[Connection], None]] = {
    2: _to_version_2,
    3: _to_version_3,
    4: _to_version_4,
    5: _to_version_5,
}
