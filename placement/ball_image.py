"""Where the centre of a ball's picture is: a lit sphere, drawn out by the shutter, fitted.

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

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from placement.ball import Candidates

_RED_NEUTRAL = np.uint8(138)  # Cr above this counts as ball colour; 128 is grey
_NOISE = 2.0  # grey levels, least noise assumed of a pixel
_GAMMA = 2.2  # of stored pictures (ITU-R BT.709 and sRGB, nearly)
_LINEAR = (255 * (np.arange(256) / 255) ** _GAMMA).astype(np.float32)
_SLOPE = np.maximum(_GAMMA * (np.arange(256) / 255) ** (_GAMMA - 1), 0.1).astype(np.float32)
MARGIN = 2.5  # px around the outline that are looked at
_LEAST_SD = 0.06  # px: what compression and a ball's stamp leave
_STEPS = 5
_STILL = 0.004  # px: a picture whose next step is shorter than this is done
_FARTHEST = 1.2  # radii: a centre that wanders farther than this from its guess is not believed


#: Shading before anything is learnt: brighter above. Order: see `shading_of`.
DEFAULT_SHADING = (0.75, 0.0, 0.45, 0.25, 0.0, 0.0, 0.0, 0.0, 0.0)


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
    tinted : bool
        Whether the red difference is added to luma: an orange ball may be as bright as the table.
    """

    exposure_s: float = 1 / 250
    blur_px: float = 0.8
    shading: tuple[float, ...] = DEFAULT_SHADING
    tinted: bool = False


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
    sightings: Sequence[tuple[Candidates, int]],
    radii: np.ndarray,
    velocities: np.ndarray,
    *,
    tinted: bool = False,
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
    tinted : bool
        See `Look`.

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
    chosen = list(zip(sightings, choice, strict=True))
    patches = np.stack([c.patches[m][k] for (c, m), k in chosen])
    if tinted:
        patches = _tinted(patches, np.stack([c.reds[m][k] for (c, m), k in chosen]))
    return patches, np.stack([c.origins[m] for c, m in sightings])


def redness(sightings: Sequence[tuple[Candidates, int]], centres: np.ndarray) -> np.ndarray:
    """How much redder each ball is than what lies behind it, levels of Cr, shape (N,)."""
    out = []
    for (c, m), centre in zip(sightings, centres, strict=True):
        red = c.reds[m]
        u, v = np.clip(np.rint((centre - c.origins[m]) / 2 - 0.25), 0, red.shape[1] - 1).astype(int)
        here = red[:, v, u].astype(int)
        out.append(here[2] - max(_RED_NEUTRAL, here[0], here[4]))
    return np.array(out)


def _tinted(luma: np.ndarray, red: np.ndarray) -> np.ndarray:
    """Luma (N, 3, S, S) with twice the red difference (N, 3, S/2, S/2) added."""
    tint = 2 * (np.maximum(red, _RED_NEUTRAL) - _RED_NEUTRAL)  # below 236
    tint = tint.repeat(2, axis=2).repeat(2, axis=3)
    return np.minimum(luma.astype(np.uint16) + tint, 255).astype(np.uint8)


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
    reach = radii + MARGIN + streaks / 2
    sides = np.minimum(2 * np.ceil(reach + 0.3 * radii).astype(int) + 1, patches.shape[2])
    # like sizes together, so that arrays stay full
    order = np.argsort(sides)
    for part in np.array_split(order, max(1, min(6, n // 24))):
        if len(part):
            _measure_alike(
                out,
                part,
                int(sides[part].max()),
                patches,
                origins,
                guesses,
                radii,
                velocities,
                look,
                steps,
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
    now, background, weight = linear_light(before, shown, after)
    grain = _grain(before, after)
    speed = np.hypot(*velocities[part].T)
    heading = (velocities[part] / np.maximum(speed, 1e-6)[:, None]).astype(np.float32)
    start = (local - corner).astype(np.float32)
    radius, streak = radii[part].astype(np.float32), (speed * look.exposure_s).astype(np.float32)
    # like sizes share one array; each picture is judged within its own ball's reach alone
    reach = 1.3 * radius + MARGIN + streak / 2
    inside = (span - start[:, 0, None, None]) ** 2 + (span[:, None] - start[:, 1, None, None]) ** 2
    within = (inside < (reach**2)[:, None, None]).reshape(len(part), -1)
    pixels = np.maximum(within.sum(axis=1), 9)
    fit = _Fit(side, now, background, weight, within, radius, heading, streak, look)
    best, left, energy, shape = fit.run(start, steps)
    energy /= pixels
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


class _Fit:
    """Gauss-Newton for the centres of many pictures of one size at once.

    Where the ball covers nothing, a pixel's residual is that of the background alone: it is summed
    once, and only the pixels that the ball can reach are looked at again. Pictures whose centre
    stands still are done.
    """

    def __init__(
        self,
        side: int,
        now: np.ndarray,
        background: np.ndarray,
        weight: np.ndarray,
        within: np.ndarray,
        radius: np.ndarray,
        heading: np.ndarray,
        streak: np.ndarray,
        look: Look,
    ) -> None:
        self.look, self.within = look, within
        self.background, self.weight = background, np.where(within, weight, np.float32(0))
        self.change = now - background
        self.radius, self.heading, self.streak = radius, heading, streak
        self.empty = np.einsum("np,np,np->n", self.weight, self.change, self.change)
        self.reach = radius + np.float32(np.sqrt(1.5) * look.blur_px)
        self.ahead = radius + np.sqrt(streak**2 + 12 * np.float32(look.blur_px) ** 2) / 2
        grid = np.arange(side * side, dtype=np.float32)
        self.grid_v, self.grid_u = np.divmod(grid, np.float32(side))

    def chosen(self, who: np.ndarray, centre: np.ndarray, slack: np.ndarray) -> np.ndarray:
        """Pixels that a ball within `slack` px of `centre` can reach, shape (n, most of them).

        Rows with fewer are filled up with -1.
        """
        hu, hv = self.heading[who, 0, None], self.heading[who, 1, None]
        u0, v0 = centre[:, :1], centre[:, 1:]
        along = np.abs(hu * self.grid_u + (hv * self.grid_v - (hu * u0 + hv * v0)))
        across = np.abs(hu * self.grid_v - (hv * self.grid_u + (hu * v0 - hv * u0)))
        inside = self.within[who]
        inside &= along < (self.ahead[who] + slack)[:, None]
        inside &= across < (self.reach[who] + slack)[:, None]
        counts = inside.sum(axis=1)
        where = np.flatnonzero(inside.ravel())
        out = np.full((len(who), max(1, int(counts.max()))), -1)
        out[np.arange(out.shape[1]) < counts[:, None]] = where - np.repeat(
            np.arange(len(who)) * inside.shape[1], counts
        )
        return out

    def run(
        self, start: np.ndarray, steps: int
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Best centres (n, 2), their squared residuals, picture energies and normal matrices."""
        n = len(start)
        best, trial = start.astype(float), start.astype(float)
        cost, damping = np.full(n, np.inf), np.full(n, 1e-2)
        energy, normal, slope = np.zeros(n), np.zeros((n, 2, 2)), np.zeros((n, 2))
        longest = np.maximum(0.35 * self.radius, 0.5).astype(float)
        who = np.arange(n)
        for k in range(steps + 1):
            at = trial[who].astype(np.float32)
            if k == 0:
                slack = longest[who].astype(np.float32) + np.float32(0.6)
                here, view = at, self._view(who, at, slack)
            now_cost, now_energy, now_normal, now_slope = self._look(who, view, at)
            better = now_cost < cost[who]
            good = who[better]
            best[good], cost[good] = trial[good], now_cost[better]
            energy[good] = now_energy[better]
            normal[good], slope[good] = now_normal[better], now_slope[better]
            damping[who] = np.where(better, np.maximum(damping[who] / 4, 1e-3), damping[who] * 8)
            if k == steps:
                break
            matrix = normal[who].copy()
            ridge = damping[who] * np.trace(matrix, axis1=1, axis2=2) + 1e-6
            matrix[:, 0, 0] += ridge
            matrix[:, 1, 1] += ridge
            move = -np.linalg.solve(matrix, slope[who][..., None])[..., 0]
            size = np.maximum(np.hypot(*move.T), 1e-9)
            move *= np.minimum(1, longest[who] / size)[:, None]
            trial[who] = best[who] + move
            going = size > _STILL
            if not going.all():
                # the last small step is taken unseen
                done = who[~going]
                best[done] = trial[done]
                who = who[going]
                if not len(who):
                    break
                here, slack = here[going], slack[going]
                view = tuple(x[going] for x in view)
            off = np.hypot(*(trial[who] - here).T)
            if (off + 0.6 > slack).any() or k == 0:
                here = trial[who].astype(np.float32)
                slack = np.full(len(who), 1.0, np.float32)
                view = self._view(who, here, slack)
        return best, cost, energy, normal

    def _view(
        self, who: np.ndarray, centre: np.ndarray, slack: np.ndarray
    ) -> tuple[np.ndarray, ...]:
        """What is needed of the pixels in reach: weight, change, background, along, across."""
        pixels = self.chosen(who, centre, slack)
        rows = who[:, None]
        weight = self.weight[rows, pixels]
        weight[pixels < 0] = 0
        hu, hv = self.heading[who, 0, None], self.heading[who, 1, None]
        u, v = self.grid_u[pixels], self.grid_v[pixels]
        return (
            weight, self.change[rows, pixels], self.background[rows, pixels],
            hu * u + hv * v, hu * v - hv * u,
        )  # fmt: skip

    def _look(
        self, who: np.ndarray, view: tuple[np.ndarray, ...], centre: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Squared residuals, energies, normal matrices and slopes at `centre` (n, 2)."""
        weight, change, background, along, across = view
        heading, radius, streak = self.heading[who], self.radius[who, None], self.streak[who, None]
        hu, hv = heading[:, :1], heading[:, 1:]
        ahead = along - (hu * centre[:, :1] + hv * centre[:, 1:])
        aside = across - (hu * centre[:, 1:] - hv * centre[:, :1])
        root = np.sqrt(weight)
        rooted = root * change, root * background

        def residual(
            ahead: np.ndarray, half: np.ndarray, aside: np.ndarray
        ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
            cover, normal = _covered(ahead, half, aside, radius, heading, streak, blur)
            picture = root * (cover * shading_of(self.look.shading, *normal))
            target = rooted[0] + rooted[1] * cover
            power = np.einsum("np,np->n", picture, picture) + 1e-6
            level = np.clip(np.einsum("np,np->n", picture, target) / power, 0, 800)
            picture *= level[:, None].astype(np.float32)
            return target - picture, picture, cover, power

        blur = self.look.blur_px
        delta = np.float32(0.05)
        half = _half_chord(aside, radius, blur)
        r0, picture, cover, _ = residual(ahead, half, aside)
        # a centre moved along the path lets the chords be
        ja = residual(ahead - delta, half, aside)[0]
        ja -= r0
        jc = residual(ahead, _half_chord(aside - delta, radius, blur), aside - delta)[0]
        jc -= r0
        inside = np.einsum("np,np->n", rooted[0], rooted[0])
        cost = self.empty[who] - inside + np.einsum("np,np->n", r0, r0)
        picture -= rooted[1] * cover
        energy = np.einsum("np,np->n", picture, picture)
        aa, ac, cc, sa, sc = (
            np.einsum("np,np->n", x, y).astype(float)
            for x, y in ((ja, ja), (ja, jc), (jc, jc), (ja, r0), (jc, r0))
        )
        # from along and across the path to u and v
        turn = np.stack([np.stack([hu, hv], -1), np.stack([-hv, hu], -1)], axis=2)[:, 0]
        turn = turn.astype(float) / float(delta)
        inner = np.stack([np.stack([aa, ac], -1), np.stack([ac, cc], -1)], axis=1)
        outer = turn.transpose(0, 2, 1) @ inner @ turn
        slope = (turn.transpose(0, 2, 1) @ np.stack([sa, sc], -1)[..., None])[..., 0]
        return cost.astype(float), energy.astype(float), outer, slope


def linear_light(
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


def covered_sphere(
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
    half = _half_chord(across, radius, blur_px)
    return _covered(along, half, across, radius, heading, streak, blur_px)


def _half_chord(across: np.ndarray, radius: np.ndarray, blur_px: float) -> np.ndarray:
    """Half the length of the disc along the path, `across` px beside its middle.

    Three chords side by side, spread like the blur, stand for it across the path.
    """
    aside = np.float32(np.sqrt(1.5) * blur_px)
    square = radius**2
    half = np.sqrt(np.maximum(square - across**2, 0))
    for shift in (-aside, aside):
        chord = across + shift
        chord *= chord
        np.subtract(square, chord, out=chord)
        np.maximum(chord, 0, out=chord)
        half += np.sqrt(chord, out=chord)
    half *= np.float32(1 / 3)
    return half


def _covered(
    along: np.ndarray,
    half: np.ndarray,
    across: np.ndarray,
    radius: np.ndarray,
    heading: np.ndarray,
    streak: np.ndarray,
    blur_px: float,
) -> tuple[np.ndarray, tuple[np.ndarray, np.ndarray, np.ndarray]]:
    """See `covered_sphere`; takes places along and across the path, and half chords there."""
    # a box as wide as the streak, or as the blur, stands for both along the path
    length = np.sqrt(streak**2 + 12 * np.float32(blur_px) ** 2)
    low = np.maximum(along - half, -length / 2)
    high = np.minimum(along + half, length / 2)
    cover = high - low
    np.maximum(cover, 0, out=cover)
    cover *= 1 / length
    low += high
    low *= np.float32(-0.5)
    low += along
    inverse = 1 / radius
    low *= inverse
    seen = low  # where on the disc the pixel looks, on average
    beside = across * inverse
    square = np.multiply(seen, seen, out=high)
    square += beside * beside
    over = np.sqrt(np.maximum(square, 1))
    np.minimum(square, 1, out=square)
    np.divide(1, over, out=over)
    seen *= over
    beside *= over
    front = np.sqrt(np.subtract(1, square, out=square), out=square)
    hu, hv = heading[:, :1], heading[:, 1:]
    right = seen * hu
    right -= beside * hv
    up = seen * -hv
    up -= beside * hu  # image v runs down
    return cover, (right, up, front)


def shading_of(
    shading: tuple[float, ...], right: np.ndarray, up: np.ndarray, front: np.ndarray
) -> np.ndarray:
    """Brightness for surface directions: 1, r, u, f, u f, u u, r u, r f, r r."""
    c0, cr, cu, cf, cuf, cuu, cru, crf, crr = (np.float32(c) for c in shading)
    out = cuf * front
    out += cu
    out += cuu * up
    out += cru * right
    out *= up
    aside = crf * front
    aside += cr
    aside += crr * right
    aside *= right
    out += aside
    out += cf * front
    out += c0
    return np.asarray(out)
