"""The least error that a view allows: the Cramér-Rao bound of the places where the ball bounced.

The true serve is put into the flight model of `placement.trajectory`, every visible frame is taken
to give the ball's centre with an independent normal error of 0.1 px in u and v, and the information
of all of them, with the same expectations of ball and table that the analysis uses, is carried to
the bounces. The camera is taken as known: no estimator without a further source can do better.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from calibration import Camera
from placement.trajectory import Expectations, Model, Sightings, first_guess, fit_path

from .score import Truth, truth_camera

SIGMA_PX = 0.1
AFTER_S = 0.15  # of flight after the last bounce that counts as seen
_APART_S = 0.9  # s, longest flight between two bounces of one path


def cramer_rao(
    camera: Camera,
    times: np.ndarray,
    theta: np.ndarray,
    n_bounces: int,
    *,
    sigma_px: float = SIGMA_PX,
    expectations: Expectations | None = None,
) -> np.ndarray:
    """Least covariance of the bounces' places.

    Parameters
    ----------
    camera : Camera
    times : ndarray, shape (N,)
        Of the frames that show the ball, s.
    theta : ndarray, shape (12 + 3 K,)
        The path, see `placement.trajectory`.
    n_bounces : int
        K.
    sigma_px : float
        sd of the ball's centre in one frame, each of u and v.
    expectations : Expectations, optional

    Returns
    -------
    ndarray, shape (K, 2, 2)
        m^2.
    """
    e = expectations or Expectations()
    steps = np.concatenate(
        [[1e-4, 1e-4, 1e-4, 1e-3, 1e-3, 1e-3, 0.5, 0.5, 0.5, 1e-3, 1e-3, 1e-2],
         np.tile([1e-3, 1e-3, 1e-3], n_bounces)]
    )  # fmt: skip
    batch = np.concatenate([theta + np.diag(steps), theta - np.diag(steps)])
    model = Model(batch, n_bounces)
    seen = camera.project(model.at(times)).reshape(len(batch), -1)
    places = np.stack([p[:, :2] for p in model.places], axis=1)  # (2 P, K, 2)
    n = len(theta)
    by_pixels = ((seen[:n] - seen[n:]) / (2 * steps[:, None])).T / sigma_px
    by_place = (places[:n] - places[n:]) / (2 * steps[:, None, None])  # (P, K, 2)
    spreads = [50.0] * 3 + [e.speed[1]] * 3 + [e.spin[1]] * 3
    spreads += [e.friction[1], e.drag[1], e.lift[1]]
    spreads += [e.restitution[1], e.rub[1], e.rub[1]] * n_bounces
    information = by_pixels.T @ by_pixels + np.diag(1 / np.square(spreads))
    covariance = np.linalg.inv(information)
    return np.einsum("pki,pq,qkj->kij", by_place, covariance, by_place)


def bounds_of(truth: Truth) -> dict[int, np.ndarray]:
    """Bounds of all bounces of good serves, m^2 (2, 2), by their place in the truth's list."""
    bounds: dict[int, np.ndarray] = {}
    for number, serve in enumerate(truth["serves"]):
        chain = _chain(truth, serve, int(serve.get("index", number)))
        if len(chain) < 2:
            continue
        contacts = [truth["bounces"][j] for j in chain]
        times, pixels = _visible(truth, serve, contacts)
        if len(times) < 8:
            continue
        camera = truth_camera(truth, contacts[0]["time_s"])
        theta = _true_path(camera, times, pixels, contacts)
        if theta is None:
            continue
        covariances = cramer_rao(camera, times, theta, len(chain))
        bounds.update(zip(chain, covariances, strict=True))
    return bounds


def _chain(truth: Truth, serve: dict[str, Any], index: int) -> list[int]:
    """Places of the serve's undisturbed bounces: from the bat to the first touch."""
    end = serve.get("t_intercept_s")
    end = np.inf if end is None else end
    if serve["outcome"] != "good":
        return []
    chain: list[int] = []
    last = serve["t_contact_s"]
    for j, c in enumerate(truth["bounces"]):
        own = c["kind"] == "serve" and c.get("serve") == index and not c["minor"]
        if own and last < c["time_s"] < min(end, last + _APART_S):
            chain.append(j)
            last = c["time_s"]
    return chain[:3]


def _visible(
    truth: Truth, serve: dict[str, Any], contacts: list[dict[str, Any]]
) -> tuple[np.ndarray, np.ndarray]:
    """Times and pixels of the frames that show the serve in flight."""
    end = min(serve["t_intercept_s"] or np.inf, contacts[-1]["time_s"] + AFTER_S)
    rows = [
        (time, u, v) for time, u, v, visible, _ in truth["frames"]
        if visible and u is not None and serve["t_contact_s"] + 0.005 < time < end - 0.005
    ]  # fmt: skip
    table = np.array(rows, dtype=float).reshape(-1, 3)
    readout, height = float(truth.get("readout_s") or 0.0), truth["camera"]["height"]
    return table[:, 0] + readout * table[:, 2] / height, table[:, 1:]


def _true_path(
    camera: Camera, times: np.ndarray, pixels: np.ndarray, contacts: list[dict[str, Any]]
) -> np.ndarray | None:
    """The path of the model that goes through the true pictures of the ball."""
    expectations = Expectations()
    when = [c["time_s"] for c in contacts]
    places = np.array([[c["x_m"], c["y_m"]] for c in contacts])
    outgoing = []
    for k in range(len(contacts)):
        gap = when[k + 1] - when[k] if k + 1 < len(contacts) else 0.35
        level = (
            (places[k + 1] - places[k]) / gap if k + 1 < len(contacts) else outgoing[-1][:2] * 0.8
        )
        outgoing.append(np.array([*level, 9.81 * gap / 2]))
    incoming = np.array([*(outgoing[0][:2] * 1.2), -max(1.0, contacts[0].get("vn_m_s", 2.0))])
    start = first_guess(when, places[0], incoming, outgoing, expectations)
    sightings = Sightings(times, pixels, np.tile(SIGMA_PX**2 * np.eye(2), (len(times), 1, 1)))
    path = fit_path(camera, sightings, start, len(contacts), expectations, most_steps=30)
    if path is None or np.abs(path.bounce_places - places).max() > 0.03:
        return None
    return path.theta
