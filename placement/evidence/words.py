"""Sentences that stand on every page: what it is, what it does not show, and the cautions."""

from __future__ import annotations

STANDING = (
    "This page supports the teacher's judgement; it is not a mark and not part of any awarding "
    "body's scheme."
)

NOT_SHOWN: tuple[str, ...] = (
    "Rallying, returning serve, footwork and the stroke that follows the serve.",
    "Decisions: what to serve, when, and to whom.",
    "Play under pressure or against an opponent who resists.",
    "Disguise; spin only as far as the view of the film supports it.",
    "Whether the toss and the stroke were legal: that is for the umpire or the teacher.",
)

CAUTIONS: tuple[str, ...] = (
    "The figures describe these drills on these days; the teacher decides what they mean.",
    "Where two ends are given, the true value likely lies between them: of twenty such ranges "
    "about one misses it (95%).",
    "Where two students' ranges overlap, the figures do not tell them apart; no rank is given.",
    "The school's own policy on filming pupils and the assessing body's rules come first.",
    "Delete the films by the date the school has set.",
)

HOW_COUNTED = (
    "All serves filmed are counted, none was picked out. Attempts are good serves and faults; lets "
    "are served again and do not count; serves whose outcome is unclear are left out and their "
    "number is given."
)

DEMO = "Invented demonstration data: no such student exists and there is no film."
