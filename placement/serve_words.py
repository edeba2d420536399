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
    "landing-predicted": "landing not seen, predicted from the flight",
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
    """Pace, rise of the toss, clearance and second bounce, as far as they were measured."""
    parts = []
    if np.isfinite(serve.pace_m_s):
        parts.append(f"pace {_give(serve.pace_m_s, serve.pace_sd_m_s, 'm/s')}")
    if np.isfinite(serve.toss_rise_m):
        rise = f"rise {_give(serve.toss_rise_m * 100, serve.toss_rise_sd_m * 100, 'cm')}"
        below = round(serve.toss_rise_m, 2) < LAW_RISE_M
        parts.append(rise + ("; the law asks 16" if below else ""))
    if np.isfinite(serve.net_clearance_m):
        where = "over the net" if serve.net_clearance_m >= 0 else "below the net's top"
        parts.append(f"{abs(serve.net_clearance_m) * 100:.0f} cm {where}")
    if np.isfinite(serve.second_bounce[0]):
        past = -serve.server_end * float(serve.second_bounce[0]) - table.HALF_LENGTH
        sd = float(np.sqrt(serve.second_bounce_covariance[0, 0]))
        where = "beyond" if past > 0 else "before"
        seen = "" if serve.second_bounce_seen else ", predicted"
        place = _give(abs(past) * 100, sd * 100, "cm")
        parts.append(f"second bounce {place} {where} the end line{seen}")
    return "   ".join(parts)


def describe_spin(serve: Serve) -> str:
    """Spin with its 95 % interval in turns a second, or that this view does not show it."""
    parts = []
    turn = 2 * np.pi
    for value, low, high, plus, minus, more in (
        (serve.topspin_rad_s, serve.topspin_lo, serve.topspin_hi, "topspin", "backspin", ("", "")),
        (
            serve.sidespin_rad_s, serve.sidespin_lo, serve.sidespin_hi, "sidespin", "sidespin",
            (" counter-clockwise", " clockwise"),
        ),
    ):  # fmt: skip
        if np.isfinite([value, low, high]).all():
            sign = 1 if value >= 0 else -1
            ends = sorted((sign * low / turn, sign * high / turn))
            parts.append(
                f"{plus if sign > 0 else minus} {sign * value / turn:.0f} ({ends[0]:.0f} to "
                f"{ends[1]:.0f}) turns a second{more[sign < 0]}"
            )
    return "   ".join(parts) or "spin not measurable from this view"


def flag_words(flags: Iterable[str]) -> str:
    """What was out of the ordinary with a serve, in words; close calls stand with their class."""
    named = [f for f in sorted(flags) if not f.startswith("close-call")]
    return "; ".join(_FLAGS.get(f, f.replace("-", " ")) for f in named)


def _chance(probability: float) -> str:
    """A probability in words; nothing is certain."""
    if not np.isfinite(probability):
        return ""
    return f" ({probability:.0%})" if probability < 0.995 else " (over 99%)"


def _give(value: float, sd: float, unit: str) -> str:
    """A figure with its ±, to as many digits as that ± allows."""
    if not np.isfinite(sd):
        return f"{value:.1f} {unit}"
    digits = 0 if _SD_95 * sd >= 0.95 else 1
    return f"{value:.{digits}f} ± {max(_SD_95 * sd, 0.1):.{digits}f} {unit}"
