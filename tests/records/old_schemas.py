"""The tables of versions 1 to 3 as they were, and rows in them; never to be changed."""

from __future__ import annotations

_COMMON_1 = """
CREATE TABLE schema_version (version INTEGER NOT NULL PRIMARY KEY,
  applied_at VARCHAR DEFAULT '' NOT NULL); CREATE TABLE class_group (
  group_id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
  name VARCHAR NOT NULL UNIQUE); CREATE TABLE membership (
  group_id INTEGER NOT NULL REFERENCES class_group (group_id) ON DELETE CASCADE,
  student_id INTEGER NOT NULL REFERENCES student (student_id) ON DELETE CASCADE,
  PRIMARY KEY (group_id, student_id));
CREATE INDEX ix_membership_student ON membership (student_id);
CREATE TABLE drill (
  drill_id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
  group_id INTEGER REFERENCES class_group (group_id) ON DELETE SET NULL,
  clip VARCHAR DEFAULT '' NOT NULL, clip_path VARCHAR DEFAULT '' NOT NULL,
  clip_sha256 VARCHAR NOT NULL UNIQUE, duration_s FLOAT, width INTEGER, height INTEGER, fps FLOAT,
  filmed_on VARCHAR DEFAULT '' NOT NULL, place VARCHAR DEFAULT '' NOT NULL,
  asked VARCHAR DEFAULT '' NOT NULL, keep_until VARCHAR DEFAULT '' NOT NULL,
  added_at VARCHAR DEFAULT '' NOT NULL);
CREATE INDEX ix_drill_group ON drill (group_id);
CREATE TABLE analysis (
  analysis_id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
  drill_id INTEGER NOT NULL REFERENCES drill (drill_id) ON DELETE CASCADE,
  version VARCHAR DEFAULT '' NOT NULL, settings_hash VARCHAR DEFAULT '' NOT NULL,
  settings VARCHAR DEFAULT '' NOT NULL, calibration VARCHAR DEFAULT '' NOT NULL,
  calibration_summary VARCHAR DEFAULT '' NOT NULL, timings VARCHAR DEFAULT '' NOT NULL,
  results_path VARCHAR DEFAULT '' NOT NULL, imported_at VARCHAR DEFAULT '' NOT NULL,
  current INTEGER DEFAULT '1' NOT NULL,
  CONSTRAINT uq_analysis UNIQUE (drill_id, version, settings_hash));
CREATE TABLE turn (
  turn_id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
  drill_id INTEGER NOT NULL REFERENCES drill (drill_id) ON DELETE CASCADE,
  student_id INTEGER NOT NULL REFERENCES student (student_id) ON DELETE CASCADE,
  position INTEGER NOT NULL, listed INTEGER, t_from_s FLOAT, t_to_s FLOAT,
  target_depth VARCHAR DEFAULT '' NOT NULL, target_side VARCHAR DEFAULT '' NOT NULL,
  target_landing VARCHAR DEFAULT '' NOT NULL, stroke VARCHAR DEFAULT '' NOT NULL,
  tags VARCHAR DEFAULT '' NOT NULL);
CREATE INDEX ix_turn_drill ON turn (drill_id);
CREATE INDEX ix_turn_student ON turn (student_id);
CREATE TABLE bounce (
  bounce_id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
  analysis_id INTEGER NOT NULL REFERENCES analysis (analysis_id) ON DELETE CASCADE,
  time_s FLOAT, x_m FLOAT, y_m FLOAT, sd_x_m FLOAT, sd_y_m FLOAT, cov_xy_m2 FLOAT,
  half VARCHAR DEFAULT '' NOT NULL, kind VARCHAR DEFAULT '' NOT NULL, probability FLOAT);
CREATE INDEX ix_bounce_analysis ON bounce (analysis_id);
CREATE TABLE note (
  note_id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
  student_id INTEGER REFERENCES student (student_id) ON DELETE SET NULL,
  drill_id INTEGER REFERENCES drill (drill_id) ON DELETE SET NULL,
  text VARCHAR DEFAULT '' NOT NULL, who VARCHAR DEFAULT '' NOT NULL,
  made_at VARCHAR DEFAULT '' NOT NULL);
CREATE INDEX ix_note_student ON note (student_id);
"""

_SERVE = """
CREATE TABLE serve (
  serve_id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
  analysis_id INTEGER NOT NULL REFERENCES analysis (analysis_id) ON DELETE CASCADE,
  turn_id INTEGER REFERENCES turn (turn_id) ON DELETE SET NULL,
  number INTEGER NOT NULL, origin VARCHAR DEFAULT '' NOT NULL, {revision}
  t_start_s FLOAT, server_end INTEGER, outcome VARCHAR DEFAULT '' NOT NULL,
  depth VARCHAR DEFAULT '' NOT NULL, depth_probability FLOAT,
  side VARCHAR DEFAULT '' NOT NULL, side_probability FLOAT,
  landing_x_m FLOAT, landing_y_m FLOAT, pace_m_s FLOAT, second_bounce_x_m FLOAT,
  second_bounce_sd_m FLOAT);
CREATE INDEX ix_serve_analysis ON serve (analysis_id, number);
CREATE INDEX ix_serve_turn ON serve (turn_id);
"""

_CORRECTION = """
CREATE TABLE correction (
  correction_id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
  serve_id INTEGER NOT NULL REFERENCES serve (serve_id) ON DELETE CASCADE,
  field VARCHAR DEFAULT '' NOT NULL, machine_value VARCHAR DEFAULT '' NOT NULL,
  old_value VARCHAR DEFAULT '' NOT NULL, new_value VARCHAR DEFAULT '' NOT NULL,
  who VARCHAR DEFAULT '' NOT NULL, made_at VARCHAR DEFAULT '' NOT NULL,
  why VARCHAR DEFAULT '' NOT NULL{more});
CREATE INDEX ix_correction_serve ON correction (serve_id);
"""

VERSION_1 = (
    """
CREATE TABLE student (
  student_id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, code VARCHAR NOT NULL UNIQUE,
  hand VARCHAR DEFAULT '' NOT NULL, added_at VARCHAR DEFAULT '' NOT NULL,
  name VARCHAR DEFAULT '' NOT NULL);
"""
    + _COMMON_1
    + _SERVE.format(revision="")
    + _CORRECTION.format(more="")
    + "INSERT INTO schema_version VALUES (1, '2026-01-01');"
)

VERSION_2 = (
    """
CREATE TABLE student (
  student_id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, code VARCHAR NOT NULL UNIQUE,
  hand VARCHAR DEFAULT '' NOT NULL, added_at VARCHAR DEFAULT '' NOT NULL);
CREATE TABLE student_name (
  student_id INTEGER NOT NULL PRIMARY KEY REFERENCES student (student_id) ON DELETE CASCADE,
  name VARCHAR DEFAULT '' NOT NULL);
"""
    + _COMMON_1
    + _SERVE.format(revision="revision INTEGER DEFAULT '0' NOT NULL,")
    + _CORRECTION.format(
        more=", batch INTEGER DEFAULT '0' NOT NULL, undone_at VARCHAR DEFAULT '' NOT NULL,"
        " undone_by VARCHAR DEFAULT '' NOT NULL, carried_from INTEGER"
    )
    + "INSERT INTO schema_version VALUES (2, '2026-02-01');"
)

_ROWS = """
INSERT INTO class_group VALUES (1, '9X');
INSERT INTO membership VALUES (1, 1);
INSERT INTO drill (drill_id, group_id, clip, clip_sha256, duration_s) VALUES (1, 1, 'c', 'abc',
60.0); INSERT INTO analysis (analysis_id, drill_id, version, settings_hash) VALUES (1, 1, '0.0.1',
'h'); INSERT INTO turn (turn_id, drill_id, student_id, position, listed) VALUES (1, 1, 1, 1, 2);
INSERT INTO serve (serve_id, analysis_id, turn_id, number, origin, t_start_s, server_end, outcome,
  side, landing_x_m, landing_y_m) VALUES
  (1, 1, 1, 1, 'machine', 2.0, -1, 'good', 'left', 0.5, 0.4),
  (2, 1, 1, 2, 'machine', 7.0, -1, 'good', 'left', 0.6, 0.4);
INSERT INTO bounce (bounce_id, analysis_id, time_s, x_m, y_m, sd_x_m, sd_y_m, cov_xy_m2, kind)
  VALUES (1, 1, 1.0, -0.9, 0.1, 0.01, 0.01, 0.0, 'idle'),
  (2, 1, 2.5, 0.5, 0.4, 0.008, 0.004, 1e-5, 'serve'),
  (3, 1, 7.5, 0.6, 0.4, 0.009, 0.005, 2e-5, 'serve');
INSERT INTO note VALUES (1, 1, NULL, 'a note', 'LM', '2026-01-02');
"""

ROWS_1 = (
    "INSERT INTO student VALUES (1, 'AB', 'left', '2026-01-01', 'An Invented Name'),"
    " (2, 'CD', '', '2026-01-01', '');"
    + _ROWS
    + "INSERT INTO correction VALUES (1, 1, 'outcome', '\"good\"', '\"good\"', '\"let\"', 'LM',"
    " '2026-01-02', '');"
)

ROWS_2 = (
    "INSERT INTO student VALUES (1, 'AB', 'left', '2026-01-01'), (2, 'CD', '', '2026-01-01');"
    "INSERT INTO student_name VALUES (1, 'An Invented Name');"
    + _ROWS
    + "INSERT INTO correction VALUES (1, 1, 'outcome', '\"good\"', '\"good\"', '\"let\"', 'LM',"
    " '2026-01-02', '', 1, '', '', NULL); UPDATE serve SET revision = 1 WHERE serve_id = 1;"
)

VERSION_3 = (
    """
CREATE TABLE schema_version (
version INTEGER NOT NULL,
applied_at VARCHAR DEFAULT '' NOT NULL,
PRIMARY KEY (version)
);
CREATE TABLE student (
student_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
code VARCHAR NOT NULL,
hand VARCHAR DEFAULT '' NOT NULL,
added_at VARCHAR DEFAULT '' NOT NULL,
uid VARCHAR DEFAULT '' NOT NULL,
UNIQUE (code)
);
CREATE TABLE class_group (
group_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
name VARCHAR NOT NULL,
UNIQUE (name)
);
CREATE TABLE written_file (
file_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
path VARCHAR DEFAULT '' NOT NULL,
kind VARCHAR DEFAULT '' NOT NULL,
student_uid VARCHAR DEFAULT '' NOT NULL,
made_at VARCHAR DEFAULT '' NOT NULL
);
CREATE TABLE forgotten (
uid VARCHAR NOT NULL,
forgotten_on VARCHAR DEFAULT '' NOT NULL,
PRIMARY KEY (uid)
);
CREATE TABLE student_name (
student_id INTEGER NOT NULL,
name VARCHAR DEFAULT '' NOT NULL,
PRIMARY KEY (student_id),
FOREIGN KEY(student_id) REFERENCES student (student_id) ON DELETE CASCADE
);
CREATE TABLE membership (
group_id INTEGER NOT NULL,
student_id INTEGER NOT NULL,
PRIMARY KEY (group_id, student_id),
FOREIGN KEY(group_id) REFERENCES class_group (group_id) ON DELETE CASCADE,
FOREIGN KEY(student_id) REFERENCES student (student_id) ON DELETE CASCADE
);
CREATE INDEX ix_membership_student ON membership (student_id);
CREATE TABLE drill (
drill_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
group_id INTEGER,
clip VARCHAR DEFAULT '' NOT NULL,
clip_path VARCHAR DEFAULT '' NOT NULL,
clip_sha256 VARCHAR NOT NULL,
duration_s FLOAT,
width INTEGER,
height INTEGER,
fps FLOAT,
filmed_on VARCHAR DEFAULT '' NOT NULL,
place VARCHAR DEFAULT '' NOT NULL,
asked VARCHAR DEFAULT '' NOT NULL,
keep_until VARCHAR DEFAULT '' NOT NULL,
added_at VARCHAR DEFAULT '' NOT NULL,
FOREIGN KEY(group_id) REFERENCES class_group (group_id) ON DELETE SET NULL,
UNIQUE (clip_sha256)
);
CREATE INDEX ix_drill_group ON drill (group_id);
CREATE TABLE analysis (
analysis_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
drill_id INTEGER NOT NULL,
version VARCHAR DEFAULT '' NOT NULL,
settings_hash VARCHAR DEFAULT '' NOT NULL,
settings VARCHAR DEFAULT '' NOT NULL,
calibration VARCHAR DEFAULT '' NOT NULL,
calibration_summary VARCHAR DEFAULT '' NOT NULL,
timings VARCHAR DEFAULT '' NOT NULL,
results_path VARCHAR DEFAULT '' NOT NULL,
imported_at VARCHAR DEFAULT '' NOT NULL,
current INTEGER DEFAULT '1' NOT NULL,
CONSTRAINT uq_analysis UNIQUE (drill_id, version, settings_hash),
FOREIGN KEY(drill_id) REFERENCES drill (drill_id) ON DELETE CASCADE
);
CREATE TABLE turn (
turn_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
drill_id INTEGER NOT NULL,
student_id INTEGER NOT NULL,
position INTEGER NOT NULL,
listed INTEGER,
t_from_s FLOAT,
t_to_s FLOAT,
target_depth VARCHAR DEFAULT '' NOT NULL,
target_side VARCHAR DEFAULT '' NOT NULL,
target_landing VARCHAR DEFAULT '' NOT NULL,
stroke VARCHAR DEFAULT '' NOT NULL,
tags VARCHAR DEFAULT '' NOT NULL,
FOREIGN KEY(drill_id) REFERENCES drill (drill_id) ON DELETE CASCADE,
FOREIGN KEY(student_id) REFERENCES student (student_id) ON DELETE CASCADE
);
CREATE INDEX ix_turn_drill ON turn (drill_id);
CREATE INDEX ix_turn_student ON turn (student_id);
CREATE TABLE note (
note_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
student_id INTEGER,
drill_id INTEGER,
text VARCHAR DEFAULT '' NOT NULL,
who VARCHAR DEFAULT '' NOT NULL,
made_at VARCHAR DEFAULT '' NOT NULL,
FOREIGN KEY(student_id) REFERENCES student (student_id) ON DELETE SET NULL,
FOREIGN KEY(drill_id) REFERENCES drill (drill_id) ON DELETE SET NULL
);
CREATE INDEX ix_note_student ON note (student_id);
CREATE TABLE serve (
serve_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
analysis_id INTEGER NOT NULL,
turn_id INTEGER,
number INTEGER NOT NULL,
origin VARCHAR DEFAULT '' NOT NULL,
revision INTEGER DEFAULT '0' NOT NULL,
t_start_s FLOAT,
server_end INTEGER,
outcome VARCHAR DEFAULT '' NOT NULL,
outcome_probability FLOAT,
depth VARCHAR DEFAULT '' NOT NULL,
depth_probability FLOAT,
side VARCHAR DEFAULT '' NOT NULL,
side_probability FLOAT,
landing_x_m FLOAT,
landing_y_m FLOAT,
landing_time_s FLOAT,
landing_sd_x_m FLOAT,
landing_sd_y_m FLOAT,
landing_cov_xy_m2 FLOAT,
pace_m_s FLOAT,
pace_sd_m_s FLOAT,
toss_rise_m FLOAT,
toss_rise_sd_m FLOAT,
net_clearance_m FLOAT,
second_bounce_x_m FLOAT,
second_bounce_y_m FLOAT,
second_bounce_sd_m FLOAT,
topspin_rad_s FLOAT,
topspin_lo FLOAT,
topspin_hi FLOAT,
sidespin_rad_s FLOAT,
sidespin_lo FLOAT,
sidespin_hi FLOAT,
FOREIGN KEY(analysis_id) REFERENCES analysis (analysis_id) ON DELETE CASCADE,
FOREIGN KEY(turn_id) REFERENCES turn (turn_id) ON DELETE SET NULL
);
CREATE INDEX ix_serve_turn ON serve (turn_id);
CREATE INDEX ix_serve_analysis ON serve (analysis_id, number);
CREATE TABLE bounce (
bounce_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
analysis_id INTEGER NOT NULL,
serve_id INTEGER,
time_s FLOAT,
x_m FLOAT,
y_m FLOAT,
sd_x_m FLOAT,
sd_y_m FLOAT,
cov_xy_m2 FLOAT,
half VARCHAR DEFAULT '' NOT NULL,
kind VARCHAR DEFAULT '' NOT NULL,
probability FLOAT,
FOREIGN KEY(analysis_id) REFERENCES analysis (analysis_id) ON DELETE CASCADE,
FOREIGN KEY(serve_id) REFERENCES serve (serve_id) ON DELETE SET NULL
);
CREATE INDEX ix_bounce_analysis ON bounce (analysis_id);
CREATE INDEX ix_bounce_serve ON bounce (serve_id);
CREATE TABLE correction (
correction_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
serve_id INTEGER NOT NULL,
field VARCHAR DEFAULT '' NOT NULL,
machine_value VARCHAR DEFAULT '' NOT NULL,
old_value VARCHAR DEFAULT '' NOT NULL,
new_value VARCHAR DEFAULT '' NOT NULL,
who VARCHAR DEFAULT '' NOT NULL,
made_at VARCHAR DEFAULT '' NOT NULL,
why VARCHAR DEFAULT '' NOT NULL,
batch INTEGER DEFAULT '0' NOT NULL,
undone_at VARCHAR DEFAULT '' NOT NULL,
undone_by VARCHAR DEFAULT '' NOT NULL,
carried_from INTEGER,
FOREIGN KEY(serve_id) REFERENCES serve (serve_id) ON DELETE CASCADE
);
CREATE INDEX ix_correction_serve ON correction (serve_id);
"""
    + "INSERT INTO schema_version VALUES (3, '2026-03-01');"
)

ROWS_3 = (
    "INSERT INTO student VALUES (1, 'AB', 'left', '2026-01-01', 'a' || hex(randomblob(16))),"
    " (2, 'CD', '', '2026-01-01', 'b' || hex(randomblob(16)));"
    "INSERT INTO student_name VALUES (1, 'An Invented Name');"
    + _ROWS
    + "INSERT INTO correction (correction_id, serve_id, field, machine_value, old_value, new_value,"
    " who, made_at, batch) VALUES (1, 1, 'outcome', '\"good\"', '\"good\"', '\"let\"', 'LM',"
    " '2026-01-02', 1); UPDATE serve SET revision = 1 WHERE serve_id = 1;"
    "UPDATE serve SET landing_sd_x_m = 0.008, landing_time_s = 2.5 WHERE serve_id = 1;"
    "UPDATE serve SET landing_sd_x_m = 0.009, landing_time_s = 7.5 WHERE serve_id = 2;"
    "UPDATE bounce SET serve_id = bounce_id - 1 WHERE bounce_id > 1;"
)

VERSION_4 = VERSION_3.replace(
    "sidespin_hi FLOAT,\n", "sidespin_hi FLOAT,\nflags VARCHAR DEFAULT '' NOT NULL,\n"
).replace("VALUES (3, '2026-03-01')", "VALUES (4, '2026-04-01')")

ROWS_4 = ROWS_3
