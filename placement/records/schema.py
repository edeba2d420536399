"""The tables of the records, with the meaning and unit of every column.

The comment of a column is its entry in the data dictionary that goes with every export. Lengths are
in m, times in s from the first frame of the clip, table coordinates as in `calibration.table`.
Moments are ISO 8601 in UTC, days are YYYY-MM-DD. Text is never NULL: an empty text says "not
given". A number that is not known is NULL.

A change here needs a new version number and a step in `migrations`.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    UniqueConstraint,
)

VERSION = 5

metadata = MetaData()


def _text(name: str, comment: str) -> Column[Any]:
    return Column(name, String, nullable=False, server_default="", comment=comment)


def _real(name: str, comment: str) -> Column[Any]:
    return Column(name, Float, comment=comment)


def _key(name: str, comment: str) -> Column[Any]:
    return Column(name, Integer, primary_key=True, comment=comment)


def _to(name: str, target: str, comment: str, *, delete: str = "CASCADE") -> Column[Any]:
    nullable = delete == "SET NULL"
    return Column(
        name, Integer, ForeignKey(target, ondelete=delete), nullable=nullable, comment=comment
    )


schema_version = Table(
    "schema_version",
    metadata,
    Column("version", Integer, primary_key=True, autoincrement=False, comment="number of the step"),
    _text("applied_at", "moment the step was applied"),
)

student = Table(
    "student",
    metadata,
    _key("student_id", "key"),
    Column("code", String, nullable=False, unique=True, comment="initials or candidate number"),
    _text("hand", "playing hand: right, left or empty"),
    _text("added_at", "moment the student was added"),
    _text("uid", "random mark, so that a forgotten student does not return with a backup"),
    sqlite_autoincrement=True,
)

student_name = Table(
    "student_name",
    metadata,
    Column(
        "student_id",
        Integer,
        ForeignKey("student.student_id", ondelete="CASCADE"),
        primary_key=True,
        autoincrement=False,
        comment="whose name",
    ),
    _text("name", "name, only if the school wants it kept; never printed or exported unasked"),
)

class_group = Table(
    "class_group",
    metadata,
    _key("group_id", "key"),
    Column("name", String, nullable=False, unique=True, comment="name of the group"),
    sqlite_autoincrement=True,
)

membership = Table(
    "membership",
    metadata,
    Column(
        "group_id",
        Integer,
        ForeignKey("class_group.group_id", ondelete="CASCADE"),
        primary_key=True,
        autoincrement=False,
        comment="group",
    ),
    Column(
        "student_id",
        Integer,
        ForeignKey("student.student_id", ondelete="CASCADE"),
        primary_key=True,
        autoincrement=False,
        comment="student in it",
    ),
    Index("ix_membership_student", "student_id"),
)

drill = Table(
    "drill",
    metadata,
    _key("drill_id", "key"),
    _to("group_id", "class_group.group_id", "group that was filmed", delete="SET NULL"),
    _text("clip", "stem of the clip's file name"),
    _text("clip_path", "where the clip was when it was analysed or last located"),
    Column("clip_sha256", String, nullable=False, unique=True, comment="SHA-256 of the clip"),
    _real("duration_s", "length of the clip, s"),
    Column("width", Integer, comment="width of a frame, px"),
    Column("height", Integer, comment="height of a frame, px"),
    _real("fps", "mean frame rate, frames per s"),
    _text("filmed_on", "day of filming"),
    _text("place", "where it was filmed"),
    _text("asked", "what the students were asked to do"),
    _text("keep_until", "last day the record may be kept; empty: not set"),
    _text("added_at", "moment the drill was first brought in"),
    Index("ix_drill_group", "group_id"),
    sqlite_autoincrement=True,
)

analysis = Table(
    "analysis",
    metadata,
    _key("analysis_id", "key"),
    _to("drill_id", "drill.drill_id", "filmed drill"),
    _text("version", "version of this tool that made it"),
    _text("settings_hash", "SHA-256 of the settings and of the results"),
    _text("settings", "settings, JSON"),
    _text("calibration", "calibration, JSON as written by the analysis"),
    _text("calibration_summary", "quality of the calibration, JSON"),
    _text("timings", "time taken by each stage, JSON"),
    _text("results_path", "folder the results were read from"),
    _text("imported_at", "moment it was brought in"),
    Column(
        "current",
        Integer,
        nullable=False,
        server_default="1",
        comment="1 for the analysis in use, 0 for an earlier one that is kept",
    ),
    UniqueConstraint("drill_id", "version", "settings_hash", name="uq_analysis"),
    sqlite_autoincrement=True,
)

turn = Table(
    "turn",
    metadata,
    _key("turn_id", "key"),
    _to("drill_id", "drill.drill_id", "filmed drill"),
    _to("student_id", "student.student_id", "who served"),
    Column("position", Integer, nullable=False, comment="order in the turn list, from 1"),
    Column("listed", Integer, comment="number of serves in the list; NULL: not said"),
    _real("t_from_s", "first moment of the turn, s"),
    _real("t_to_s", "end of the turn, s"),
    _text("target_depth", "called depth: short, half-long, long or empty"),
    _text("target_side", "called side as the server sees it: left, middle, right or empty"),
    _text("target_landing", "called landing third: near net, middle, end or empty"),
    _text("stroke", "forehand, backhand or empty"),
    _text("tags", "declared serve types, separated by spaces"),
    Index("ix_turn_drill", "drill_id"),
    Index("ix_turn_student", "student_id"),
    sqlite_autoincrement=True,
)

serve = Table(
    "serve",
    metadata,
    _key("serve_id", "key"),
    _to("analysis_id", "analysis.analysis_id", "analysis that found it"),
    _to("turn_id", "turn.turn_id", "turn it belongs to; NULL: nobody yet", delete="SET NULL"),
    Column("number", Integer, nullable=False, comment="number of the serve in the clip, from 1"),
    _text("origin", "machine, or person for a serve added by hand"),
    Column(
        "revision",
        Integer,
        nullable=False,
        server_default="0",
        comment="number of changes made by hand so far",
    ),
    _real("t_start_s", "moment of the bat contact, s"),
    Column("server_end", Integer, comment="end of the server: -1 or +1 along x"),
    _text("outcome", "good, let, net, missed, own-twice or unclear"),
    _real("outcome_probability", "probability of the outcome"),
    _text("depth", "short, half-long or long, by the second bounce"),
    _real("depth_probability", "probability of the depth"),
    _text("side", "left, middle or right third as the server sees it"),
    _real("side_probability", "probability of the side"),
    _real("landing_x_m", "first bounce on the receiver's half, along the table, m"),
    _real("landing_y_m", "the same across the table, m"),
    _real("landing_time_s", "moment of that bounce, s"),
    _real("landing_sd_x_m", "its standard deviation along the table, m"),
    _real("landing_sd_y_m", "the same across, m"),
    _real("landing_cov_xy_m2", "its covariance, m2"),
    _real("pace_m_s", "speed just after the bat, m/s"),
    _real("pace_sd_m_s", "its standard deviation, m/s"),
    _real("toss_rise_m", "rise of the ball from the hand, m"),
    _real("toss_rise_sd_m", "its standard deviation, m"),
    _real("net_clearance_m", "height of the ball's centre over the net's top as it crosses, m"),
    _real("second_bounce_x_m", "second bounce on the receiver's half, seen or predicted, m"),
    _real("second_bounce_y_m", "the same across, m"),
    _real("second_bounce_sd_m", "standard deviation of second_bounce_x_m, m"),
    _real("topspin_rad_s", "topspin positive, backspin negative, rad/s; NULL: not measurable"),
    _real("topspin_lo", "lower end of its 95 % interval, rad/s"),
    _real("topspin_hi", "upper end, rad/s"),
    _real("sidespin_rad_s", "spin about the vertical, positive anticlockwise from above, rad/s"),
    _real("sidespin_lo", "lower end of its 95 % interval, rad/s"),
    _real("sidespin_hi", "upper end, rad/s"),
    _text("flags", "doubts of the analysis, such as predicted or near-edge, separated by spaces"),
    Index("ix_serve_analysis", "analysis_id", "number"),
    Index("ix_serve_turn", "turn_id"),
    sqlite_autoincrement=True,
)

bounce = Table(
    "bounce",
    metadata,
    _key("bounce_id", "key"),
    _to("analysis_id", "analysis.analysis_id", "analysis that found it"),
    _to("serve_id", "serve.serve_id", "serve during which it happened", delete="SET NULL"),
    _real("time_s", "moment, s"),
    _real("x_m", "place along the table, m"),
    _real("y_m", "place across the table, m"),
    _real("sd_x_m", "standard deviation along, m"),
    _real("sd_y_m", "standard deviation across, m"),
    _real("cov_xy_m2", "covariance, m2"),
    _text("half", "half of the table, as written by the analysis"),
    _text("kind", "serve, return, idle or other"),
    _real("probability", "probability that it is a bounce of that kind"),
    Index("ix_bounce_analysis", "analysis_id"),
    Index("ix_bounce_serve", "serve_id"),
    sqlite_autoincrement=True,
)

correction = Table(
    "correction",
    metadata,
    _key("correction_id", "key"),
    _to("serve_id", "serve.serve_id", "serve that was corrected"),
    _text(
        "field",
        "column of serve, `removed`, `added` or `checked`, or bounce_x_m or bounce_y_m of a bounce",
    ),
    _text("machine_value", "the machine's answer, JSON"),
    _text("old_value", "what was shown before this correction, JSON"),
    _text("new_value", "what the person says, JSON"),
    _text("who", "who corrected"),
    _text("made_at", "when"),
    _text("why", "reason given"),
    Column("batch", Integer, nullable=False, server_default="0", comment="changes made in one go"),
    _text("undone_at", "when it was taken back; empty: in force"),
    _text("undone_by", "who took it back"),
    Column(
        "carried_from", Integer, comment="correction of an earlier analysis it was carried from"
    ),
    Column(
        "bounce_id",
        Integer,
        ForeignKey("bounce.bounce_id", ondelete="CASCADE"),
        comment="bounce that was moved; NULL: the correction is of the serve itself",
    ),
    Index("ix_correction_serve", "serve_id"),
    Index("ix_correction_bounce", "bounce_id"),
    sqlite_autoincrement=True,
)

note = Table(
    "note",
    metadata,
    _key("note_id", "key"),
    _to("student_id", "student.student_id", "about whom; NULL: nobody", delete="SET NULL"),
    _to("drill_id", "drill.drill_id", "about which drill; NULL: none", delete="SET NULL"),
    _text("text", "the note"),
    _text("who", "who wrote it"),
    _text("made_at", "when"),
    Index("ix_note_student", "student_id"),
    sqlite_autoincrement=True,
)

written_file = Table(
    "written_file",
    metadata,
    _key("file_id", "key"),
    _text("path", "file or folder this tool wrote"),
    _text("kind", "backup, export, page or overview"),
    _text("student_uid", "mark of the student it is about; empty: several"),
    _text("made_at", "when"),
    sqlite_autoincrement=True,
)

forgotten = Table(
    "forgotten",
    metadata,
    Column("uid", String, primary_key=True, comment="random mark of a student who was forgotten"),
    _text("forgotten_on", "day"),
)

#: What a correction of a bounce's place is called, and the column of `bounce` it stands for.
BOUNCE_PLACE = {"bounce_x_m": "x_m", "bounce_y_m": "y_m"}

HANDS = ("", "right", "left")
OUTCOMES = ("good", "let", "net", "missed", "own-twice", "unclear")
DEPTHS = ("short", "half-long", "long")
SIDES = ("left", "middle", "right")
LANDINGS = ("near net", "middle", "end")
STROKES = ("forehand", "backhand")

#: Tables in the order in which rows can be put back without breaking a foreign key.
EXCHANGED: tuple[Table, ...] = (
    student,
    student_name,
    class_group,
    membership,
    drill,
    analysis,
    turn,
    serve,
    bounce,
    correction,
    note,
    forgotten,
)
