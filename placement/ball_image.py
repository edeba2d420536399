"""Where the centre of a ball's picture is: a lit sphere, drawn out by the shutter, fitted to pixels.

A ball lit from above is as dark below as the table, so the centre of its brightness lies above its
true centre, by one to three pixels. Here the outline is fitted instead: a disc of the radius that
the ball must have at its distance, moved along its path while the shutter was open, shaded like a
matt sphere in the hall's light, over the background seen before and after. Size and motion come
from the flight; exposure, blur and the shading are shared by all pictures of a film and learnt from
them, so that only the centre and one brightness are free for each picture.

Coordinates are px; `along` is the direction of motion and `across` is normal to it.

Source of the shading: a matt surface in any distant light is described to about 1 % by nine numbers
(Ramamoorthi and Hanrahan, SIGGRAPH 2001).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from placement.ball import Candidates

_NOISE = 2.0  # grey levels, least noise assumed of a pixel
_GAMMA = 2.2  # of stored pictures (ITU-R BT.709 and sRGB, nearly)
_LINEAR = (255 * (np.arange(256) / 255) ** _GAMMA).astype(np.float32)
_SLOPE = np.maximum(_GAMMA * (np.arange(256) / 255) ** (_GAMMA - 1), 0.1).astype(np.float32)
_LEARN_FROM = 80  # pictures, spread over what there is
_MARGIN = 2.5  # px around the outline that are looked at
_LEAST_SD = 0.06  # px: what compression and a ball's stamp leave
_STEPS = 5
_FARTHEST = 1.2  # radii: a centre that wanders farther than this from its guess is not believed


#: Shading before anything is learnt: brighter above. Order: see `_shading`.
_DEFAULT_SHADING = (0.75, 0.0, 0.45, 0.25, 0.0, 0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """What the ball's pictures of one film share.

    Attributes
    ----------
    exposure_s : float
        How long the shutter is open.
    blur_px : float
        Standard deviation of the blur by lens and pixels.
    shading : tuple of 9 floats
        Brightness over the ball as second-order harmonics of the surface's direction.
    """

    exposure_s: float = 1 / 250
    blur_px: float = 0.8
    shading: tuple[float, ...] = _DEFAULT_SHADING


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BallImages:
    """Measured ball pictures.

    Attributes
    ----------
    centres : ndarray, shape (N, 2)
        (u, v), px, at mid-exposure; NaN where no ball could be fitted.
    covariances : ndarray, shape (N, 2, 2)
        px^2.
    contrasts : ndarray, shape (N,)
        Root mean square of the ball's picture against its background, grey levels.
    misfits : ndarray, shape (N,)
        Root mean square of what the model leaves beyond the film's grain, as a share of
        `contrasts`: below about 0.35 for a ball, near 1 for anything else.
    costs : ndarray, shape (N,)
        Weighted squared residual per pixel, for choosing the look.
    """

    centres: np.ndarray
    covariances: np.ndarray
    contrasts: np.ndarray
    misfits: np.ndarray
    costs: np.ndarray


def gather(
    sightings: Sequence[tuple[Candidates, int]], radii: np.ndarray, velocities: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Stack the pictures of chosen candidates with the background to compare them with.

    The background is taken shortly before and after where the ball has left its place by then, so
    that people have moved little; else from longer before and after.

    Parameters
    ----------
    sightings : sequence of (Candidates, int)
    radii : ndarray, shape (N,)
        px.
    velocities : ndarray, shape (N, 2)
        px/s.

    Returns
    -------
    patches : ndarray of uint8, shape (N, 3, P, P)
        Before, in and after the frame.
    origins : ndarray of int, shape (N, 2)
        (u, v) of each patch's first pixel.
    """
    near = np.array([c.near_s for c, _ in sightings])
    gone = np.hypot(*velocities.T) * near > 2.3 * radii + 3
    choice = np.where(gone[:, None], (1, 2, 3), (0, 2, 4))
    return (
        np.stack([c.patches[m][k] for (c, m), k in zip(sightings, choice, strict=True)]),
        np.stack([c.origins[m] for c, m in sightings]),
    )


def measure(
    patches: np.ndarray,
    origins: np.ndarray,
    guesses: np.ndarray,
    radii: np.ndarray,
    velocities: np.ndarray,
    look: Look,
    *,
    steps: int = _STEPS,
) -> BallImages:
    """Fit the ball's picture in each patch.

    Parameters
    ----------
    patches : ndarray of uint8, shape (N, 3, P, P)
        Luma before, in and after the frame.
    origins : ndarray, shape (N, 2)
        (u, v) of each patch's first pixel.
    guesses : ndarray, shape (N, 2)
        (u, v) near the centres.
    radii : ndarray, shape (N,)
        px, from the ball's distance.
    velocities : ndarray, shape (N, 2)
        px/s.
    look : Look
    steps : int
        Gauss-Newton steps.
    """
    n = len(patches)
    out = BallImages(
        centres=np.full((n, 2), np.nan),
        covariances=np.full((n, 2, 2), np.nan),
        contrasts=np.zeros(n),
        misfits=np.full(n, np.inf),
        costs=np.full(n, np.inf),
    )
    streaks = np.hypot(*velocities.T) * look.exposure_s
    reach = radii + _MARGIN + streaks / 2
    sides = np.minimum(2 * np.ceil(reach + 0.3 * radii).astype(int) + 1, patches.shape[2])
    # like sizes together, so that arrays stay full
    order = np.argsort(sides)
    for part in np.array_split(order, max(1, min(6, n // 24))):
        if len(part):
            _measure_alike(
                out, part, int(sides[part].max()), patches, origins, guesses, radii, velocities,
                look, steps,
            )
    return out


def _measure_alike(
    out: BallImages,
    part: np.ndarray,
    side: int,
    patches: np.ndarray,
    origins: np.ndarray,
    guesses: np.ndarray,
    radii: np.ndarray,
    velocities: np.ndarray,
    look: Look,
    steps: int,
) -> None:
    local = guesses[part] - origins[part]
    corner = np.rint(local - (side - 1) / 2).astype(int)
    corner = np.clip(corner, 0, patches.shape[2] - side)
    span = np.arange(side)
    v = corner[:, 1, None, None] + span[:, None]
    u = corner[:, 0, None, None] + span[None, :]
    rows = part[:, None, None]
    before, shown, after = (patches[rows, k, v, u].reshape(len(part), -1) for k in range(3))
    now, background, weight = _light(before, shown, after)
    grain = _grain(before, after)
    grid_u = np.broadcast_to(span[None, :], (side, side)).reshape(1, -1).astype(np.float32)
    grid_v = np.broadcast_to(span[:, None], (side, side)).reshape(1, -1).astype(np.float32)
    radius = radii[part].astype(np.float32)[:, None]
    speed = np.hypot(*velocities[part].T)
    heading = velocities[part] / np.maximum(speed, 1e-6)[:, None]
    heading = heading.astype(np.float32)
    streak = (speed * look.exposure_s).astype(np.float32)[:, None]
    start = (local - corner).astype(np.float32)
    # like sizes share one array; each picture is judged within its own ball's reach alone
    reach = 1.3 * radius + _MARGIN + streak / 2
    inside = (grid_u - start[:, :1]) ** 2 + (grid_v - start[:, 1:]) ** 2 < reach**2
    weight = np.where(inside, weight, np.float32(0))
    pixels = np.maximum(inside.sum(axis=1), 9)

    def residual(centre: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        cover, normal = _sphere(
            grid_u - centre[:, :1], grid_v - centre[:, 1:], radius, heading, streak, look.blur_px
        )
        picture = cover * _shading(look.shading, *normal)
        target = now - background * (1 - cover)
        weighed = weight * picture
        energy = np.einsum("np,np->n", weighed, picture) + 1e-6
        level = np.clip(np.einsum("np,np->n", weighed, target) / energy, 0, 800)
        rest = np.sqrt(weight) * (target - level[:, None] * picture)
        shown = level[:, None] * picture - background * cover
        return rest, np.einsum("np,np->n", weight * shown, shown) / pixels

    centre = start.copy()
    delta = np.float32(0.05)
    cost = np.full(len(part), np.inf)
    best, damping = centre.copy(), np.full(len(part), 1e-2)
    shape = np.zeros((len(part), 2, 2))
    left = energy = np.zeros(len(part))
    for _ in range(steps + 1):
        r0, energy_now = residual(centre)
        now_cost = np.einsum("np,np->n", r0, r0)
        better = now_cost < cost
        best = np.where(better[:, None], centre, best)
        damping = np.where(better, np.maximum(damping / 4, 1e-3), damping * 8)
        ju = (residual(centre + [[delta, 0]])[0] - r0) / delta
        jv = (residual(centre + [[0, delta]])[0] - r0) / delta
        normal = np.stack(
            [
                np.stack([np.einsum("np,np->n", ju, ju), np.einsum("np,np->n", ju, jv)], -1),
                np.stack([np.einsum("np,np->n", ju, jv), np.einsum("np,np->n", jv, jv)], -1),
            ],
            axis=1,
        ).astype(float)
        slope = np.stack(
            [np.einsum("np,np->n", ju, r0), np.einsum("np,np->n", jv, r0)], axis=-1
        ).astype(float)
        if not better.all():
            # a step that failed is tried again, shorter, from where it began
            normal = np.where(better[:, None, None], normal, shape)
            slope = np.where(better[:, None], slope, kept_slope)
        shape, kept_slope = normal, slope
        cost = np.minimum(cost, now_cost)
        left = np.where(better, now_cost, left)
        energy = np.where(better, energy_now, energy)
        trace = np.trace(normal, axis1=1, axis2=2)
        damped = normal + (damping * trace + 1e-6)[:, None, None] * np.eye(2)
        move = -np.linalg.solve(damped, slope[..., None])[..., 0]
        longest = np.maximum(0.35 * radii[part], 0.5)
        size = np.maximum(np.hypot(*move.T), 1e-9)
        move *= np.minimum(1, longest / size)[:, None]
        centre = (best + move).astype(np.float32)
    variance = np.maximum(left / np.maximum(1, pixels - 4), 1e-6)
    inverse = np.linalg.inv(shape + 1e-6 * np.eye(2))
    covariance = inverse * np.maximum(variance, 1.0)[:, None, None] + _LEAST_SD**2 * np.eye(2)
    wandered = np.hypot(*(best - start).T) > np.maximum(_FARTHEST * radii[part], 3.0)
    bad = wandered | (energy <= 0)
    out.centres[part] = np.where(bad[:, None], np.nan, best + corner + origins[part])
    out.covariances[part] = covariance
    out.contrasts[part] = np.sqrt(np.maximum(energy, 0)) * _NOISE
    out.misfits[part] = np.where(
        bad, np.inf, np.sqrt(np.maximum(left / pixels - grain, 0) / np.maximum(energy, 1e-9))
    )
    out.costs[part] = left / pixels


def _light(
    before: np.ndarray, shown: np.ndarray, after: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Linear light of a picture and of its background, and the weight of each pixel.

    Cameras store about the 2.2th root of the light, in which edges of a bright ball look up to a
    third of a pixel farther out than they are; shutter and lens add up light, not grey levels.
    """
    earlier, now, later = _LINEAR[before], _LINEAR[shown], _LINEAR[after]
    spread = _NOISE**2 * (_SLOPE[shown] ** 2 + _SLOPE[before] ** 2 / 2)
    return now, (earlier + later) / 2, 1 / (spread + (earlier - later) ** 2 / 2)


def _grain(before: np.ndarray, after: np.ndarray) -> float:
    """Variance of the film's grain in units of the assumed noise, from two views of one place."""
    gap = _LINEAR[before[:, ::3]] - _LINEAR[after[:, ::3]]
    spread = 2 * (_NOISE * _SLOPE[before[:, ::3]]) ** 2
    # the lower quartile of chi-square with one degree of freedom: people move in the rest
    return float(np.clip(np.percentile(gap**2 / spread, 25) / 0.1015, 0.05, 25.0))


def _sphere(
    du: np.ndarray,
    dv: np.ndarray,
    radius: np.ndarray,
    heading: np.ndarray,
    streak: np.ndarray,
    blur_px: float,
) -> tuple[np.ndarray, tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Share of the exposure that the ball covers a pixel, and the surface's direction there.

    The direction is (to the image's right, up, towards the camera), averaged over the exposure.
    """
    along = du * heading[:, :1] + dv * heading[:, 1:]
    across = dv * heading[:, :1] - du * heading[:, 1:]
    # a box as wide as the streak, or as the blur, stands for both along the path ...
    length = np.sqrt(streak**2 + 12 * np.float32(blur_px) ** 2)
    # ... and three chords side by side, spread like the blur, stand for it across
    aside = np.float32(np.sqrt(1.5) * blur_px)
    square = radius**2
    half = (
        np.sqrt(np.maximum(square - (across - aside) ** 2, 0))
        + np.sqrt(np.maximum(square - across**2, 0))
        + np.sqrt(np.maximum(square - (across + aside) ** 2, 0))
    ) / np.float32(3)
    low = np.maximum(along - half, -length / 2)
    high = np.minimum(along + half, length / 2)
    cover = np.maximum(high - low, 0) / length
    seen = (along - (low + high) / 2) / radius  # where on the disc the pixel looks, on average
    beside = across / radius
    over = np.sqrt(np.maximum(seen**2 + beside**2, 1))
    seen, beside = seen / over, beside / over
    front = np.sqrt(np.maximum(1 - seen**2 - beside**2, 0))
    right = seen * heading[:, :1] - beside * heading[:, 1:]
    up = -(seen * heading[:, 1:] + beside * heading[:, :1])  # image v runs down
    return cover, (right, up, front)


def _shading(
    shading: tuple[float, ...], right: np.ndarray, up: np.ndarray, front: np.ndarray
) -> np.ndarray:
    """Brightness for surface directions: 1, r, u, f, u f, u u, r u, r f, r r."""
    c0, cr, cu, cf, cuf, cuu, cru, crf, crr = (np.float32(c) for c in shading)
    return (
        c0
        + up * (cu + cuf * front + cuu * up + cru * right)
        + front * cf
        + right * (cr + crf * front + crr * right)
    )


def learn_look(
    patches: np.ndarray,
    origins: np.ndarray,
    centres: np.ndarray,
    radii: np.ndarray,
    velocities: np.ndarray,
    look: Look,
) -> Look:
    """The exposure, blur and shading that explain the pictures best.

    Centres fitted under a wrong shading are all off by the same share of a radius, and shading
    learnt at those centres keeps them there; so a common shift is tried along with the rest.

    Parameters
    ----------
    patches, origins, radii, velocities
        See `measure`.
    centres : ndarray, shape (N, 2)
        (u, v), px, under `look`; none may be NaN.
    look : Look
        Where to begin.
    """
    chosen = np.linspace(0, len(patches) - 1, min(len(patches), _LEARN_FROM)).round().astype(int)
    patches, origins, centres = patches[chosen], origins[chosen], centres[chosen]
    radii, velocities = radii[chosen], velocities[chosen]
    reach = 1.3 * np.percentile(radii, 90) + _MARGIN
    reach += 0.4 * look.exposure_s * np.percentile(np.hypot(*velocities.T), 90)
    side = min(patches.shape[2], 2 * int(np.ceil(reach)) + 1)
    tried: dict[tuple[float, float, float], tuple[float, Look]] = {}

    def attempt(exposure: float, blur: float, shift: float) -> float:
        key = (exposure, blur, shift)
        if key not in tried:
            begin = Look(exposure_s=exposure, blur_px=blur, shading=look.shading)
            moved = centres + np.column_stack([np.zeros(len(radii)), shift * radii])
            tried[key] = _shade(patches, origins, moved, radii, velocities, begin, side)
        return tried[key][0]

    exposure, blur, shift = look.exposure_s, look.blur_px, 0.0
    for narrow in (1.0, 0.5):
        exposure = _lowest(
            lambda x: attempt(x, blur, shift), exposure, [2.0**-narrow, 2.0**narrow], times=True
        )
        blur = _lowest(lambda x: attempt(exposure, x, shift), blur, [-0.25 * narrow, 0.25 * narrow])
        shift = _lowest(lambda x: attempt(exposure, blur, x), shift, [-0.06 * narrow, 0.06 * narrow])
    return tried[(exposure, blur, shift)][1]


def _lowest(
    cost: Callable[[float], float], start: float, moves: list[float], *, times: bool = False
) -> float:
    """Step down in fixed moves while that lowers the cost; at most five steps each way."""
    best, at = cost(start), start
    for move in moves:
        for _ in range(5):
            there = at * move if times else at + move
            if not times and there < -0.5:
                break
            if (value := cost(there)) >= best:
                break
            best, at = value, there
    return at


def _shade(
    patches: np.ndarray,
    origins: np.ndarray,
    centres: np.ndarray,
    radii: np.ndarray,
    velocities: np.ndarray,
    look: Look,
    side: int,
) -> tuple[float, Look]:
    """Shading fitted at given centres, and the cost that remains with it."""
    local = centres - origins
    corner = np.clip(np.rint(local - (side - 1) / 2).astype(int), 0, patches.shape[2] - side)
    span = np.arange(side)
    v = corner[:, 1, None, None] + span[:, None]
    u = corner[:, 0, None, None] + span[None, :]
    rows = np.arange(len(patches))[:, None, None]
    before, shown, after = (patches[rows, k, v, u].reshape(len(patches), -1) for k in range(3))
    now, background, weight = _light(before, shown, after)
    at = (local - corner).astype(np.float32)
    grid_u = np.broadcast_to(span[None, :], (side, side)).reshape(1, -1).astype(np.float32)
    grid_v = np.broadcast_to(span[:, None], (side, side)).reshape(1, -1).astype(np.float32)
    speed = np.hypot(*velocities.T)
    heading = (velocities / np.maximum(speed, 1e-6)[:, None]).astype(np.float32)
    streak = (speed * look.exposure_s).astype(np.float32)[:, None]
    cover, normal = _sphere(
        grid_u - at[:, :1], grid_v - at[:, 1:], radii.astype(np.float32)[:, None], heading, streak,
        look.blur_px,
    )
    right, up, front = normal
    target = now - background * (1 - cover)
    root = np.sqrt(weight)
    terms = (np.ones_like(up), right, up, front, up * front, up * up, right * up, right * front,
             right * right)
    shading = look.shading
    for _ in range(2):
        picture = cover * _shading(shading, right, up, front)
        energy = np.einsum("np,np->n", weight * picture, picture) + 1e-6
        level = np.clip(np.einsum("np,np->n", weight * picture, target) / energy, 1, 800)
        rest = root * (target - level[:, None] * picture)
        # pictures that do not fit at all teach nothing
        trust = 1 / (1 + np.einsum("np,np->n", rest, rest) / rest.shape[1] / 10)
        rate = (np.sqrt(trust)[:, None] * root * cover) * level[:, None]
        design = np.stack([(rate * t).ravel() for t in terms])
        gram = (design @ design.T).astype(float)
        aim = (np.sqrt(trust)[:, None] * root * target).ravel()
        # a gentle pull to the default, for films with few pictures
        ridge = 0.003 * gram[0, 0] + 1e-9
        solved = np.linalg.solve(
            gram + ridge * np.eye(9), (design @ aim) + ridge * np.array(_DEFAULT_SHADING)
        )
        shading = tuple(float(x) for x in solved / max(solved[0] + solved[3], 1e-3))
    picture = cover * _shading(shading, right, up, front)
    energy = np.einsum("np,np->n", weight * picture, picture) + 1e-6
    level = np.clip(np.einsum("np,np->n", weight * picture, target) / energy, 1, 800)
    rest = root * (target - level[:, None] * picture)
    costs = np.einsum("np,np->n", rest, rest) / rest.shape[1]
    cost = float(np.mean(costs / (1 + costs / 30)))  # a few odd pictures must not decide
    return cost, Look(exposure_s=look.exposure_s, blur_px=look.blur_px, shading=shading)


def _light(
    before: np.ndarray, shown: np.ndarray, after: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Linear light of a picture and of its background, and the weight of each pixel.

    Cameras store about the 2.2th root of the light, in which edges of a bright ball look up to a
    third of a pixel farther out than they are; shutter and lens add up light, not grey levels.
    """
    earlier, now, later = _LINEAR[before], _LINEAR[shown], _LINEAR[after]
    spread = _NOISE**2 * (_SLOPE[shown] ** 2 + _SLOPE[before] ** 2 / 2)
    return now, (earlier + later) / 2, 1 / (spread + (earlier - later) ** 2 / 2)


def _sphere(
    du: np.ndarray,
    dv: np.ndarray,
    radius: np.ndarray,
    heading: np.ndarray,
    streak: np.ndarray,
    blur_px: float,
) -> tuple[np.ndarray, tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """Share of the exposure that the ball covers a pixel, and the surface's direction there.

    The direction is (to the image's right, up, towards the camera), averaged over the exposure.
    """
    along = du * heading[:, :1] + dv * heading[:, 1:]
    across = dv * heading[:, :1] - du * heading[:, 1:]
    # a box as wide as the streak, or as the blur, stands for both along the path ...
    length = np.sqrt(streak**2 + 12 * np.float32(blur_px) ** 2)
    # ... and three chords side by side, spread like the blur, stand for it across
    aside = np.float32(np.sqrt(1.5) * blur_px)
    square = radius**2
    half = (
        np.sqrt(np.maximum(square - (across - aside) ** 2, 0))
        + np.sqrt(np.maximum(square - across**2, 0))
        + np.sqrt(np.maximum(square - (across + aside) ** 2, 0))
    ) / np.float32(3)
    low = np.maximum(along - half, -length / 2)
    high = np.minimum(along + half, length / 2)
    cover = np.maximum(high - low, 0) / length
    seen = (along - (low + high) / 2) / radius  # where on the disc the pixel looks, on average
    beside = across / radius
    over = np.sqrt(np.maximum(seen**2 + beside**2, 1))
    seen, beside = seen / over, beside / over
    front = np.sqrt(np.maximum(1 - seen**2 - beside**2, 0))
    right = seen * heading[:, :1] - beside * heading[:, 1:]
    up = -(seen * heading[:, 1:] + beside * heading[:, :1])  # image v runs down
    return cover, (right, up, front)


def _shading(
    shading: tuple[float, ...], right: np.ndarray, up: np.ndarray, front: np.ndarray
) -> np.ndarray:
    """Brightness for surface directions: 1, r, u, f, u f, u u, r u, r f, r r."""
    c0, cr, cu, cf, cuf, cuu, cru, crf, crr = (np.float32(c) for c in shading)
    return (
        c0
        + up * (cu + cuf * front + cuu * up + cru * right)
        + front * cf
        + right * (cr + crf * front + crr * right)
    )


def learn_shading(
    patches: np.ndarray,
    origins: np.ndarray,
    centres: np.ndarray,
    radii: np.ndarray,
    velocities: np.ndarray,
    look: Look,
) -> Look:
    """`look` with the shading that explains the pictures best, given their centres.

    Parameters
    ----------
    patches, origins, radii, velocities
        See `measure`.
    centres : ndarray, shape (N, 2)
        (u, v), px; none may be NaN.
    look : Look
    """
    side = patches.shape[2]
    span = np.arange(side, dtype=np.float32)
    grid_u = np.broadcast_to(span[None, :], (side, side)).reshape(1, -1)
    grid_v = np.broadcast_to(span[:, None], (side, side)).reshape(1, -1)
    flat = patches.reshape(len(patches), 3, -1)
    now, background, weight = _light(flat[:, 0], flat[:, 1], flat[:, 2])
    local = (centres - origins).astype(np.float32)
    speed = np.hypot(*velocities.T)
    heading = (velocities / np.maximum(speed, 1e-6)[:, None]).astype(np.float32)
    streak = (speed * look.exposure_s).astype(np.float32)[:, None]
    cover, (right, up, front) = _sphere(
        grid_u - local[:, :1], grid_v - local[:, 1:], radii.astype(np.float32)[:, None], heading,
        streak, look.blur_px,
    )
    target = now - background * (1 - cover)
    terms = (np.ones_like(up), right, up, front, up * front, up * up, right * up, right * front,
             right * right)
    shading = look.shading
    for _ in range(2):
        picture = cover * _shading(shading, right, up, front)
        energy = np.einsum("np,np->n", weight * picture, picture) + 1e-6
        level = np.clip(np.einsum("np,np->n", weight * picture, target) / energy, 1, 800)
        root = np.sqrt(weight) * cover * level[:, None]
        design = np.stack([(root * t).ravel() for t in terms])
        normal = (design @ design.T).astype(float)
        right_side = (design @ (np.sqrt(weight) * target).ravel()).astype(float)
        # a gentle pull to the default, for films with few pictures
        ridge = 0.003 * normal[0, 0] + 1e-9
        default = np.array(_DEFAULT_SHADING)
        solved = np.linalg.solve(normal + ridge * np.eye(9), right_side + ridge * default)
        shading = tuple(float(x) for x in solved / max(solved[0] + solved[3], 1e-3))
    return Look(exposure_s=look.exposure_s, blur_px=look.blur_px, shading=shading)
