"""One serve in words, for pictures and for the terminal. A figure never stands without its ±."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from calibration import table
from placement.analysis import Serve

LAW_RISE_M = 0.16  # Law 2.6.2: the ball rises at least 16 cm after leaving the hand
_SD_95 = 1.96

_FLAGS = {
    "close-call-side": "side is a close call",
    "close-call-depth": "depth is a close call",
    "predicted-second-bounce": "second bounce predicted",
    "plane-only": "measured in the table's plane only",
    "first-bounce-hidden": "first bounce hidden, inferred from the flight",
    "toss-hidden": "toss hidden",
    "cut-off": "cut off by the clip's start or end, not counted",
}


def clock(time_s: float) -> str:
    """Minutes, seconds and hundredths, such as 1:07.50."""
    hundredths = round(max(0.0, time_s) * 100)
    minutes, rest = divmod(hundredths, 6000)
    return f"{minutes}:{rest // 100:02d}.{rest % 100:02d}"


def name_serve(serve: Serve) -> str:
    """Number, moment, outcome, depth and side of a serve, each class with its probability."""
    words = f"Serve {serve.number}, {clock(serve.t_start_s)}: {serve.outcome}"
    words += _chance(serve.outcome_probability)
    for field in ("depth", "side"):
        value = getattr(serve, field)
        if value:
            chance = _chance(getattr(serve, f"{field}_probability"))
            close = ", close call" if f"close-call-{field}" in serve.flags else ""
            words += f", {value}{chance[:-1] + close + ')' if chance else ''}"
    return words


def describe_serve(serve: Serve) -> str:
    """Pace, rise of the toss, clearance, second bounce and spin, as far as they were measured."""
    parts = []
    if np.isfinite(serve.pace_m_s):
        parts.append(f"pace {serve.pace_m_s:.1f}{_give(serve.pace_sd_m_s, 1)} m/s")
    if np.isfinite(serve.toss_rise_m):
        rise = f"rise {serve.toss_rise_m * 100:.0f}{_give(serve.toss_rise_sd_m * 100, 0)} cm"
        parts.append(rise + ("; the law asks 16" if serve.toss_rise_m < LAW_RISE_M else ""))
    if np.isfinite(serve.net_clearance_m):
        parts.append(f"{serve.net_clearance_m * 100:.0f} cm over the net")
    if np.isfinite(serve.second_bounce[0]):
        past = -serve.server_end * float(serve.second_bounce[0]) - table.HALF_LENGTH
        sd = float(np.sqrt(serve.second_bounce_covariance[0, 0]))
        where = "beyond" if past > 0 else "before"
        parts.append(
            f"second bounce {abs(past) * 100:.0f}{_give(sd * 100, 0)} cm {where} the end line"
            + ("" if serve.second_bounce_seen else ", predicted")
        )
    parts += _spin(serve)
    return "   ".join(parts)


def flag_words(flags: Iterable[str]) -> str:
    """What was out of the ordinary with a serve, in words; close calls stand with their class."""
    named = [f for f in sorted(flags) if not f.startswith("close-call")]
    return "; ".join(_FLAGS.get(f, f.replace("-", " ")) for f in named)


def _spin(serve: Serve) -> list[str]:
    parts = []
    turn = 2 * np.pi
    for value, low, high, plus, minus in (
        (serve.topspin_rad_s, serve.topspin_lo, serve.topspin_hi, "topspin", "backspin"),
        (serve.sidespin_rad_s, serve.sidespin_lo, serve.sidespin_hi, "sidespin", "sidespin"),
    ):
        if np.isfinite([value, low, high]).all():
            ends = (
                sorted((low / turn, high / turn))
                if value >= 0
                else sorted((-high / turn, -low / turn))
            )
            name = plus if value >= 0 else minus
            parts.append(
                f"{name} {abs(value) / turn:.0f} ({ends[0]:.0f} to {ends[1]:.0f}) turns a second"
            )
    return parts or ["spin not measurable from this view"]


def _chance(probability: float) -> str:
    return f" ({probability:.0%})" if np.isfinite(probability) else ""


def _give(sd: float, digits: int) -> str:
    return f" ± {_SD_95 * sd:.{digits}f}" if np.isfinite(sd) else ""
