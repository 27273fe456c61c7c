"""How clearly repeats stand out: closed forms, what a ranking needs, and real blocks.

Figures by hand: a repeat k of a comb with feedback g lies 20 k log10 g below the burst and stands
out of silence by 50 dB more than that; the figure is the mean of three, 0 for those missing.
"""

import numpy as np
import pytest
from scipy.special import jv

from simchain.measure.clarity import (
    AFTER_S,
    BEFORE_S,
    BURST_S,
    EDGE_S,
    FAINTEST_DB,
    burst,
    clarity_db,
)
from tests.references.order_bench import PRESS, Bench, Orders, out

RATE = 48_000
TIME_S = 0.38
RATES = (24_000, 44_100, 48_000, 96_000, 192_000)


def ratio(db: float) -> float:
    return 10.0 ** (db / 20.0)


def later(volts: np.ndarray, time_s: float, gain: float, rate: int = RATE) -> np.ndarray:
    late = round(time_s * rate)
    return gain * np.concatenate((np.zeros((1, late)), volts[:, :-late]), axis=1)


def comb(volts: np.ndarray, gain: float, rate: int = RATE, time_s: float = TIME_S) -> np.ndarray:
    found, step = volts.copy(), round(time_s * rate)
    for start in range(step, found.shape[1], step):
        end = min(start + step, found.shape[1])
        found[:, start:end] += gain * found[:, start - step : end - step]
    return found


def echo(volts: np.ndarray, gain: float, rate: int = RATE) -> np.ndarray:
    return volts + later(volts, TIME_S, gain, rate)


def seconds() -> np.ndarray:
    """Time from the burst's beginning."""
    return np.arange(burst(1.0, RATE).shape[1]) / RATE - BEFORE_S


# What of the burst lies in the band: of a warble with index 150 / 100 the carrier and the first
# pair of lines (Bessel functions, as in any text on frequency modulation), not the second pair.
IN_BAND_DB = 10 * np.log10(jv(0, 1.5) ** 2 + 2 * jv(1, 1.5) ** 2)

# What a tone and the burst make of each other where they meet is gone in the mean of these.
PHASES = np.arange(8) * np.pi / 4


def humming(db: np.ndarray | float, phase: float = 0.0) -> np.ndarray:
    """A tone in the band, so far below a sine of 1 V peak, once the burst is over."""
    t = seconds()
    size = 10.0 ** (np.asarray(db) / 20.0) * np.clip((t - BURST_S) / EDGE_S, 0.0, 1.0)
    return (size * np.sin(2 * np.pi * 517.0 * t + phase))[np.newaxis]


def by_hand(gain: float, repeats: int = 3) -> float:
    levels = 20 * np.log10(gain) * np.arange(1, repeats + 1)
    return float(np.maximum(levels - FAINTEST_DB, 0.0).sum() / 3)


@pytest.mark.parametrize("rate", RATES)
def test_the_burst_and_what_is_played_on(rate: int) -> None:
    volts = burst(0.3, rate)
    assert volts.shape == (1, round((BEFORE_S + BURST_S + AFTER_S) * rate))
    start, end = round(BEFORE_S * rate), round((BEFORE_S + BURST_S) * rate)
    assert not volts[:, : start + 1].any()
    assert np.abs(volts).max() == pytest.approx(0.3, rel=0.01)
    edge = round(EDGE_S * rate)
    spectrum = np.abs(np.fft.rfft(volts[0, start : end - edge], rate))
    assert spectrum[300:600].max() > 10 * spectrum[1200:].max()
    held = volts[0, end : end + rate]
    assert 20 * np.log10(np.sqrt(2 * np.mean(held**2)) / 0.3) == pytest.approx(0.0, abs=0.01)
    assert np.argmax(np.abs(np.fft.rfft(held))) == pytest.approx(4000 / 3, abs=1)


@pytest.mark.parametrize("gain", [0.8, 0.5, 0.3, 0.1])
def test_a_comb_s_repeats_stand_out_of_silence(gain: float) -> None:
    found = clarity_db(comb(burst(0.3, RATE), gain), RATE)
    print(f"feedback {gain}: {found:.2f} dB, by hand {by_hand(gain):.2f} dB")
    assert found == pytest.approx(by_hand(gain), abs=0.1)


@pytest.mark.parametrize("repeats", [0, 1, 2])
def test_missing_repeats_count_as_0(repeats: int) -> None:
    volts = burst(0.3, RATE)
    volts = sum((later(volts, k * TIME_S, 0.5**k) for k in range(1, repeats + 1)), start=volts)
    found = clarity_db(volts, RATE)
    print(f"{repeats} repeats: {found:.2f} dB, by hand {by_hand(0.5, repeats):.2f} dB")
    assert found == pytest.approx(by_hand(0.5, repeats), abs=0.1)


@pytest.mark.parametrize("fill_db", [-45.0, -40.0, -30.0])
def test_a_steady_sound_between_repeats(fill_db: float) -> None:
    """Both powers add up in the repeat; what stands out is that over the one between.

    Within 0.5 dB: the two beat, and the highest point of that lies above the sum of their powers.
    """
    repeats = comb(burst(1.0, RATE), 0.5)
    found = np.mean([clarity_db(repeats + humming(fill_db, phase), RATE) for phase in PHASES])
    levels = 20 * np.log10(0.5) * np.arange(1, 4) + IN_BAND_DB - fill_db
    expected = float(np.mean(10 * np.log10(1 + 10 ** (levels / 10))))
    print(f"{fill_db} dB between: {found:.2f} dB, by hand {expected:.2f} dB")
    assert found == pytest.approx(expected, abs=0.5)


@pytest.mark.parametrize("falls_db", [10.0, 20.0, 40.0])
def test_a_tail_that_decays_between_repeats(falls_db: float) -> None:
    """From -20 dB, so much in a second: a valley lies half a window, 10 ms, before each repeat.

    There are five repeats in two seconds, and the three that stand out most are counted.
    """
    played, levels = comb(burst(1.0, RATE), 0.7), -20.0 - falls_db * np.maximum(seconds(), 0.0)
    found = np.mean([clarity_db(played + humming(levels, phase), RATE) for phase in PHASES])
    number = np.arange(1, 6)
    valleys = np.maximum(-20.0 - falls_db * (TIME_S * number - 0.01), FAINTEST_DB + IN_BAND_DB)
    repeats = 20 * np.log10(0.7) * number + IN_BAND_DB
    standing_out = 10 * np.log10(1 + 10 ** ((repeats - valleys) / 10))
    expected = float(np.mean(np.sort(standing_out)[-3:]))
    print(f"{falls_db} dB a second: {found:.2f} dB, by hand {expected:.2f} dB")
    assert found == pytest.approx(expected, abs=0.2)


@pytest.mark.parametrize("drive", [1.5, 4.0, 20.0])
def test_a_hard_clipper_takes_from_what_is_softer_than_what_is_played_on(drive: float) -> None:
    """By describing functions, for a repeat 32 dB down (Gelb and Vander Velde 1968, from memory).

    With d = 1 / drive the burst alone has the gain (2 / pi) drive (asin d + d sqrt(1 - d^2)), what
    is far softer than another sine is let through while that is not clipped, (2 / pi) drive asin d.
    Into a limiter without a knee that is half, 6.02 dB (J. J. Jones 1963). The rate is one at which
    the second note takes several frames from one limit to the other.
    """
    rate, d = 768_000, 1.0 / drive
    before = echo(burst(1.0, rate), ratio(-32.0), rate)
    behind = np.clip(drive * before, -1.0, 1.0)
    lost = 3 * (clarity_db(before, rate) - clarity_db(behind, rate))
    expected = 20 * np.log10(1 + d * np.sqrt(1 - d**2) / np.arcsin(d))
    print(f"clipped at 1 / {drive}: {lost:.2f} dB less, by theory {expected:.2f} dB")
    assert lost == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("drive", [0.5, 2.0, 8.0])
def test_a_soft_clipper_behind_the_comb_reads_lower_and_before_it_does_not(drive: float) -> None:
    volts = burst(1.0, RATE)
    plain = clarity_db(comb(volts, 0.5), RATE)
    behind = clarity_db(np.tanh(drive * comb(volts, 0.5)), RATE)
    before = clarity_db(comb(np.tanh(drive * volts), 0.5), RATE)
    print(f"drive {drive}: comb {plain:.2f}, behind {behind:.2f}, before {before:.2f} dB")
    assert behind < plain - 0.2
    assert before == pytest.approx(plain, abs=0.1)


def test_with_nothing_played_on_a_clipper_would_seem_to_make_repeats_clearer() -> None:
    """Why there is a second note: in silence a clipper only lifts what is soft."""
    alone = burst(1.0, RATE) * (seconds() < BURST_S - EDGE_S)
    plain, behind = (
        clarity_db(each, RATE) for each in (comb(alone, 0.5), np.tanh(8 * comb(alone, 0.5)))
    )
    print(f"in silence: comb {plain:.2f}, clipper behind it {behind:.2f} dB")
    assert behind > plain + 3.0


@pytest.mark.parametrize("time_s", [0.09, 0.12, 0.25, 1.0])
def test_a_repeat_is_told_from_80_ms_on(time_s: float) -> None:
    volts = burst(1.0, RATE)
    found = clarity_db(volts + later(volts, time_s, 0.5), RATE)
    print(f"a repeat after {time_s} s: {found:.2f} dB, by hand {by_hand(0.5, 1):.2f} dB")
    assert found == pytest.approx(by_hand(0.5, 1), abs=0.1)


def test_level_polarity_a_delay_and_dc_do_not_matter() -> None:
    volts = comb(burst(0.3, RATE), 0.6) + humming(-40.0)
    found = clarity_db(volts, RATE)
    assert clarity_db(1e-5 * volts, RATE) == pytest.approx(found, abs=1e-6)
    assert clarity_db(-30.0 * volts, RATE) == pytest.approx(found, abs=1e-6)
    assert clarity_db(volts + 0.2, RATE) == pytest.approx(found, abs=0.05)
    for late in (1, 77, 4801):
        waited = np.concatenate((np.zeros((1, late)), volts), axis=1)
        assert clarity_db(waited, RATE) == pytest.approx(found, abs=0.05)


def test_both_channels_count_together() -> None:
    """Repeats from side to side have half the power, either side, that those in the middle have."""
    volts = burst(0.3, RATE)
    odd, even = (
        later(volts, TIME_S, 0.6) + later(volts, 3 * TIME_S, 0.6**3),
        later(volts, 2 * TIME_S, 0.36),
    )
    middle, sides = volts + odd + even, np.concatenate((volts + odd, volts + even))
    found = clarity_db(middle, RATE)
    assert clarity_db(np.concatenate((middle, middle)), RATE) == pytest.approx(found, abs=1e-9)
    assert clarity_db(np.concatenate((middle, 0 * middle)), RATE) == pytest.approx(found, abs=1e-9)
    assert clarity_db(sides, RATE) == pytest.approx(found - 3.01, abs=0.05)
    assert clarity_db(sides[::-1], RATE) == pytest.approx(clarity_db(sides, RATE), abs=1e-9)


def test_every_rate_reads_the_same() -> None:
    def filled(rate: int, drive: float) -> float:
        volts = comb(burst(1.0, rate), 0.5, rate)
        volts += 0.02 * np.sin(2 * np.pi * 517 * np.arange(volts.shape[1]) / rate)
        return clarity_db(np.tanh(drive * volts) if drive else volts, rate)

    for drive in (0.0, 1.0):
        found = [filled(rate, drive) for rate in RATES]
        print(f"drive {drive}, {RATES} Hz: {np.round(found, 3)} dB")
        assert np.ptp(found) < 0.2


@pytest.mark.filterwarnings("error")
def test_nothing_that_repeats_reads_0() -> None:
    for frames in (0, 1, 2, 100, RATE):
        for channels in (1, 2):
            assert clarity_db(np.zeros((channels, frames)), RATE) == 0.0
            assert clarity_db(np.full((channels, frames), 0.3), RATE) == 0.0
    assert clarity_db(burst(0.3, RATE), RATE) == 0.0
    assert clarity_db(np.tanh(20 * burst(1.0, RATE)), RATE) == pytest.approx(0.0, abs=0.5)


def test_the_figure_moves_by_no_more_than_levels_do() -> None:
    """A fill that rises in steps of 0.5 dB over repeats of which the third goes first: no jump."""
    repeats = comb(burst(1.0, RATE), 0.4)
    found = [clarity_db(repeats + humming(db), RATE) for db in np.arange(-70.0, 0.0, 0.5)]
    steps = np.diff(found)
    print(
        f"from {found[0]:.1f} to {found[-1]:.1f} dB, steps {steps.min():.2f} .. {steps.max():.2f}"
    )
    assert np.all(np.abs(steps) <= 1.0)
    assert found[0] > 30
    assert found[-1] < 2


def test_a_repeat_that_appears_does_so_without_a_jump() -> None:
    volts, fill = burst(1.0, RATE), humming(-30.0)
    found = [clarity_db(echo(volts, ratio(db)) + fill, RATE) for db in np.arange(-60.0, 0.0, 0.5)]
    print(f"one repeat from -60 to 0 dB: {np.round(found[::10], 2)}")
    assert np.abs(np.diff(found)).max() <= 1.0 / 3
    assert found[0] < 0.1
    assert found[-1] == pytest.approx(10.0, abs=0.5)


def test_a_room_s_tail_is_no_repeat_as_it_is_of_a_plain_tone() -> None:
    """Decaying noise as a room's response: five of them, 2 s to fall by 60 dB."""
    t = seconds()
    shape = _soft(t) * np.sin(2 * np.pi * 450 * t)
    warbling = burst(1.0, RATE)[0]
    means = {}
    for name, sound in {"plain": shape, "warbling": warbling}.items():
        found = []
        for number in range(5):
            noise = np.random.default_rng(number).standard_normal(RATE)
            tail = noise * ratio(-30.0) * 10 ** (-1.5 * np.arange(RATE) / RATE)
            wet = (
                sound + np.fft.irfft(np.fft.rfft(sound, 2**18) * np.fft.rfft(tail, 2**18))[: t.size]
            )
            found.append(clarity_db(wet[np.newaxis], RATE))
        means[name] = float(np.mean(found))
        print(f"room without a delay, {name}: {np.round(found, 1)} dB")
    assert means["warbling"] < 10.0
    assert means["plain"] > 1.5 * means["warbling"]


def _soft(t: np.ndarray) -> np.ndarray:
    inside = np.clip(np.minimum(t, BURST_S - t) / EDGE_S, 0.0, 1.0)
    return np.sin(0.5 * np.pi * inside) ** 2


# Real blocks, behind a guitar and into an input of 1 Mohm.
BLOCKS = {
    "echo": 'kind = "delay"',
    "grit": 'kind = "drive", gain_db = 30',
    "mild": 'kind = "drive", gain_db = 14',
    "press": PRESS,
    "furry": 'kind = "fuzz"',
    "room": 'kind = "reverb"',
    "hall": 'kind = "reverb", decay_s = 4, mix = 0.5',
    "sway": 'kind = "modulation"',
    "quack": 'kind = "wah"',
}


@pytest.fixture(scope="module")
def read(tmp_path_factory: pytest.TempPathFactory) -> dict[str, float]:
    rows = ["", "echo", "room", "hall", "sway", "quack", "grit", "echo_room", "room_echo"]
    rows += ["echo_hall", "grit_echo_hall", "echo_grit_hall"]
    for block in ("grit", "mild", "press", "furry"):
        rows += [f"echo_{block}", f"{block}_echo"]
    bench = Bench(tmp_path_factory.mktemp("clarity"))
    made = bench.render(
        burst(0.3, RATE)[0], BLOCKS, {f"o_{row}": row.split("_") if row else [] for row in rows}
    )
    found = {name[2:]: clarity_db(out(one)[np.newaxis], RATE) for name, one in made.items()}
    for name, value in found.items():
        print(f"{name.replace('_', ' -> ') or 'nothing'}: {value:.1f} dB")
    return found


@pytest.mark.parametrize("block", ["grit", "mild", "press", "furry"])
def test_a_delay_is_less_clear_before_what_distorts_or_compresses(
    read: dict[str, float], block: str
) -> None:
    before, behind = read[f"echo_{block}"], read[f"{block}_echo"]
    print(f"delay before {block} {before:.1f} dB, behind it {behind:.1f} dB")
    assert before < behind - 2.0
    assert behind == pytest.approx(read["echo"], abs=0.2)


def test_a_long_room_behind_the_delay_fills_the_gaps(read: dict[str, float]) -> None:
    print(
        f"delay {read['echo']:.1f}, room {read['echo_room']:.1f}, hall {read['echo_hall']:.1f} dB"
    )
    assert read["echo_hall"] + 5.0 < read["echo_room"] < read["echo"] - 5.0
    assert read["room_echo"] == pytest.approx(read["echo_room"], abs=0.01)
    assert read["echo_grit_hall"] < read["grit_echo_hall"]


def test_what_has_no_repeats_reads_little(read: dict[str, float]) -> None:
    assert max(read[name] for name in ("", "sway", "quack", "grit")) < 0.1
    assert read["room"] < read["echo_room"] - 10.0
    assert read["hall"] < read["echo_hall"] - 1.0
    assert max(read["room"], read["hall"]) < 12.0


@pytest.mark.parametrize("gain_db", [14, 22])
def test_into_an_amplifier_that_distorts(
    tmp_path_factory: pytest.TempPathFactory, gain_db: int
) -> None:
    """In the loop repeats are clear, in front they clog: common practice, no source."""
    orders: Orders = {"front": ["echo"], "loop": ([], ["echo"])}
    orders |= {"before": ["echo", "grit"], "behind": ["grit", "echo"]}
    bench = Bench(tmp_path_factory.mktemp("clarity"))
    made = bench.render(burst(0.3, RATE)[0], BLOCKS, orders, gain_db)
    found = {name: clarity_db(out(one)[np.newaxis], RATE) for name, one in made.items()}
    print(f"gain {gain_db} dB: { ({name: round(value, 1) for name, value in found.items()}) }")
    assert found["front"] < found["loop"]
    assert found["before"] < found["behind"] - 1.0
