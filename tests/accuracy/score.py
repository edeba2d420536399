"""Compare the tables of one clip with its truth.

A reported bounce is matched to a true contact within 40 ms, one to one, nearest first. Wanted are
the contacts of serves and returns that are neither hidden nor minor; a report that matches no
contact at all is false. Which end is the negative one is a convention, so the better of the two
namings counts. Serves are matched by their start.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
import pandas as pd

from calibration import Camera, table

WANTED = ("serve", "return")
NEAR_S = 0.040
CHI2_95 = 5.991464547107979  # chi-squared with 2 degrees of freedom
BAND_M = 0.15
BAND_EDGE_M = 0.05  # depth is not asked of a serve so near the edge of the band
OUTCOMES = {"fault-net": "net", "fault-missed": "missed", "fault-own-side-twice": "own-twice"}

Truth = dict[str, Any]


@dataclass(slots=True)
class Score:
    """Counts and single errors of one clip, or of several added up."""

    wanted: int = 0
    found: int = 0
    reported: int = 0
    false: int = 0
    error_m: list[float] = field(default_factory=list)
    error_px: list[float] = field(default_factory=list)
    bound_m: list[float] = field(default_factory=list)  # median error that the bound allows
    bounded_m: list[float] = field(default_factory=list)  # errors of those same bounces
    inside: list[bool] = field(default_factory=list)
    serves: int = 0
    serves_found: int = 0
    serves_reported: int = 0
    outcome: list[bool] = field(default_factory=list)
    depth: list[bool] = field(default_factory=list)
    side: list[bool] = field(default_factory=list)
    side_close: list[bool] = field(default_factory=list)
    second_m: list[float] = field(default_factory=list)
    pace: list[float] = field(default_factory=list)
    toss_m: list[float] = field(default_factory=list)
    spin_inside: list[bool] = field(default_factory=list)
    corners_px: list[float] = field(default_factory=list)
    median_px: list[float] = field(default_factory=list)  # one a clip
    seconds: float = 0.0
    decode_seconds: float = 0.0
    notes: list[str] = field(default_factory=list)

    def add(self, other: Score) -> None:
        """Add the counts and errors of another clip."""
        for f in fields(self):
            setattr(self, f.name, getattr(self, f.name) + getattr(other, f.name))


def score_clip(
    truth: Truth,
    bounces: pd.DataFrame,
    serves: pd.DataFrame,
    corners_px: np.ndarray | None,
    *,
    bounds: dict[int, np.ndarray] | None = None,
) -> Score:
    """Score the tables of one clip in the better of the two namings of the ends.

    Parameters
    ----------
    truth : dict
        As `tests.scene` writes it.
    bounces, serves : DataFrame
        With the columns of bounces.csv and serves.csv.
    corners_px : ndarray, shape (4, 2), or None
    bounds : dict of int to ndarray, shape (2, 2), optional
        Least possible covariance, m^2, of true bounces by their place in the truth.
    """
    tries = [_score(truth, bounces, serves, turn, bounds or {}) for turn in (1.0, -1.0)]
    best = min(tries, key=lambda s: np.median(s.error_m) if s.error_m else np.inf)
    if corners_px is not None:
        true = np.array(truth["camera"]["corners_px"])
        shifts = (np.roll(corners_px, k, axis=0) - true for k in (0, 2))
        best.corners_px = [min(float(np.sqrt((s**2).sum(axis=1).mean())) for s in shifts)]
    best.median_px = [float(np.median(best.error_px))] if best.error_px else []
    return best


def truth_camera(truth: Truth, time_s: float = 0.0) -> Camera:
    """The camera that filmed, at a moment of the clip."""
    bump = truth.get("bump_time_s")
    after = truth.get("camera_after_bump")
    c = after if after and bump is not None and time_s >= bump else truth["camera"]
    return Camera(
        matrix=np.array([[c["fx"], 0, c["cx"]], [0, c["fy"], c["cy"]], [0, 0, 1.0]]),
        distortion=np.array([c["k1"], 0, 0, 0, 0.0]),
        rotation=np.array(c["R"]),
        translation=np.array(c["t"]),
        size=(c["width"], c["height"]),
    )


def match(reported: np.ndarray, true: np.ndarray, near: float = NEAR_S) -> list[tuple[int, int]]:
    """Pairs (reported, true) by time, one to one, nearest first."""
    pairs: list[tuple[int, int]] = []
    if not len(reported) or not len(true):
        return pairs
    gap = np.abs(reported[:, None] - true[None])
    for k in np.argsort(gap, axis=None, kind="stable"):
        i, j = divmod(int(k), len(true))
        if gap[i, j] > near:
            break
        if all(i != p and j != q for p, q in pairs):
            pairs.append((i, j))
    return pairs


def _score(
    truth: Truth, bounces: pd.DataFrame, serves: pd.DataFrame, turn: float,
    bounds: dict[int, np.ndarray],
) -> Score:  # fmt: skip
    score = Score()
    _score_bounces(score, truth, bounces, turn, bounds)
    _score_serves(score, truth, serves, turn)
    return score


def _score_bounces(
    score: Score, truth: Truth, bounces: pd.DataFrame, turn: float, bounds: dict[int, np.ndarray]
) -> None:
    contacts = truth["bounces"]
    when = bounces["time_s"].to_numpy(float)
    pairs = match(when, np.array([c["time_s"] for c in contacts], dtype=float))
    wanted = {
        j for j, c in enumerate(contacts)
        if c["kind"] in WANTED and not c["minor"] and not c["hidden"]
    }  # fmt: skip
    matched = {j for _, j in pairs}
    score.wanted, score.found = len(wanted), len(wanted & matched)
    score.reported, score.false = len(bounces), len(bounces) - len(pairs)
    for j in sorted(wanted - matched):
        c = contacts[j]
        score.notes.append(
            f"missed bounce at {c['time_s']:.3f} s ({c['kind']}, x {c['x_m']:+.2f}, "
            f"y {c['y_m']:+.2f})"
        )
    for i in sorted(set(range(len(bounces))) - {i for i, _ in pairs}):
        row = bounces.iloc[i]
        score.notes.append(
            f"false bounce at {row['time_s']:.3f} s ({row['kind']}, x {row['x_m']:+.2f}, "
            f"y {row['y_m']:+.2f}, probability {row['probability']:.2f})"
        )
    for i, j in pairs:
        c, row = contacts[j], bounces.iloc[i]
        if c["minor"] or c["hidden"]:
            continue
        place = turn * np.array([row["x_m"], row["y_m"]], dtype=float)
        true = np.array([c["x_m"], c["y_m"]])
        error = place - true
        score.error_m.append(float(np.hypot(*error)))
        camera = truth_camera(truth, c["time_s"])
        seen = camera.project(np.array([[*place, table.BALL_RADIUS], [*true, table.BALL_RADIUS]]))
        score.error_px.append(float(np.hypot(*(seen[0] - seen[1]))))
        if j in bounds:
            score.bound_m.append(median_radius(bounds[j]))
            score.bounded_m.append(score.error_m[-1])
        covariance = np.array(
            [[row["sd_x_m"] ** 2, row["cov_xy_m2"]], [row["cov_xy_m2"], row["sd_y_m"] ** 2]],
            dtype=float,
        )
        if np.isfinite(covariance).all() and np.linalg.det(covariance) > 0:
            inside = bool(error @ np.linalg.solve(covariance, error) < CHI2_95)
            score.inside.append(inside)
            if not inside:
                score.notes.append(
                    f"bounce at {c['time_s']:.3f} s off by {1e3 * error[0]:+.0f}, "
                    f"{1e3 * error[1]:+.0f} mm, sd {1e3 * row['sd_x_m']:.0f}, "
                    f"{1e3 * row['sd_y_m']:.0f} mm"
                )


def _score_serves(score: Score, truth: Truth, serves: pd.DataFrame, turn: float) -> None:
    true = truth["serves"]
    score.serves, score.serves_reported = len(true), len(serves)
    used: dict[int, int] = {}
    for i, start in enumerate(serves["t_start_s"].to_numpy(float)):
        near = [
            j for j, q in enumerate(true)
            if q["t_start_s"] - 0.6 <= start <= q["t_contact_s"] + 0.45 and j not in used.values()
        ]  # fmt: skip
        if near:
            used[i] = min(near, key=lambda j: abs(true[j]["t_contact_s"] - start))
        else:
            score.notes.append(f"false serve at {start:.2f} s")
    score.serves_found = len(used)
    for j in sorted(set(range(len(true))) - set(used.values())):
        score.notes.append(f"missed serve struck at {true[j]['t_contact_s']:.2f} s")
    for i, j in used.items():
        _score_serve(score, true[j], serves.iloc[i], turn)


def _score_serve(score: Score, true: dict[str, Any], row: pd.Series, turn: float) -> None:
    name = f"serve struck at {true['t_contact_s']:.2f} s"
    outcome = OUTCOMES.get(true["outcome"], true["outcome"])
    score.outcome.append(row["outcome"] == outcome)
    if not score.outcome[-1]:
        score.notes.append(f"{name}: outcome {row['outcome']}, truly {outcome}")
    if np.isfinite(row["pace_m_s"]):
        score.pace.append(abs(row["pace_m_s"] / true["pace_m_s"] - 1))
    if np.isfinite(row["toss_rise_m"]):
        score.toss_m.append(abs(row["toss_rise_m"] - true["toss_rise_m"]))
    _score_spin(score, true, row, name)
    if outcome not in ("good", "let") or not true["landing"] or not true["second_bounce"]:
        return
    depth = true_depth(true)
    if depth:
        score.depth.append(row["depth"] == depth)
        if not score.depth[-1]:
            score.notes.append(f"{name}: depth {row['depth'] or 'unknown'}, truly {depth}")
    side = true_side(true)
    close = "close-call-side" in str(row.get("flags", ""))
    score.side_close.append(close)
    if not close:
        score.side.append(row["side"] == side)
        if not score.side[-1]:
            score.notes.append(f"{name}: side {row['side'] or 'unknown'}, truly {side}")
    second = turn * np.array([row["second_bounce_x_m"], row["second_bounce_y_m"]], dtype=float)
    if np.isfinite(second).all():
        score.second_m.append(float(np.hypot(*(second - true["second_bounce"][:2]))))
        if score.second_m[-1] > 0.15:
            score.notes.append(f"{name}: second bounce off by {score.second_m[-1] * 100:.0f} cm")


def _score_spin(score: Score, true: dict[str, Any], row: pd.Series, name: str) -> None:
    topspin, sidespin = true_spin(true)
    for value, word, low, high in (
        (topspin, "topspin", "topspin_lo", "topspin_hi"),
        (sidespin, "sidespin", "sidespin_lo", "sidespin_hi"),
    ):
        if np.isfinite([row[low], row[high]]).all():
            score.spin_inside.append(bool(row[low] <= value <= row[high]))
            if not score.spin_inside[-1]:
                score.notes.append(
                    f"{name}: {word} {row[low]:.0f} to {row[high]:.0f}, truly {value:.0f} rad/s"
                )


def true_depth(true: dict[str, Any]) -> str:
    """Depth by the true second bounce; "" where it is too near the band's edge to be asked."""
    x, y = true["second_bounce"][:2]
    past = -true["server_end"] * x - table.HALF_LENGTH
    if abs(abs(past) - BAND_M) <= BAND_EDGE_M:
        return ""
    if abs(past) < BAND_M:
        return "half-long"
    if past < 0:  # beside the table before its end line: left to the definition
        return "" if abs(y) > table.HALF_WIDTH else "short"
    return "long"


def true_side(true: dict[str, Any]) -> str:
    """Side of the true landing as the server sees it."""
    leftward = -true["server_end"] * true["landing"][1]
    if abs(leftward) < table.HALF_WIDTH / 3:
        return "middle"
    return "left" if leftward > 0 else "right"


def true_spin(true: dict[str, Any]) -> tuple[float, float]:
    """Topspin about the horizontal axis across the flight, and spin about the vertical, rad/s."""
    spin, velocity = np.array(true["spin_rad_s"]), np.array(true["velocity"])
    ahead = velocity[:2] / np.hypot(*velocity[:2])
    return float(spin[:2] @ [-ahead[1], ahead[0]]), float(spin[2])


def median_radius(covariance: np.ndarray) -> float:
    """Median distance from its mean of a normal point in the plane.

    Half of the mass lies inside: averaged over directions, 1 - exp(-r^2 k / 2) with k the inverse
    variance of that direction and the density of the direction itself.
    """
    low, high = np.sqrt(np.maximum(np.linalg.eigvalsh(covariance), 1e-18))
    low = max(low, 0.02 * high)  # a needle, as far as the directions below can tell
    angle = (np.arange(720) + 0.5) * 2 * np.pi / 720
    k = (np.cos(angle) / high) ** 2 + (np.sin(angle) / low) ** 2
    weight = 1 / (k * low * high)
    a, b = 0.0, 3 * high
    for _ in range(60):
        r = (a + b) / 2
        inside = (weight * (1 - np.exp(-(r**2) * k / 2))).mean()
        a, b = (r, b) if inside < 0.5 else (a, r)
    return (a + b) / 2
