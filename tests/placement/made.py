"""A small analysis made by hand: bounces on parabolas, seen by a camera behind the table."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

from calibration import Calibration, calibrate_corners, field_to_focal, stand_camera, table
from placement.analysis import Analysis, Bounce, Crop, Serve, Stand
from placement.video import ClipInfo

SIZE = (1280, 720)
GRAVITY = 9.81

#: landing (x, y), second bounce x, outcome, depth, side, third, server's end
PLANS = (
    (0.55, 0.42, 1.02, "good", "short", "left", "middle", -1),
    (1.12, -0.35, 2.05, "good", "long", "right", "end", -1),
    (0.80, 0.05, 1.40, "good", "half-long", "middle", "middle", -1),
    (np.nan, np.nan, np.nan, "net", "", "", "", -1),
    (-0.35, 0.30, -0.80, "let", "short", "right", "near net", 1),
)


def made_calibration() -> Calibration:
    """From the exact corners of a stand behind the server, a metre and a half high."""
    camera = stand_camera((-3.9, -1.3, 1.6), size=SIZE, focal_px=field_to_focal(62.0, SIZE[0]))
    return calibrate_corners(camera.project(table.CORNERS), SIZE, sd_px=0.3)


def made_still(calibration: Calibration) -> np.ndarray:
    """A plain picture of that table, BGR."""
    still = np.full((SIZE[1], SIZE[0], 3), (96, 110, 118), np.uint8)
    still[: SIZE[1] // 3] = (150, 155, 160)
    corners = calibration.camera.project(table.CORNERS)
    cv2.fillPoly(still, [np.round(corners).astype(np.int32)], (150, 84, 30), cv2.LINE_AA)
    cv2.polylines(
        still, [np.round(corners).astype(np.int32)], True, (240, 240, 240), 2, cv2.LINE_AA
    )
    return still


def made_analysis(
    n_serves: int = 5, *, path: str = "made_drill.mp4", with_crops: bool = True
) -> Analysis:
    """An analysis of `n_serves` serves, every fourth into the net, every fifth from the far end."""
    calibration = made_calibration()
    rng = np.random.default_rng(4)
    bounces: list[Bounce] = []
    serves: list[Serve] = []
    for number in range(1, n_serves + 1):
        plan = PLANS[(number - 1) % len(PLANS)]
        jitter = rng.normal(0, 0.06, 3) if number > len(PLANS) else np.zeros(3)
        serves.append(_serve(number, plan, jitter, bounces))
    still = made_still(calibration)
    return Analysis(
        clip=ClipInfo(
            path=Path(path), width=SIZE[0], height=SIZE[1], rotation_deg=0, codec="h264",
            bit_depth=8, n_frames=900, duration_s=2.5 * n_serves + 2, fps=60.0, uneven_share=0.0,
            keyframe_gap_s=1.0,
        ),
        sha256="0" * 64,
        version="0.0.0",
        settings={"band_m": 0.15, "refine": True},
        stands=(Stand(start_s=0.0, end_s=2.5 * n_serves + 2, calibration=calibration),),
        bounces=tuple(bounces),
        serves=tuple(serves),
        still=still,
        crops=tuple(_crops(calibration, serves, still)) if with_crops else (),
        timings={"decode": 1.0, "all": 1.2},
        warnings=("The film is dim.",),
    )  # fmt: skip


def _serve(number: int, plan: tuple, jitter: np.ndarray, bounces: list[Bounce]) -> Serve:
    x, y, second, outcome, depth, side, third, end = plan
    contact = 2.5 * number
    x, y, second = x + jitter[0], y + jitter[1], second + 1.5 * jitter[2]
    covariance = np.array([[0.006**2, 1e-5], [1e-5, 0.004**2]])
    first = np.array([end * 0.75, 0.12])
    start = np.array([end * 1.60, 0.18, 0.25])
    knots = [(contact, start), (contact + 0.16, np.append(first, 0.02))]
    if outcome == "net":
        knots.append((contact + 0.34, np.array([0.02 * end, 0.1, 0.09])))
    else:
        knots.append((contact + 0.46, np.array([x, y, 0.02])))
        drift = (y - first[1]) * abs(second - x) / abs(x - first[0])
        knots.append((contact + 0.86, np.array([second, y + drift, 0.02])))
    times, path = _parabolas(knots)
    numbers = []
    for time, place, half, chance in (
        (contact + 0.16, first, "server", 0.99),
        *([(contact + 0.46, np.array([x, y]), "receiver", 0.98)] if outcome != "net" else []),
    ):
        numbers.append(len(bounces))
        bounces.append(
            Bounce(
                time_s=time,
                point=place,
                covariance=covariance,
                half=half,
                kind="serve",
                probability=chance,
                serve=number,
            )
        )
    known = outcome != "net"
    return Serve(
        number=number, t_start_s=contact - 0.5, t_contact_s=contact, server_end=end,
        outcome=outcome, outcome_probability=0.97, depth=depth,
        depth_probability=0.72 if depth == "half-long" else 0.98 if known else np.nan,
        side=side, side_probability=0.99 if known else np.nan,
        landing=np.array([x, y]),
        landing_covariance=covariance if known else np.full((2, 2), np.nan),
        landing_third=third,
        second_bounce=knots[-1][1][:2] if known else np.full(2, np.nan),
        second_bounce_covariance=9 * covariance if known else np.full((2, 2), np.nan),
        second_bounce_seen=depth == "short",
        pace_m_s=5.4, pace_sd_m_s=0.1, toss_rise_m=0.21, toss_rise_sd_m=0.02,
        net_clearance_m=0.08 if known else np.nan, topspin_rad_s=-180.0, topspin_lo=-240.0,
        topspin_hi=-120.0, bounces=tuple(numbers), times=times, path=path,
        flags=frozenset({"close-call-depth"} if depth == "half-long" else ()),
    )  # fmt: skip


def _parabolas(knots: list[tuple[float, np.ndarray]]) -> tuple[np.ndarray, np.ndarray]:
    times, rows = [], []
    for (t0, p0), (t1, p1) in pairwise(knots):
        since = np.linspace(0, t1 - t0, 20)
        share = since[:, None] / (t1 - t0)
        row = p0 + share * (p1 - p0)
        row[:, 2] += GRAVITY / 2 * since * (t1 - t0 - since)
        times.append(t0 + since)
        rows.append(row)
    return np.concatenate(times), np.concatenate(rows)


def _crops(calibration: Calibration, serves: list[Serve], still: np.ndarray) -> list[Crop]:
    grey = cv2.cvtColor(still, cv2.COLOR_BGR2GRAY)
    crops = []
    for serve in serves:
        for knot in (19, 39):
            if knot >= len(serve.path):
                continue
            frame = round(serve.times[knot] * 60)
            place = np.array(
                [np.interp(frame / 60, serve.times, serve.path[:, k]) for k in range(3)]
            )
            (at,) = calibration.camera.project(place[None])
            u, v = (int(np.clip(c - 48, 0, s - 96)) for c, s in zip(at, SIZE, strict=True))
            picture = grey.copy()
            cv2.circle(picture, (round(at[0]), round(at[1])), 5, 235, -1, cv2.LINE_AA)
            crops.append(
                Crop(
                    time_s=frame / 60,
                    frame=frame,
                    luma=picture[v : v + 96, u : u + 96],
                    origin=(u, v),
                )
            )
    return crops
