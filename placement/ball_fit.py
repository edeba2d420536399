"""The fit of one ball's picture, compiled: Gauss and Newton's steps for its centre.

Where the ball covers nothing, a pixel's residual is that of the background alone: it is summed
once, and only the pixels that the ball can reach are looked at again. How bright the ball is, is
solved for in every step. All pixels are in single precision, the steps in double.
"""

from __future__ import annotations

import numpy as np

from placement.ball_model import NOISE, against, ball_over, reach, shade
from placement.compiled import Single, compiled

#: Times the light of a ball that shows the shading as learnt; of white, 255.
BRIGHTEST = np.float32(2500.0)
_DELTA = np.float32(0.05)  # px, for the slopes
_STILL = 0.004  # px: a picture whose next step is shorter than this is done
_NEAR = 0.1  # px: so far the slopes hold
# rows of what is kept of each pixel
_U, _V, _ROOT, _CHANGE, _BEHIND = range(5)
_ALONG, _ACROSS, _WEIGHED, _CHANGED, _HIDDEN = range(5)


@compiled
def fit_pictures(
    patches: np.ndarray,
    places: np.ndarray,
    radii: np.ndarray,
    velocities: np.ndarray,
    light: np.ndarray,
    slope: np.ndarray,
    shading: np.ndarray,
    exposure_s: float,
    blur: Single,
    margin: float,
    steps: int,
    numbers: np.ndarray,
) -> np.ndarray:
    """Fit the centre of each picture's ball.

    Parameters
    ----------
    patches : ndarray of uint8, shape (N, 3, P, P)
        Luma before, in and after the frame.
    places : ndarray of float64, shape (N, 2)
        Guesses, px from the patch's first pixel.
    radii : ndarray of float64, shape (N,)
        px.
    velocities : ndarray of float64, shape (N, 2)
        px/s.
    light, slope : ndarray of float32, shape (256,)
        See `placement.ball_model.tone`.
    shading : ndarray of float32, shape (9,)
    exposure_s : float
    blur : float32
        px.
    margin : float
        px around the outline that are looked at.
    steps : int
    numbers : ndarray of float64, shape (N, 9)
        Filled in, for each picture: centre (u, v) in the patch; squared residuals; energy of the
        ball's picture; normal matrix (uu, uv, vv); pixels; share of the disc behind which is known
        what there is.

    Returns
    -------
    ndarray of float32
        Squared differences of before and after, in units of the assumed noise, of every third
        pixel.
    """
    n, side_most = len(patches), patches.shape[2]
    most = side_most * side_most
    pixel, view = np.empty((5, most), np.float32), np.empty((5, most), np.float32)
    sure = np.empty(most, np.float32)
    drawn, rest = np.empty((2, most), np.float32), np.empty(most, np.float32)
    tangents = np.empty((2, most), np.float32)
    grain = np.empty(n * (most // 3 + 1), np.float32)
    n_grain = 0
    for k in range(n):
        speed = np.hypot(velocities[k, 0], velocities[k, 1])
        streak = speed * exposure_s
        reach = radii[k] + margin + streak / 2
        side = min(2 * int(np.ceil(reach + 0.3 * radii[k])) + 1, side_most)
        u0 = min(max(int(np.rint(places[k, 0] - (side - 1) / 2)), 0), side_most - side)
        v0 = min(max(int(np.rint(places[k, 1] - (side - 1) / 2)), 0), side_most - side)
        start_u, start_v = np.float32(places[k, 0] - u0), np.float32(places[k, 1] - v0)
        # a picture is judged within its own ball's reach alone
        within = np.float32(1.3 * radii[k] + margin + streak / 2)
        count, third = 0, 0
        for row in range(side):
            for column in range(side):
                a = patches[k, 0, v0 + row, u0 + column]
                b = patches[k, 1, v0 + row, u0 + column]
                c = patches[k, 2, v0 + row, u0 + column]
                gap = light[a] - light[c]
                third += 1
                if third == 3:
                    third = 0
                    noise = np.float32(NOISE) * slope[a]
                    grain[n_grain] = gap * gap / (np.float32(2) * noise * noise)
                    n_grain += 1
                du, dv = np.float32(column) - start_u, np.float32(row) - start_v
                if du * du + dv * dv >= within * within:
                    continue
                change, behind, root = against(light, slope, a, b, c)
                pixel[_U, count], pixel[_V, count] = np.float32(column), np.float32(row)
                pixel[_ROOT, count] = root
                pixel[_CHANGE, count], pixel[_BEHIND, count] = change, behind
                doubt = gap / (np.float32(2 * NOISE) * slope[a])
                sure[count] = np.float32(1) / (np.float32(1) + doubt * doubt)
                count += 1
        hu = np.float32(velocities[k, 0] / max(speed, 1e-6))
        hv = np.float32(velocities[k, 1] / max(speed, 1e-6))
        _fit(
            pixel[:, :count], view, drawn, rest, tangents, start_u, start_v, np.float32(radii[k]),
            np.float32(streak), hu, hv, shading, np.float32(blur), steps, numbers[k],
        )  # fmt: skip
        # where the ball was before, or comes to, the background is unknown and anything fits
        known, disc = 0.0, 0
        for p in range(count):
            du, dv = pixel[_U, p] - numbers[k, 0], pixel[_V, p] - numbers[k, 1]
            if du * du + dv * dv < radii[k] * radii[k]:
                known += sure[p]
                disc += 1
        numbers[k, 0] += u0
        numbers[k, 1] += v0
        numbers[k, 7] = max(count, 9)
        numbers[k, 8] = known / max(disc, 1)
    return grain[:n_grain]


@compiled
def _fit(
    pixel: np.ndarray, view: np.ndarray, drawn: np.ndarray, rest: np.ndarray, tangents: np.ndarray,
    start_u: Single, start_v: Single, radius: Single, streak: Single, hu: Single, hv: Single,
    shading: np.ndarray, blur: Single, steps: int, numbers: np.ndarray,
) -> None:  # fmt: skip
    """Step to the centre of one picture; results into `numbers`, see `fit_pictures`."""
    empty = 0.0
    for p in range(pixel.shape[1]):
        left = pixel[_ROOT, p] * pixel[_CHANGE, p]
        empty += left * left
    best_u, best_v = np.float64(start_u), np.float64(start_v)
    trial_u, trial_v = best_u, best_v
    damping = 1e-2
    cost: Single = np.inf
    energy: Single = 0.0
    uu, uv, vv, su, sv = 0.0, 0.0, 0.0, 0.0, 0.0
    longest = max(0.35 * radius, 0.5)
    here_u, here_v, slack = best_u, best_v, longest + 0.6
    count = _select(pixel, view, here_u, here_v, slack, radius, streak, hu, hv, blur)
    taken_u, taken_v = np.inf, np.inf  # where the tangents were taken
    for step in range(steps + 1):
        # centre along and across the path
        along, across = (
            np.float32(hu * trial_u + hv * trial_v), np.float32(hu * trial_v - hv * trial_u)
        )  # fmt: skip
        level = _draw(view, drawn, count, along, across, radius, streak, hu, hv, shading, blur)
        inside, now_cost, now_energy = np.float32(0), np.float32(0), np.float32(0)
        for p in range(count):
            inside += view[_CHANGED, p] * view[_CHANGED, p]
            picture, behind = level * drawn[1, p], view[_HIDDEN, p] * drawn[0, p]
            left = view[_CHANGED, p] + behind - picture
            rest[p] = left
            now_cost += left * left
            now_energy += (picture - behind) * (picture - behind)
        now = empty - inside + now_cost
        if np.hypot(trial_u - taken_u, trial_v - taken_v) > _NEAR:
            # over the last short steps they hardly change
            taken_u, taken_v = trial_u, trial_v
            _tangent(
                view, rest, tangents[0], count, along + _DELTA, across, radius, streak, hu, hv,
                shading, blur,
            )  # fmt: skip
            _tangent(
                view, rest, tangents[1], count, along, across + _DELTA, radius, streak, hu, hv,
                shading, blur,
            )  # fmt: skip
        if now < cost:
            best_u, best_v, cost, energy = trial_u, trial_v, now, now_energy
            aa, ac, cc = np.float32(0), np.float32(0), np.float32(0)
            sa, sc = np.float32(0), np.float32(0)
            for p in range(count):
                a, c, left = tangents[0, p], tangents[1, p], rest[p]
                aa += a * a
                ac += a * c
                cc += c * c
                sa += a * left
                sc += c * left
            # from along and across the path to u and v
            d = np.float64(_DELTA)
            uu = (hu * hu * aa - 2 * hu * hv * ac + hv * hv * cc) / (d * d)
            uv = (hu * hv * aa + (hu * hu - hv * hv) * ac - hu * hv * cc) / (d * d)
            vv = (hv * hv * aa + 2 * hu * hv * ac + hu * hu * cc) / (d * d)
            su, sv = (hu * sa - hv * sc) / d, (hv * sa + hu * sc) / d
            damping = max(damping / 4, 1e-3)
        else:
            damping *= 8
        if step == steps:
            break
        ridge = damping * (uu + vv) + 1e-6
        one, two = uu + ridge, vv + ridge
        det = one * two - uv * uv
        move_u, move_v = -(two * su - uv * sv) / det, -(one * sv - uv * su) / det
        size = max(np.hypot(move_u, move_v), 1e-9)
        shorter = min(1.0, longest / size)
        trial_u, trial_v = best_u + shorter * move_u, best_v + shorter * move_v
        if size <= _STILL:
            # the last small step is taken unseen
            best_u, best_v = trial_u, trial_v
            break
        if step == 0 or np.hypot(trial_u - here_u, trial_v - here_v) + 0.6 > slack:
            here_u, here_v, slack = trial_u, trial_v, 1.0
            count = _select(pixel, view, here_u, here_v, slack, radius, streak, hu, hv, blur)
            taken_u = np.inf
    numbers[0], numbers[1], numbers[2], numbers[3] = best_u, best_v, cost, energy
    numbers[4], numbers[5], numbers[6] = uu, uv, vv


@compiled
def _select(
    pixel: np.ndarray, view: np.ndarray, centre_u: Single, centre_v: Single, slack: Single,
    radius: Single, streak: Single, hu: Single, hv: Single, blur: Single,
) -> int:  # fmt: skip
    """Pixels that a ball within `slack` px of a centre can reach, into `view`; how many."""
    farthest, widest = reach(radius, streak, blur)
    ahead, beside = np.float32(farthest + slack), np.float32(widest + slack)
    at, aside = np.float32(hu * centre_u + hv * centre_v), np.float32(hu * centre_v - hv * centre_u)
    count = 0
    for p in range(pixel.shape[1]):
        along = hu * pixel[_U, p] + hv * pixel[_V, p]
        across = hu * pixel[_V, p] - hv * pixel[_U, p]
        if abs(along - at) < ahead and abs(across - aside) < beside:
            root = pixel[_ROOT, p]
            view[_ALONG, count], view[_ACROSS, count], view[_WEIGHED, count] = along, across, root
            view[_CHANGED, count] = root * pixel[_CHANGE, p]
            view[_HIDDEN, count] = root * pixel[_BEHIND, p]
            count += 1
    return count


@compiled
def _draw(
    view: np.ndarray, drawn: np.ndarray, count: int, along: Single, across: Single,
    radius: Single, streak: Single, hu: Single, hv: Single, shading: np.ndarray, blur: Single,
) -> Single:  # fmt: skip
    """Draw the ball with its centre there: its cover and picture; how bright it is."""
    # few arrays, or the compiler gives up to tell whether they overlap
    alongs, acrosses, cover, picture = view[_ALONG], view[_ACROSS], drawn[0], drawn[1]
    for p in range(count):
        part, seen, aside, front = ball_over(
            alongs[p] - along, acrosses[p] - across, radius, streak, blur
        )
        cover[p] = part
        picture[p] = shade(shading, seen * hu - aside * hv, -seen * hv - aside * hu, front)
    power, aim = np.float32(1e-6), np.float32(0)
    for p in range(count):
        light = view[_WEIGHED, p] * cover[p] * picture[p]
        power += light * light
        aim += light * (view[_CHANGED, p] + view[_HIDDEN, p] * cover[p])
        picture[p] = light
    return np.float32(min(max(aim / power, np.float32(0)), BRIGHTEST))


@compiled
def _tangent(
    view: np.ndarray, rest: np.ndarray, out: np.ndarray, count: int, along: Single, across: Single,
    radius: Single, streak: Single, hu: Single, hv: Single, shading: np.ndarray, blur: Single,
) -> None:  # fmt: skip
    """How the residuals `rest` change as the centre goes there."""
    moved = np.empty((2, count), np.float32)
    level = _draw(view, moved, count, along, across, radius, streak, hu, hv, shading, blur)
    for p in range(count):
        target = view[_CHANGED, p] + view[_HIDDEN, p] * moved[0, p]
        out[p] = target - level * moved[1, p] - rest[p]
