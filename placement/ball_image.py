"""Where the centre of a ball's picture is: a lit sphere, drawn out by the shutter, fitted.

A ball lit from above is as dark below as the table, so the centre of its brightness lies above its
true centre, by one to three pixels. Here its whole picture is fitted (`placement.ball_model`)
over the background seen before and after. Size and motion come from the flight; exposure, blur and
the light are shared by all pictures of a film and learnt from them (`placement.ball_look`), so that
only the centre and one brightness are free for each picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from placement.ball import Candidates
from placement.ball_model import (
    NOISE,
    Chords,
    Look,
    chords,
    covered,
    linear_light,
    shading_of,
    surely_seen,
    tone,
)

_RED_NEUTRAL = np.uint8(138)  # Cr above this counts as ball colour; 128 is grey
_RED_SHARE = (
    1.5397  # of the red difference, to make red of luma (ITU-R BT.709, in the range of luma)
)
BRIGHTEST = 2500.0  # times the light of a ball that shows the shading as learnt; of white, 255
MARGIN = 2.5  # px around the outline that are looked at
_LEAST_SD = 0.06  # px: what compression and a ball's stamp leave
_STEPS = 5
_STILL = 0.004  # px: a picture whose next step is shorter than this is done
_KNOWN = 0.05  # share of the ball's disc behind which must be known what there is
_FARTHEST = 1.2  # radii: a centre that wanders farther than this from its guess is not believed


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
    """The red channel (N, 3, S, S) of luma and the red difference (N, 3, S/2, S/2).

    In it an orange ball is as bright as a white one, and a blue or green table dark.
    """
    tint = _RED_SHARE * (red.astype(np.float32) - 128)
    # a colour sample lies midway between two rows, but on the even column (ITU-T H.264, E.2.1)
    beside = np.concatenate([tint[..., 1:], tint[..., -1:]], axis=-1)
    wide = np.stack([tint, (tint + beside) / 2], axis=-1).reshape(*tint.shape[:-1], -1)
    above = np.concatenate([wide[:, :, :1], wide[:, :, :-1]], axis=2)
    below = np.concatenate([wide[:, :, 1:], wide[:, :, -1:]], axis=2)
    rows = np.stack([0.75 * wide + 0.25 * above, 0.75 * wide + 0.25 * below], axis=3)
    return np.clip(luma + rows.reshape(luma.shape), 0, 255).astype(np.uint8)


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
    now, background, weight = linear_light(before, shown, after, look.shoulder)
    grain = _grain(before, after, look.shoulder)
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
    # where the ball was before, or comes to, the background is unknown and anything fits
    disc = (span - best[:, 0, None, None]) ** 2 + (span[:, None] - best[:, 1, None, None]) ** 2
    disc = (disc < (radius**2)[:, None, None]).reshape(len(part), -1)
    sure = surely_seen(before, after, look.shoulder)
    known = (sure * disc).sum(axis=1) > _KNOWN * np.maximum(disc.sum(axis=1), 1)
    bad = wandered | (energy <= 0) | ~known
    out.centres[part] = np.where(bad[:, None], np.nan, best + corner + origins[part])
    out.covariances[part] = covariance
    out.contrasts[part] = np.sqrt(np.maximum(energy, 0)) * NOISE
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
        self.reach = radius + np.float32(np.sqrt(3) * look.blur_px)
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
        tangents: tuple[np.ndarray, ...] = ()
        for k in range(steps + 1):
            at = trial[who].astype(np.float32)
            if k == 0:
                slack = longest[who].astype(np.float32) + np.float32(0.6)
                here, view = at, self._view(who, at, slack)
            now_cost, now_energy, now_normal, now_slope, tangents = self._look(
                who, view, at, tangents
            )
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
                tangents = tuple(x[going] for x in tangents)
            off = np.hypot(*(trial[who] - here).T)
            if (off + 0.6 > slack).any() or k == 0:
                here = trial[who].astype(np.float32)
                slack = np.full(len(who), 1.0, np.float32)
                view = self._view(who, here, slack)
                tangents = ()
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
        self,
        who: np.ndarray,
        view: tuple[np.ndarray, ...],
        centre: np.ndarray,
        tangents: tuple[np.ndarray, ...],
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, tuple[np.ndarray, ...]]:
        """Squared residuals, energies, normal matrices and slopes at `centre` (n, 2).

        `tangents`, how the residuals change along and across, are taken anew if there are none;
        over the last short steps they hardly change.
        """
        weight, change, background, along, across = view
        heading, radius, streak = self.heading[who], self.radius[who, None], self.streak[who, None]
        hu, hv = heading[:, :1], heading[:, 1:]
        ahead = along - (hu * centre[:, :1] + hv * centre[:, 1:])
        aside = across - (hu * centre[:, 1:] - hv * centre[:, :1])
        root = np.sqrt(weight)
        rooted = root * change, root * background

        def residual(
            ahead: np.ndarray, beside: Chords
        ) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
            cover, normal = covered(ahead, beside, radius, heading, streak, blur)
            picture = root * (cover * shading_of(self.look.shading, *normal))
            target = rooted[0] + rooted[1] * cover
            power = np.einsum("np,np->n", picture, picture) + 1e-6
            level = np.clip(np.einsum("np,np->n", picture, target) / power, 0, BRIGHTEST)
            picture *= level[:, None].astype(np.float32)
            return target - picture, picture, cover, power

        blur = self.look.blur_px
        delta = np.float32(0.05)
        beside = chords(aside, radius, blur)
        r0, picture, cover, _ = residual(ahead, beside)
        if not tangents:
            # a centre moved along the path lets the chords be
            ja = residual(ahead - delta, beside)[0]
            ja -= r0
            jc = residual(ahead, chords(aside - delta, radius, blur))[0]
            jc -= r0
            tangents = ja, jc
        ja, jc = tangents
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
        return cost.astype(float), energy.astype(float), outer, slope, tangents


def _grain(before: np.ndarray, after: np.ndarray, shoulder: float) -> float:
    """Variance of the film's grain in units of the assumed noise, from two views of one place."""
    light, slope = tone(shoulder)
    gap = light[before[:, ::3]] - light[after[:, ::3]]
    spread = 2 * (NOISE * slope[before[:, ::3]]) ** 2
    # the lower quartile of chi-square with one degree of freedom: people move in the rest
    return float(np.clip(np.percentile(gap**2 / spread, 25) / 0.1015, 0.05, 25.0))
