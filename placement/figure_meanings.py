"""What each figure says and what it does not, in words for the page."""

from __future__ import annotations

#: By the key of the figure in `figures.student_figures`.
MEANINGS: dict[str, str] = {
    "hit_rate": (
        "Share of attempts that were good and landed in the zone called beforehand. Faults "
        "count as not hit; lets are served again and do not count."
    ),
    "good_rate": (
        "Share of attempts that bounced on the server's half, cleared the net and bounced on "
        "the receiver's half. Whether the toss and the stroke were legal is not judged."
    ),
    "longest_run": (
        "Counted in the order served over the drills shown; a let neither adds to a run nor "
        "ends it. It grows with the number of serves: compare drills of one size only."
    ),
    "zones_used": ("Zones with at least one good serve; some may be there by accident."),
    "serve_types": ("As declared in the turn list; the film does not decide them."),
    "pace_spread": (
        "How much the pace differs from serve to serve; changes of pace made on purpose count "
        "too, so that more is not worse."
    ),
    "bias": (
        "How far the middle of the serves lies from the middle of the called zone; after ±, how "
        "far that may be wrong. Where it is clearly off, aiming differently helps; it says "
        "nothing about how widely the serves spread."
    ),
    "circular_error": (
        "Half of the serves land within this distance of the spot where the student usually "
        "serves when the target is called; small is steady. In brackets: the true figure likely "
        "lies between these. The measuring's own error has been taken out."
    ),
    "depth_control": (
        "How far the second bounce is from the usual one along the table, among serves called "
        "at one depth. Small is steady; where the receiver plays the ball first, the second "
        "bounce is worked out from the flight."
    ),
    "evenness": (
        "1 when the nine zones (depth by side) are served alike, 0 when it is always the same "
        "one; few serves are allowed for. It follows what was called as much as what the "
        "student can do."
    ),
    "pace": (
        "Speed of the ball just after the bat. Fast is not better: it depends on what was asked."
    ),
}
