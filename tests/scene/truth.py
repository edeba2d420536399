"""The exact truth of a film, as plain JSON."""

from __future__ import annotations

import numpy as np

from calibration import table
from calibration.camera import Camera

from .drill import Cast
from .scenario import Scenario

ABOUT = (
    "x along the table (m, -1.37..1.37), y across (-0.7625..0.7625), origin at the centre of the "
    "surface, z up; image (u, v) px of the upright frame, pixel centres at integers; R, t: camera "
    "point = R @ table point + t, OpenCV axes; a frame's time is the middle of its first row's "
    "exposure, row v is v / height * readout_s later; hidden: the ball is behind a player or out "
    "of the picture just before or after; minor: a contact softer than 0.35 m/s, neither wanted "
    "nor punished; second_bounce: where the ball would land next on an endless table if nobody "
    "touched it"
)


def _trembling(s: Scenario, time: float) -> bool:
    return s.bump is not None and s.bump <= time < s.bump + 0.45


def camera_truth(camera: Camera) -> dict:
    """Intrinsics, pose and corners of one camera."""
    m = camera.matrix
    return {
        "fx": m[0, 0],
        "fy": m[1, 1],
        "cx": m[0, 2],
        "cy": m[1, 2],
        "k1": float(camera.distortion[0]),
        "width": camera.size[0],
        "height": camera.size[1],
        "R": camera.rotation.tolist(),
        "t": camera.translation.tolist(),
        "eye_m": camera.centre.tolist(),
        "corners_px": camera.project(table.CORNERS).tolist(),
    }


def truth_of(
    s: Scenario, cast: Cast, cams: list[Camera], times: np.ndarray, seen: list[dict]
) -> dict:
    """Everything about one film; times from the first frame."""
    end_of_film = float(times[-1])
    bounces = []
    for j, path in enumerate(cast.balls):
        plan = s.serves[j]
        for c in path.contacts:
            t = c.time - s.starts_at
            if c.surface != "table" or not 0 <= t <= end_of_film or c.time > path.gone:
                continue
            i = int(np.searchsorted(times, t))
            around = [seen[j].get(k, (False, 0, 0))[0] for k in (i - 1, i)]
            own = c.place[0] * plan.end > 0
            bounces.append(
                {
                    "time_s": t,
                    "x_m": float(c.place[0]),
                    "y_m": float(c.place[1]),
                    "half": "server" if own else "receiver",
                    "kind": c.kind,
                    "serve": None if c.kind == "idle" else j,
                    "speed_m_s": float(np.linalg.norm(c.velocity)),
                    "vn_m_s": float(-c.velocity[2]),
                    "minor": bool(-c.velocity[2] < 0.35),
                    "hidden": bool(not all(around) or _trembling(s, t)),
                }
            )
    bounces.sort(key=lambda b: b["time_s"])
    serves = []
    for q in cast.serves:
        t = q.contact - s.starts_at
        if t > end_of_film - 0.6 or q.toss - s.starts_at < -0.2:
            continue
        serves.append(
            {
                "index": q.index,
                "t_start_s": q.toss - 0.1 - s.starts_at,
                "t_toss_s": q.toss - s.starts_at,
                "t_contact_s": t,
                "server_end": q.plan.end,
                "toss_rise_m": q.rise,
                "pace_m_s": float(np.linalg.norm(q.velocity)),
                "velocity": q.velocity.tolist(),
                "spin_rad_s": q.spin.tolist(),
                "outcome": q.outcome,
                "landing": None if q.landing is None else q.landing.tolist(),
                "second_bounce": None if q.second is None else np.asarray(q.second).tolist(),
                "receiver": q.plan.receiver,
                "t_intercept_s": None if q.intercept is None else q.intercept - s.starts_at,
            }
        )
    frames = []
    for k, t in enumerate(times):
        now = t + s.starts_at
        live = [j for j, p in enumerate(cast.balls) if p.exists(now) and k in seen[j]]
        if not live:
            frames.append([round(float(t), 6), None, None, False, "none"])
            continue
        j = live[-1]
        ok, u, v = seen[j][k]
        kind = cast.balls[j].kind(now)
        bad = not np.isfinite([u, v]).all()
        shaking = _trembling(s, float(t))
        frames.append(
            [
                round(float(t), 6),
                None if bad else round(u, 3),
                None if bad else round(v, 3),
                bool(ok and not shaking),
                kind,
            ]
        )
    cam = camera_truth(cams[0])
    return {
        "clip": s.name,
        "fps": s.fps,
        "duration_s": s.duration,
        "about": ABOUT,
        "readout_s": s.readout,
        "shutter_s": s.shutter,
        "camera": cam,
        "camera_after_bump": camera_truth(cams[1]) if len(cams) > 1 else None,
        "bump_time_s": s.bump,
        "bounces": bounces,
        "serves": serves,
        "frames_columns": ["time_s", "u_px", "v_px", "visible", "kind"],
        "frames": frames,
    }
