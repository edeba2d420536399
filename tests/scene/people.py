"""Jointed people: where the hands go, and the tapered limbs that follow from it.

A person is a list of `Limb`, each a tapered capsule with a cloth or skin colour. Hands are led by
keyframes; arms and legs bend by the two-bone rule. z is measured from the table's surface.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.interpolate import PchipInterpolator

from .hall import FLOOR

Colour = tuple[float, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Limb:
    """A tapered capsule; `cloth` sets how it is textured."""

    a: np.ndarray
    b: np.ndarray
    ra: float
    rb: float
    colour: np.ndarray
    cloth: float = 1.0
    seed: int = 0
    stripe: np.ndarray | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Blade:
    """The bat's blade: a disc with its centre and normal."""

    centre: np.ndarray
    normal: np.ndarray
    radius: float
    colour: np.ndarray


@dataclass(frozen=True, slots=True)
class Look:
    """Clothes and build, linear RGB."""

    shirt: Colour = (0.35, 0.03, 0.03)
    sleeves: Colour | None = None
    shorts: Colour = (0.02, 0.02, 0.03)
    skin: Colour = (0.50, 0.28, 0.18)
    hair: Colour = (0.03, 0.02, 0.015)
    shoes: Colour = (0.5, 0.5, 0.5)
    rubber: Colour = (0.32, 0.015, 0.02)
    height: float = 1.7
    left_handed: bool = False
    long_trousers: bool = False
    stripe: Colour | None = None
    seed: int = 0


@dataclass(slots=True, eq=False)
class Hand:
    """Keyframed way of a hand (time, x, y, z), smooth and without overshoot."""

    keys: list[tuple[float, np.ndarray]] = field(default_factory=list)
    _curve: PchipInterpolator | None = None

    def key(self, time: float, place: np.ndarray) -> None:
        """Be at `place` at `time`."""
        self.keys.append((time, np.asarray(place, float)))
        self._curve = None

    def at(self, time: float) -> np.ndarray:
        """Place at `time`."""
        if self._curve is None:
            keys = sorted(self.keys, key=lambda k: k[0])
            kept = [keys[0]]
            for k in keys[1:]:
                if k[0] > kept[-1][0] + 1e-3:
                    kept.append(k)
            if len(kept) == 1:
                kept.append((kept[0][0] + 1.0, kept[0][1]))
            self._curve = PchipInterpolator([k[0] for k in kept], np.array([k[1] for k in kept]))
            self._ends = (kept[0][0], kept[-1][0])
        return self._curve(np.clip(time, *self._ends))

    _ends: tuple[float, float] = (0.0, 0.0)


def _bend(a: np.ndarray, b: np.ndarray, la: float, lb: float, pole: np.ndarray) -> tuple:
    """Middle joint and reached end of a two-bone limb from `a` towards `b`."""
    d = b - a
    n = float(np.linalg.norm(d)) or 1e-6
    reach = min(n, 0.985 * (la + lb))
    along = d / n
    c = np.clip((la**2 + reach**2 - lb**2) / (2 * la * reach), -1, 1)
    side = pole - along * (pole @ along)
    side /= np.linalg.norm(side) + 1e-9
    joint = a + la * (c * along + np.sqrt(1 - c * c) * side)
    return joint, a + along * reach


@dataclass(slots=True, eq=False)
class Person:
    """Someone at a table, led by hands, swaying a little."""

    look: Look
    place: np.ndarray  # (2,), m, of the feet's middle
    facing: float  # rad, in the floor's plane
    bat: Hand | None = None
    free: Hand | None = None
    lean: float = 0.30
    crouch: float = 0.10
    body: Hand | None = None  # moves the place, (x, y, 0) added
    hit_direction: Hand | None = None

    def limbs(self, time: float) -> list[Limb | Blade]:
        """The person's parts at `time`."""
        k = self.look.height / 1.7
        look = self.look
        f = np.array([np.cos(self.facing), np.sin(self.facing), 0.0])
        left = np.array([-f[1], f[0], 0.0])
        up = np.array([0.0, 0.0, 1.0])
        sway = (
            0.012 * np.sin(1.9 * time + look.seed) * left
            + 0.01 * np.sin(1.3 * time + 2 * look.seed) * f
        )
        offset = self.body.at(time) if self.body else np.zeros(3)
        feet_mid = np.array([*self.place, FLOOR]) + offset * np.array([1, 1, 0])
        dip = self.crouch + 0.01 * np.sin(2.3 * time + look.seed) + offset[2]
        hip = feet_mid + up * (0.92 * k - dip) - 0.10 * self.lean * f + sway
        chest = (
            hip
            + up * (0.42 * k * np.cos(self.lean))
            + f * (0.42 * k * np.sin(self.lean))
            + 0.5 * sway
        )
        neck = chest + up * 0.10 * k + 0.03 * f
        head = neck + up * 0.14 * k + 0.05 * f
        bat_side = left if look.left_handed else -left
        shoulders = [chest + 0.175 * k * s for s in (bat_side, -bat_side)]
        shirt, skin = np.array(look.shirt), np.array(look.skin)
        sleeves = np.array(look.sleeves) if look.sleeves else shirt
        shorts, stripe = np.array(look.shorts), np.array(look.stripe) if look.stripe else None
        out: list[Limb | Blade] = []
        for s in (-1, 1):  # legs
            foot = feet_mid + left * 0.19 * s * k + f * (0.10 * s)
            root = hip + left * 0.09 * s * k
            knee, ankle = _bend(root, foot + up * 0.09, 0.43 * k, 0.42 * k, f + 0.25 * s * left)
            out.append(Limb(root, knee, 0.088 * k, 0.066 * k, shorts, 1.0, 3 + s))
            mid = knee + 0.15 * (ankle - knee)
            if look.long_trousers:
                out.append(Limb(knee, ankle, 0.065 * k, 0.05 * k, shorts, 1.0, 6 + s))
            else:
                out.append(Limb(knee, mid, 0.052 * k, 0.05 * k, skin, 0.2, 9 + s))
                out.append(Limb(mid, ankle, 0.054 * k, 0.034 * k, skin, 0.2, 9 + s))
                sock = ankle + 0.3 * (mid - ankle)
                out.append(
                    Limb(sock, ankle, 0.042 * k, 0.037 * k, np.array([0.55, 0.55, 0.55]), 0.3, 2)
                )
            shoe = np.array(look.shoes)
            out.append(
                Limb(
                    foot + up * 0.045 - 0.05 * f,
                    foot + up * 0.035 + 0.15 * f,
                    0.045,
                    0.036,
                    shoe,
                    0.3,
                    1,
                )
            )
        # trunk: three upright capsules and the shoulders
        for s in (-1, 0, 1):
            low = hip + up * 0.05 + left * 0.078 * s * k
            top = chest - up * 0.05 + left * 0.085 * s * k
            out.append(
                Limb(low, top, 0.098 * k, 0.105 * k, shirt, 1.0, 20 + s, stripe if s == 0 else None)
            )
        waist = hip + up * 0.0
        out.append(
            Limb(waist - left * 0.085, waist + left * 0.085, 0.104 * k, 0.104 * k, shirt, 1.0, 25)
        )
        low = hip - up * 0.09
        out.append(Limb(low - left * 0.07, low + left * 0.07, 0.10 * k, 0.10 * k, shorts, 1.0, 5))
        yoke = [q * 0.86 + chest * 0.14 - up * 0.015 for q in shoulders]
        out.append(Limb(yoke[0], yoke[1], 0.072 * k, 0.072 * k, shirt, 1.0, 24))
        out.append(Limb(chest + up * 0.03, neck + up * 0.03, 0.065 * k, 0.05 * k, skin, 0.2, 2))
        out.append(
            Limb(
                neck + up * 0.05 + f * 0.04,
                head + up * 0.02 + f * 0.025,
                0.068 * k,
                0.085 * k,
                skin,
                0.2,
                2,
            )
        )
        out.append(
            Limb(
                head + up * 0.02 - f * 0.02,
                head + up * 0.045 - f * 0.01,
                0.092 * k,
                0.088 * k,
                np.array(look.hair),
                0.8,
                31,
            )
        )
        handle = _unit(0.8 * bat_side - 0.5 * f + 0.1 * up)  # from the blade towards the hand
        for hand, shoulder, s in ((self.bat, shoulders[0], 1), (self.free, shoulders[1], -1)):
            away = bat_side * s
            target = hand.at(time) if hand else hip + away * 0.27 + f * 0.12
            holds = hand is not None and s == 1
            aim = f
            if holds:
                aim = _unit(self.hit_direction.at(time) if self.hit_direction else f)
                handle = _unit(handle - aim * (handle @ aim))
                target = target + 0.155 * handle
            elbow, wrist = _bend(
                shoulder, target, 0.29 * k, 0.28 * k, -0.8 * up + 0.9 * away - 0.4 * f
            )
            cuff = shoulder + 0.62 * (elbow - shoulder)
            out.append(Limb(shoulder, cuff, 0.060 * k, 0.064 * k, sleeves, 1.0, 40 + s))
            out.append(Limb(cuff, elbow, 0.045 * k, 0.04 * k, skin, 0.2, 43 + s))
            out.append(Limb(elbow, wrist, 0.042 * k, 0.029 * k, skin, 0.2, 46 + s))
            if holds:
                out.append(
                    Limb(
                        wrist + 0.02 * handle,
                        wrist - 0.05 * handle,
                        0.034 * k,
                        0.032 * k,
                        skin,
                        0.2,
                        50,
                    )
                )
                blade = wrist - 0.155 * handle
                out.append(Limb(wrist, blade, 0.013, 0.013, np.array([0.35, 0.2, 0.09]), 0.1, 60))
                out.append(Blade(blade, aim, 0.078, np.array(look.rubber)))
            else:
                along = _unit(wrist - elbow)
                out.append(Limb(wrist, wrist + 0.07 * along, 0.034 * k, 0.026 * k, skin, 0.2, 49))
        return out


def _unit(v: np.ndarray) -> np.ndarray:
    return v / (np.linalg.norm(v) + 1e-9)


@dataclass(slots=True, eq=False)
class Walker:
    """Someone crossing the hall at a steady pace."""

    look: Look
    start: np.ndarray  # (2,), m
    end: np.ndarray
    begins: float  # s
    pace: float = 1.2  # m/s

    def limbs(self, time: float) -> list[Limb | Blade]:
        """The walker's parts at `time`; before the start he stands, at the end he stops."""
        way = np.asarray(self.end, float) - self.start
        length = float(np.linalg.norm(way))
        done = float(np.clip((time - self.begins) * self.pace, 0, length))
        heading = np.arctan2(way[1], way[0])
        phase = done * 4.2
        moving = 1.0 if 0 < done < length else 0.0
        f = way / length
        place = np.asarray(self.start) + f * done
        person = Person(self.look, place, heading, lean=0.05, crouch=0.02)
        parts = person.limbs(0.3 * time)
        f3, swing = np.array([*f, 0.0]), 0.28 * np.sin(phase) * moving
        out: list[Limb | Blade] = []
        side = np.array([-f[1], f[0], 0.0])
        middle = np.array([*place, 0.0])
        for p in parts:
            if isinstance(p, Blade):
                continue
            moved = []
            for q in (p.a, p.b):
                s = np.sign((q - middle) @ side + 1e-9)
                height = q[2] - FLOOR
                amount = max(0.0, 0.85 - height) / 0.85 if height < 0.9 else 0.0
                if abs((q - middle) @ side) > 0.24 and height < 1.2:  # hands swing against the feet
                    amount = -0.8 * np.clip((1.3 - height) / 0.5, 0, 1)
                moved.append(q + f3 * swing * s * amount * 1.3)
            out.append(Limb(moved[0], moved[1], p.ra, p.rb, p.colour, p.cloth, p.seed, p.stripe))
        return out
