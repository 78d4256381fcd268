"""The thermal path as four lumps (die with lid, plate, sink with its water, case air), for many machines at once.

Between two instants power, room and fan speed are constant, and each step is exact: the modes (`chain`) of each machine
and fan speed serve every step length.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from verifyrig.analysis import chain
from verifyrig.analysis.prior import P
from verifyrig.core.trace import FloatArray

__all__ = ["Ahead", "Drive", "End", "fan_share_at", "impedance", "look_ahead", "pairs_of", "settle", "simulate"]

IntArray = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """What moves the machine, step by step.

    Attributes:
        dt_s: Length of each step, s, shape (k,).
        power_w: Mean power in each step, W, shape (k,).
        loaded: Whether the load was on, 0 or 1, shape (k,).
        room_c: Room in each step, °C, shape (k,).
        fan_rpm: Measured fan speed in each step, shape (k,); None without a reading.
        seen_c: Die temperature in each step as read, °C, shape (k,): what fans on a curve go by.
        start_power_w: Power before the first step, W.
        level_at: Steps that stand for the fan speeds of others like them, shape (l,).
        level_of: For each step its place in `level_at`, shape (k,).
        pairs: As of `pairs_of` these steps.
    """

    dt_s: FloatArray
    power_w: FloatArray
    loaded: FloatArray
    ambient_c: FloatArray
    fan_rpm: FloatArray | None
    seen_c: FloatArray
    start_power_w: float
    level_at: IntArray
    level_of: IntArray
    pairs: tuple[IntArray, FloatArray, IntArray]


def pairs_of(level_of: IntArray, dt_s: FloatArray) -> tuple[IntArray, FloatArray, IntArray]:
    """Return fan speed and length of each different step, shape (q,), and for each step its place there, (k,)."""
    lengths, length_of = np.unique(np.round(dt_s, 3), return_inverse=True)
    pairs, pair_of = np.unique(level_of * len(lengths) + length_of, return_inverse=True)
    return pairs // len(lengths), lengths[pairs % len(lengths)], pair_of


def fan_share_at(theta: FloatArray, temp_c: FloatArray) -> FloatArray:
    """Return the speed that the fan curve asks for at a die temperature, over full speed.

    Args:
        theta: Parameters, shape (m, p).
        temp_c: Temperatures, °C, shape (m, ...) or broadcastable to it.
    """
    extra = (1,) * (np.ndim(temp_c) - 1)
    low_c, high_c, low = (theta[:, p].reshape(-1, *extra) for p in (P.CURVE_LOW, P.CURVE_HIGH, P.LOW_SHARE))
    low = np.clip(low, 0.05, 1.0)
    share = chain.fan_share(temp_c, low_c, high_c, low)
    if theta.shape[1] <= P.FAN_FLATTER:
        return share
    return np.asarray(low + (share - low) / (1.0 + theta[:, P.FAN_FLATTER].reshape(-1, *extra)))


def _sink_w_per_k(theta: FloatArray, share: FloatArray) -> FloatArray:
    return chain.sink_w_per_k(share, theta[:, P.SINK_TO_AIR, None], theta[:, P.STILL_AIR, None])


def _case_w_per_k(theta: FloatArray, share: FloatArray) -> FloatArray:
    return chain.case_w_per_k(share, theta[:, P.CASE_TO_AMBIENT, None])


def _shares(theta: FloatArray, drive: Drive) -> tuple[FloatArray, FloatArray]:
    """Return the cooler fan's and the case fans' speed in each step, over full speed, shape (m, k)."""
    curve = fan_share_at(theta, drive.seen_c[None, :])
    if drive.fan_rpm is None:
        return curve, curve
    measured = drive.fan_rpm[None, :] / theta[:, P.FULL_SPEED, None]
    stands = drive.fan_rpm[None, :] < 30.0
    return measured, np.where(stands, curve, measured)


def _links(theta: FloatArray, sink: FloatArray, case: FloatArray) -> FloatArray:
    """Return all conductances, W/K, shape (4, m, l), for those of sink and case, shape (m, l)."""
    inner = (np.broadcast_to(1.0 / theta[:, p, None], sink.shape) for p in (P.DIE_TO_PLATE, P.PLATE_TO_SINK))
    return np.stack([*inner, sink, case])


def _modes(theta: FloatArray, sink: FloatArray, case: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return rates (m, l, 4), modes (m, l, 4, 4) and their inverse for conductances sink and case, shape (m, l)."""
    capacities = theta[:, [P.DIE_CAPACITY, P.PLATE_CAPACITY, P.SINK_CAPACITY, P.CASE_CAPACITY]]
    return chain.modes(np.moveaxis(_links(theta, sink, case), 0, -1), capacities[:, None, :])


def _steady(
    theta: FloatArray, sink: FloatArray, case: FloatArray, power: FloatArray, ambient: FloatArray
) -> FloatArray:
    """Return the four steady temperatures, shape (m, k, 4)."""
    ends = chain.steady_c(_links(theta, sink, case), power, theta[:, P.BOARD_POWER, None], ambient)
    return np.moveaxis(ends, 0, -1)


def _powers(theta: FloatArray, drive: Drive) -> FloatArray:
    gain = 1.0 + (theta[:, P.STEP_GAIN, None] - 1.0) * drive.loaded[None, :]
    return gain * drive.power_w[None, :]


def simulate(theta: FloatArray, drive: Drive, start_k: FloatArray | None = None) -> tuple[FloatArray, FloatArray]:
    """Return what the die's sensor shows on average in each step, °C, shape (m, k), and the last state, (m, 4).

    Args:
        theta: Parameters of m machines, shape (m, p).
        start_k: What else each lump has above its idle state at the first sample, K, shape (m, 4).
    """
    fan, case_fan = _shares(theta, drive)
    sink, case = _sink_w_per_k(theta, fan), _case_w_per_k(theta, case_fan)
    # Each step has its own steady state; only how fast it is approached is taken from a few fan speeds.
    steady = _steady(theta, sink, case, _powers(theta, drive), drive.ambient_c[None, :])
    state = _first_state(theta, sink[:, :1], case[:, :1], drive)
    if start_k is not None:
        state = state + start_k
    rates, modes, inverse = _modes(theta, sink[:, drive.level_at], case[:, drive.level_at])
    fade, shown, pair_of = _fades(rates, modes, drive)
    # In a fan speed's own modes a step is a plain fading; a matrix is needed only where the speed changes.
    jumps = np.concatenate((state[:, None], steady[:, :-1]), axis=1) - steady
    away = _in_modes(inverse, jumps, drive.level_of)
    now = np.zeros_like(away[0])
    for k, (level, pair) in enumerate(zip(drive.level_of, pair_of, strict=True)):
        if k and level != drive.level_of[k - 1]:
            state = np.einsum("mij,mj->mi", modes[:, drive.level_of[k - 1]], now)
            now = np.einsum("mij,mj->mi", inverse[:, level], state)
        away[k] += now
        now = away[k] * fade[pair]
    seen = np.einsum("kmi,kmi->mk", away, shown[pair_of]) + steady[..., 0]
    last = steady[:, -1] + np.einsum("mij,mj->mi", modes[:, drive.level_of[-1]], now)
    return seen + theta[:, P.OFFSET, None], last


def _in_modes(inverse: FloatArray, jumps: FloatArray, level_of: IntArray) -> FloatArray:
    """Return each step's jump in steady state, jumps (m, k, 4), in modes: (k, m, 4)."""
    found = np.empty((jumps.shape[1], jumps.shape[0], 4))
    for level in range(inverse.shape[1]):
        at = np.flatnonzero(level_of == level)
        found[at] = np.swapaxes(jumps[:, at] @ np.swapaxes(inverse[:, level], 1, 2), 0, 1)
    return found


def _fades(rates: FloatArray, modes: FloatArray, drive: Drive) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return for each pair of fan speed and step length what remains of each mode after the step and what the die shows
    of it on average, both (q, m, 4), and for each step its pair, shape (k,)."""
    level, length, pair_of = drive.pairs
    x = np.swapaxes(rates, 0, 1)[level] * length[:, None, None]
    fade = np.exp(-x)
    mean = -np.expm1(-x) / np.maximum(x, 1e-12)
    return fade, mean * np.swapaxes(modes[:, :, 0], 0, 1)[level], pair_of


def _first_state(theta: FloatArray, sink: FloatArray, case: FloatArray, drive: Drive) -> FloatArray:
    start_w = np.full((len(theta), 1), drive.start_power_w)
    at_idle = _steady(theta, sink, case, start_w, drive.ambient_c[None, :1])[:, 0]
    excess = theta[:, P.START_EXCESS, None] * np.array([1.0, 1.0, 1.0, 0.5])
    return np.asarray(at_idle + excess)


class End(NamedTuple):
    """Where machines end under a load that goes on for ever, each of shape (m,).

    Attributes:
        shown_c: What the die's sensor will show, °C.
        power_w: Power there, leakage included, W.
        slowest_s: Slowest time constant there, s.
    """

    shown_c: FloatArray
    power_w: FloatArray
    slowest_s: FloatArray


def settle(
    theta: FloatArray,
    *,
    power_w: float | FloatArray,
    at_c: float,
    loaded: bool,
    ambient_c: float,
    fan_stands: bool,
    fan_rpm: float | None = None,
    fan_at_c: float | None = None,
    at_most_w: float | None = None,
) -> End:
    """Return where machines settle when load and room stay as they are now.

    Args:
        theta: Parameters, shape (m, p).
        power_w, at_c: Power now, one for all or shape (m,), and the die temperature as shown at which it was drawn.
        fan_stands: The cooler's fan turns at no temperature.
        fan_rpm: Measured speed now; the curve then only says how it will move from there. None without a reading.
        fan_at_c: Die temperature as shown at that speed, where it is not `at_c`.
        at_most_w: The part's own power limit, W: what is hot there runs at lower clocks and draws no more.

    A hotter die asks for more fan and more fan cools the die, so the end is found by bisection.
    """
    gain = theta[:, P.STEP_GAIN] if loaded else np.ones(len(theta))
    turn = None
    if fan_rpm is not None and not fan_stands:
        turn = fan_rpm / theta[:, P.FULL_SPEED] - fan_share_at(
            theta, np.array([at_c if fan_at_c is None else fan_at_c])
        )
    drawn_w = gain * power_w / chain.leaked_w(1.0, theta[:, P.LEAKAGE], at_c)
    most_w = np.full(len(theta), np.inf) if at_most_w is None else np.maximum(gain * at_most_w, gain * power_w)
    low, high = np.full(len(theta), ambient_c - 40.0), np.full(len(theta), 300.0)
    for _ in range(14):
        middle = 0.5 * (low + high)
        above = _end_at(theta, middle, (drawn_w, most_w), ambient_c, fan_stands, turn)[0] > middle
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    shown_c, power, sink, case = _end_at(theta, 0.5 * (low + high), (drawn_w, most_w), ambient_c, fan_stands, turn)
    rates, _, _ = _modes(theta, sink, case)
    return End(shown_c, power, 1.0 / rates[:, 0, 0])


def _end_at(
    theta: FloatArray,
    shown_c: FloatArray,
    drawn_w: tuple[FloatArray, FloatArray],
    ambient_c: float,
    stands: bool,
    turn: FloatArray | None,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the steady reading if power and fans were those of a die that shows `shown_c`, with power and links.

    `drawn_w`: power at 50 °C and the most that it may grow to.
    """
    curve = fan_share_at(theta, shown_c)
    share = curve if turn is None else np.clip(curve + turn, 0.0, 1.2)
    sink = _sink_w_per_k(theta, (np.zeros_like(share) if stands else share)[:, None])
    case = _case_w_per_k(theta, share[:, None])
    power = np.minimum(chain.leaked_w(drawn_w[0], theta[:, P.LEAKAGE], shown_c), drawn_w[1])
    ends = _steady(theta, sink, case, power[:, None], np.full((1, 1), ambient_c))
    return ends[:, 0, 0] + theta[:, P.OFFSET], power, sink, case


def impedance(theta: FloatArray, t_s: FloatArray, fan_rpm: float | None, at_c: float) -> FloatArray:
    """Return the die's rise per watt after a step of power with the fans held still, K/W, shape (m, len(t_s)).

    Args:
        fan_rpm: Speed of the cooler's fan; None without a reading: then the curve's speed at `at_c`, °C.
    """
    curve = fan_share_at(theta, np.full((1, 1), at_c))
    share = curve if fan_rpm is None else fan_rpm / theta[:, P.FULL_SPEED, None]
    case_share = curve if fan_rpm is not None and fan_rpm < 30.0 else share
    sink, case = _sink_w_per_k(theta, share), _case_w_per_k(theta, case_share)
    rates, modes, inverse = (part[:, 0] for part in _modes(theta, sink, case))
    no_power, no_ambient = np.zeros((1, 1)), np.zeros((1, 1))
    steady = (
        _steady(theta, sink, case, no_power + 1.0, no_ambient) - _steady(theta, sink, case, no_power, no_ambient)
    )[:, 0]
    way = np.einsum("mij,mj->mi", inverse, steady)
    fades = np.exp(-rates[:, None, :] * np.asarray(t_s)[None, :, None])
    return np.asarray(steady[:, None, 0] - (modes[:, None, 0] * fades * way[:, None]).sum(axis=-1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """Machines in the state they are in now, with their fans at the speed that they have now.

    Over some seconds fans follow too slowly to be counted on: what they do later only helps.

    Attributes:
        theta: Parameters, shape (m, p).
        state_c: The four lumps now, °C, shape (m, 4).
        room_c: Room, °C.
        sink_w_per_k, case_w_per_k: Conductances at these fan speeds, shape (m, 1).
        rates, modes, inverse: As of `_modes` at these speeds.
    """

    theta: FloatArray
    state_c: FloatArray
    ambient_c: float
    sink_w_per_k: FloatArray
    case_w_per_k: FloatArray
    rates: FloatArray
    modes: FloatArray
    inverse: FloatArray

    def course(self, power_w: FloatArray, t_s: FloatArray) -> FloatArray:
        """Return the four lumps t_s seconds from now under another power, °C, shape (m, len(t_s), 4).

        Args:
            power_w: Power of each machine from now on, W, shape (m,).
        """
        ambient = np.full((1, 1), self.ambient_c)
        steady = _steady(self.theta, self.sink_w_per_k, self.case_w_per_k, power_w[:, None], ambient)[:, 0]
        way = np.einsum("mij,mj->mi", self.inverse, self.state_c - steady)
        fades = np.exp(-self.rates[:, None, :] * np.asarray(t_s)[None, :, None])
        return np.asarray(steady[:, None, :] + np.einsum("mij,mtj->mti", self.modes, fades * way[:, None, :]))


def look_ahead(theta: FloatArray, drive: Drive) -> Ahead:
    """Return the machines where this drive has left them, their fans as they turn in its last step."""
    _, state = simulate(theta, drive)
    fan, case_fan = (share[:, -1:] for share in _shares(theta, drive))
    sink, case = _sink_w_per_k(theta, fan), _case_w_per_k(theta, case_fan)
    rates, modes, inverse = (part[:, 0] for part in _modes(theta, sink, case))
    return Ahead(
        theta=theta,
        state_c=state,
        ambient_c=float(drive.ambient_c[-1]),
        sink_w_per_k=sink,
        case_w_per_k=case,
        rates=rates,
        modes=modes,
        inverse=inverse,
    )
