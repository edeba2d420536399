"""The flight and the bounce against closed forms, SciPy, MuJoCo and the laws of mechanics."""

from __future__ import annotations

import mujoco
import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from calibration import table
from placement import flight

G = 9.80665
R = 0.020
ALPHA = 2 / 3  # thin shell


def k_of(drag: float, density: float = 1.2041) -> float:
    """1/m, from the ball of Laws 2.3.1 and 2.3.2."""
    return density * drag * np.pi * R**2 / (2 * 0.0027)


def fall(height: float, drag: float) -> np.ndarray:
    """Velocity after a fall from rest, by our flight."""
    arc = flight.fly(
        np.array([[0.0, 0.0, height]]), np.zeros((1, 3)), np.zeros((1, 3)), 1.5,
        drag_coefficient=drag, step=0.01,
    )  # fmt: skip
    since = arc.falls_to(0.0)
    return np.array([since[0], arc.velocity_at(since[:, None])[0, 0, 2]])


# closed form: v_t = sqrt(g / k); MuJoCo 4.0 gives the value for 0.50 as well
@pytest.mark.parametrize(("drag", "speed"), [(0.40, 9.3539), (0.45, 8.8189), (0.50, 8.3663)])
def test_at_terminal_speed_drag_holds_the_ball(drag, speed):
    pull = flight.acceleration(
        np.array([[0.0, 0.0, -speed]]), np.zeros((1, 3)), drag_coefficient=drag
    )
    assert pull[0, 2] == pytest.approx(0.0, abs=3e-4)  # m/s^2; the speed has four decimals


def test_fall_through_two_metres_agrees_with_the_closed_form():
    # v = v_t sqrt(1 - exp(-2 g h / v_t^2)), t = (v_t / g) arcosh(exp(g h / v_t^2)), drag 0.50
    time, speed = fall(2.0, 0.50)
    assert time == pytest.approx(0.66886, abs=1e-5)
    assert speed == pytest.approx(-5.47997, abs=1e-4)


def test_rise_agrees_with_the_closed_form():
    # h = (v_t^2 / 2 g) ln(1 + v0^2 / v_t^2) at t = (v_t / g) arctan(v0 / v_t), v0 5 m/s, drag 0.50
    arc = flight.fly(
        np.zeros((1, 3)), np.array([[0.0, 0.0, 5.0]]), np.zeros((1, 3)), 0.6,
        drag_coefficient=0.50, step=0.01,
    )  # fmt: skip
    at, speed = arc.at(np.array([[0.45956]])), arc.velocity_at(np.array([[0.45956]]))
    assert at[0, 0, 2] == pytest.approx(1.08990, abs=1e-5)
    assert speed[0, 0, 2] == pytest.approx(0.0, abs=1e-4)


def test_straight_flight_loses_speed_by_the_exponential_law():
    # without gravity v = v0 exp(-k x): at right angles to a short fall, over 1 ms
    v = np.array([[10.0, 0.0, 0.0]])
    pull = flight.acceleration(v, np.zeros((1, 3)), drag_coefficient=0.50)
    assert pull[0, 0] == pytest.approx(-k_of(0.50) * 100, abs=1e-9)
    # and the tabulated end of 2.74 m: 6.8121 m/s
    assert 10 * np.exp(-flight.drag_constant(0.50) * 2.74) == pytest.approx(6.8121, abs=1e-4)


def test_restitution_of_the_table_test_with_drag_put_back():
    # Law 2.1.3: 0.30 m gives about 0.23 m; 0.90530 with drag 0.45, 0.87560 without air
    speed_in = -fall(0.30, 0.45)[1]

    def rise(speed: float) -> float:
        arc = flight.fly(
            np.zeros((1, 3)), np.array([[0.0, 0.0, speed]]), np.zeros((1, 3)), 0.3,
            drag_coefficient=0.45, step=0.01,
        )  # fmt: skip
        return float(arc.at(np.linspace(0.1, 0.3, 4001)[None])[0, :, 2].max())

    speed_out = brentq(lambda s: rise(s) - 0.23, 1.5, 3.0)
    assert speed_out / speed_in == pytest.approx(0.90530, abs=2e-5)


def bounced(vx, vz, spin, e=0.9, mu=0.25, **more):
    v, w = flight.bounce(
        np.array([[vx, 0.0, vz]]), np.array([[0.0, spin, 0.0]]), restitution=e, friction=mu, **more
    )
    return v[0, 0], v[0, 2], w[0, 1]


# worked by hand from Coulomb friction and rolling: u = v - r w, J = (1 + e)|v_z|
@pytest.mark.parametrize(
    ("given", "expected", "tolerance"),
    [
        pytest.param((5, -2, 0, 0.9), (4.05, 1.80, 71.25), 1e-9, id="slips"),
        pytest.param((2, -2, 0, 0.9), (1.20, 1.80, 60.0), 1e-9, id="grips"),
        pytest.param((4, -1.5, -60 * np.pi, 0.93), (3.27625, 1.395, -134.214), 1e-3, id="backspin"),
        pytest.param((5, -2, 60 * np.pi, 0.9), (4.50796, 1.80, 225.398), 1e-3, id="topspin"),
    ],
)
def test_bounces_worked_by_hand(given, expected, tolerance):
    assert bounced(*given) == pytest.approx(expected, abs=tolerance)


def test_perfectly_rough_shell():
    # Garwin, Am. J. Phys. 37:88 (1969): v' = 1/5, r w' = 6/5 for a shell; needs friction that grips
    vx, _, spin = bounced(1.0, -2.0, 0.0, mu=10.0, grip_return=1.0)
    assert (vx, R * spin) == pytest.approx((1 / 5, 6 / 5), abs=1e-12)


def test_bounce_keeps_angular_momentum_about_the_contact_and_never_gains_energy():
    rng = np.random.default_rng(5)
    v = rng.normal(0, 4, (500, 3))
    v[:, 2] = -np.abs(v[:, 2]) - 0.1
    w = rng.normal(0, 150, (500, 3))
    e, mu = rng.uniform(0.7, 1.0, 500), rng.uniform(0.05, 0.6, 500)
    after, turned = flight.bounce(v, w, restitution=e, friction=mu)

    def momentum(v, w):
        return v[:, :2] + ALPHA * R * np.column_stack([w[:, 1], -w[:, 0]])

    np.testing.assert_allclose(momentum(after, turned), momentum(v, w), rtol=0, atol=1e-12)

    def energy(v, w):
        return (v**2).sum(1) + ALPHA * R**2 * (w**2).sum(1)

    assert (energy(after, turned) <= energy(v, w) + 1e-9).all()


def test_flight_never_gains_energy():
    rng = np.random.default_rng(6)
    v, w = rng.normal(0, 5, (50, 3)), rng.normal(0, 200, (50, 3))
    arc = flight.fly(np.zeros((50, 3)), v, w, 0.6)
    total = (arc.velocity**2).sum(2) / 2 + G * arc.position[:, :, 2]
    assert (np.diff(total, axis=0) < 1e-4).all()  # lift does no work, drag takes


def reference(position, velocity, spin, duration, drag, lift):
    """SciPy's DOP853 with forces written out anew."""

    def rates(_, y):
        v = y[3:]
        speed = np.linalg.norm(v)
        turn = R * np.linalg.norm(spin)
        c_lift = lift / (2 + speed / turn) if turn > 0 else 0.0
        area = np.pi * R**2
        force = 1.2041 * area / (2 * 0.0027)
        # lift acts along spin x velocity and shrinks with the sine of the angle between them
        across = np.cross(spin, v) * speed / max(np.linalg.norm(spin), 1e-30)
        pull = -force * drag * speed * v + force * c_lift * across
        return np.concatenate([v, pull + np.array([0, 0, -G])])

    sol = solve_ivp(
        rates, (0, duration), np.concatenate([position, velocity]), method="DOP853",
        rtol=1e-12, atol=1e-13, dense_output=True,
    )  # fmt: skip
    return sol.sol


@pytest.mark.parametrize("spin", [(0, 0, 0), (0, 300, 0), (120, -200, 150)])
def test_flight_agrees_with_scipy(spin):
    p, v, w = np.array([-1.3, 0.1, 0.3]), np.array([6.0, 0.8, 1.0]), np.array(spin, float)
    exact = reference(p, v, w, 0.6, 0.45, 1.0)
    arc = flight.fly(p[None], v[None], w[None], 0.6)
    times = np.linspace(0, 0.6, 31)
    # 5e-5 m at the default step of 100 ms: far below a pixel, which spans 2 mm and more
    np.testing.assert_allclose(arc.at(times[None])[0], exact(times)[:3].T, rtol=0, atol=5e-5)


def bounces(v_h, y0, z0, v_z=0.0, drag=0.45, spin=0.0, n=3):
    """Times and places of the first bounces; x here is y of the worked examples."""
    p, v = np.array([[y0, 0.0, z0]]), np.array([[v_h, 0.0, v_z]])
    w = np.array([[0.0, spin, 0.0]])
    found, time = [], 0.0
    for _ in range(n):
        arc = flight.fly(p, v, w, 0.8, drag_coefficient=drag, lift_scale=0.0, step=0.01)
        since = arc.falls_to(R)
        time += since[0]
        p = arc.at(since[:, None])[:, 0]
        found.append((time, p[0, 0]))
        v, w = flight.bounce(arc.velocity_at(since[:, None])[:, 0], w, restitution=0.9)
    return np.array(found)


# DOP853 at rtol 1e-12, e 0.9, friction 0.25, no lift; distances from the server's end line
@pytest.mark.parametrize(
    ("given", "times", "places"),
    [
        pytest.param((4.5, -0.20, 0.30), (0.24435, 0.64463, 0.98987),
                     (0.82821, 1.89335, 2.59155), id="short"),
        pytest.param((7.0, -0.30, 0.20, -1.5), (0.09513, 0.49403, 0.83122),
                     (0.33858, 2.22544, 3.26397), id="long"),
    ],
)  # fmt: skip
def test_worked_serves(given, times, places):
    found = bounces(*given)
    np.testing.assert_allclose(found[:, 0], times, rtol=0, atol=1e-4)
    np.testing.assert_allclose(found[:, 1], places, rtol=0, atol=1e-4)


def test_worked_serve_without_air():
    found = bounces(4.5, -0.20, 0.30, drag=0.0)
    np.testing.assert_allclose(found[:, 0], (0.23896, 0.66910, 1.05622), rtol=0, atol=1e-4)
    np.testing.assert_allclose(found[:, 1], (0.87534, 2.33215, 3.37739), rtol=0, atol=1e-4)


@pytest.mark.parametrize(
    ("speed", "spin", "third"),
    [(4.76004, 0, 2.74000), (4.8, 0, 2.76250), (4.8, -40 * np.pi, 2.61199)],
)
def test_third_bounce_by_speed_and_backspin(speed, spin, third):
    assert bounces(speed, -0.20, 0.30, spin=spin)[2, 1] == pytest.approx(third, abs=1e-4)


def test_clearance_over_the_net_of_the_short_serve():
    first = bounces(4.5, -0.20, 0.30, n=1)[0]
    assert first[0] < 0.44095
    # flown on from the worked first bounce: centre 0.0640 m above the net's top at y 1.37 m
    arc = flight.fly(
        np.array([[-0.20, 0.0, 0.30]]), np.array([[4.5, 0.0, 0.0]]), np.zeros((1, 3)), 0.3,
        step=0.01,
    )  # fmt: skip
    since = arc.falls_to(R)
    v, w = flight.bounce(arc.velocity_at(since[:, None])[:, 0], np.zeros((1, 3)), restitution=0.9)
    hop = flight.fly(arc.at(since[:, None])[:, 0], v, w, 0.4, lift_scale=0.0, step=0.01)
    at = hop.at(np.array([[0.44095 - since[0]]]))[0, 0]
    assert at[0] == pytest.approx(1.37, abs=2e-4)
    assert at[2] - table.NET_HEIGHT == pytest.approx(0.0640, abs=1e-4)


def test_bounce_series_without_air():
    # heights 0.30 e^2n and gaps 2 e^n sqrt(2 h / g), e 0.87560
    e, v = 0.87560, np.sqrt(2 * G * 0.30)
    heights, gaps = [], []
    down = np.array([[0.0, 0.0, -v]])
    for _ in range(3):
        up, _ = flight.bounce(down, np.zeros((1, 3)), restitution=e)
        arc = flight.fly(np.zeros((1, 3)), up, np.zeros((1, 3)), 0.6, drag_coefficient=0.0)
        since = arc.falls_to(0.0)
        gaps.append(since[0])
        heights.append(arc.at(since[:, None] / 2)[0, 0, 2])
        down = arc.velocity_at(since[:, None])[:, 0]
    np.testing.assert_allclose(heights, (0.2300, 0.17633, 0.13519), rtol=0, atol=1e-4)
    np.testing.assert_allclose(gaps, (0.43316, 0.37927, 0.33209), rtol=0, atol=1e-4)


def test_flight_agrees_with_an_independent_engine():
    # MuJoCo's ellipsoid fluid model; its blunt drag entry is half the coefficient, and it adds the
    # mass of the air moved along, 0.75 % of the ball's
    drag, density = 0.45, 1.2041
    model = mujoco.MjModel.from_xml_string(f"""
      <mujoco><option timestep="0.0005" density="{density}" viscosity="0" integrator="RK4"
        gravity="0 0 -{G}"/>
      <worldbody><body><freejoint/><inertial pos="0 0 0" mass="0.0027"
        diaginertia="7.2e-7 7.2e-7 7.2e-7"/><geom type="sphere" size="{R}" contype="0"
        conaffinity="0" fluidshape="ellipsoid" fluidcoef="{drag / 2} 0 0 0 0"/></body></worldbody>
      </mujoco>""")
    data = mujoco.MjData(model)
    data.qpos[:3] = (0, 0, 1)
    data.qvel[:3] = (5, 0, 2)
    for _ in range(800):
        mujoco.mj_step(model, data)
    arc = flight.fly(
        np.array([[0.0, 0, 1]]), np.array([[5.0, 0, 2]]), np.zeros((1, 3)), 0.4,
        drag_coefficient=drag,
    )  # fmt: skip
    # added mass makes 0.75 % of speed changes: up to 6 mm of an 0.8 m fall
    np.testing.assert_allclose(arc.position[-1, 0], data.qpos[:3], rtol=0, atol=8e-3)


@pytest.mark.parametrize(("rise", "restitution"), [(0.24, 0.88707), (0.26, 0.92329)])
def test_restitution_of_a_ball_test(rise, restitution):
    # a ball dropped from 305 mm on steel rises 240 to 260 mm (ITTF Technical Leaflet T3, The Ball);
    # without air e = sqrt(rise / drop), and our bounce from that drop rises as far
    assert np.sqrt(rise / 0.305) == pytest.approx(restitution, abs=1e-5)
    fallen = flight.fly(
        np.array([[0.0, 0.0, 0.305]]), np.zeros((1, 3)), np.zeros((1, 3)), 0.5,
        drag_coefficient=0.0,
    )  # fmt: skip
    down = fallen.velocity_at(fallen.falls_to(0.0)[:, None])[:, 0]
    up, _ = flight.bounce(down, np.zeros((1, 3)), restitution=restitution)
    arc = flight.fly(np.zeros((1, 3)), up, np.zeros((1, 3)), 0.4, drag_coefficient=0.0)
    top = arc.at(np.array([[up[0, 2] / G]]))[0, 0, 2]
    assert top == pytest.approx(rise, abs=1e-5)


def test_terminal_speed_in_the_air_of_a_published_drop():
    # R. M. French, My Favorite Experiment, Part 4: Dropping a Ping-Pong Ball, Experimental
    # Techniques: air of 1.225 kg/m^3, drag coefficient 0.445; sqrt(2 m g / (rho Cd A)) = 8.792 m/s.
    # Ours is the air of 20 °C: the same product of density and coefficient
    same = 0.445 * 1.225 / flight.AIR_DENSITY
    assert np.sqrt(G / flight.drag_constant(same)) == pytest.approx(8.792, abs=0.001)
    fallen = flight.fly(
        np.zeros((1, 3)), np.array([[0.0, 0.0, -8.792]]), np.zeros((1, 3)), 1.0,
        drag_coefficient=same,
    )  # fmt: skip
    assert fallen.velocity_at(np.array([[1.0]]))[0, 0, 2] == pytest.approx(-8.792, abs=1e-3)
