"""When and where in the spectrum orders differ: one order's spectrogram, and what others change."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from simchain.measure.bands import CENTRES_HZ
from simchain.measure.spectrogram import Spectrogram, spectrogram
from simchain.report.plots import COLOURS, INK, PAPER, SOFT, empty_figure, literal, written
from simchain.report.wording import frequency, letter, spoken
from simchain.signal import Signal

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.colors import Colormap

Floats = NDArray[np.float64]

# Lines 10 Hz apart, a column every 25 ms.
WINDOW_S = 0.1
LOWEST_HZ, HIGHEST_HZ = 63.0, 12_500.0
SHOWN_DB = 60.0
# A change counts in full where either sound is this far below the loudest third of an octave, and
# not at all twice as far below it.
FULL_DB = 25.0
MOST_CHANGE_DB, LEAST_CHANGE_DB = 12.0, 0.1
# What is softer than this, as loud as auditions are, is silence.
_SILENT_DBU = -100.0
_TICKS_HZ = (125.0, 500.0, 2000.0, 8000.0)
_HOW_TO_READ = (
    "Seconds. A: its level over time and frequency. The others, as loud as A: what they have more "
    "of than A, in their own colour,\n"
    "and less of, in A's, in thirds of octaves; fainter where both are soft."
)


def spectrograms(sounds: Mapping[str, Signal], *, title: str, form: str = "png") -> bytes:
    """Draw the first order's spectrogram and beneath it what each other order has more or less of.

    `sounds` maps each order to its sound, all of one passage and equally loud. Changes are those of
    thirds of octaves, up to 12 dB, in the colour of the order that has more, and fade where both
    are soft. Returns the picture as `form`, "png" or "svg". Raises ValueError for another form.
    """
    found = [spectrogram(sound, WINDOW_S, 800) for sound in sounds.values()]
    rows = len(found)
    figure = empty_figure(11.0, 1.0 + 2.1 * rows)
    figure.suptitle(literal(title), x=0.01, ha="left", weight="bold", color=INK)
    axes = figure.subplots(rows, 1, sharex=True, squeeze=False)[:, 0]
    names = [f"{letter(place)}  {literal(spoken(name))}" for place, name in enumerate(sounds)]
    _draw_levels(axes[0], found[0], names[0])
    for place in range(1, rows):
        _draw_change(axes[place], found[0], found[place], place, f"{names[place]}, against A")
    axes[-1].set_xlabel(_HOW_TO_READ, color=SOFT, loc="left", labelpad=8, linespacing=1.5)
    return written(figure, form)


def _draw_levels(axes: "Axes", sound: Spectrogram, name: str) -> None:
    shown = (sound.hz > 0.5 * LOWEST_HZ) & (sound.hz < 1.5 * HIGHEST_HZ)
    levels = sound.dbu[shown] - sound.dbu[shown].max(initial=_SILENT_DBU)
    drawn = axes.pcolormesh(
        *(sound.seconds, sound.hz[shown], levels),
        cmap=_tones(PAPER, INK),
        vmin=-SHOWN_DB,
        vmax=0.0,
        shading="nearest",
        rasterized=True,
    )
    _frame(axes, name, COLOURS[0])
    axes.figure.colorbar(drawn, ax=axes, label="against the loudest, dB", pad=0.01)


def _draw_change(axes: "Axes", a: Spectrogram, b: Spectrogram, place: int, name: str) -> None:
    centres, change = change_db(a, b)
    colour = COLOURS[place % len(COLOURS)]
    drawn = axes.pcolormesh(
        *(a.seconds, centres, change),
        cmap=_tones(COLOURS[0], PAPER, colour),
        vmin=-MOST_CHANGE_DB,
        vmax=MOST_CHANGE_DB,
        shading="nearest",
        rasterized=True,
    )
    _frame(axes, name, colour)
    label = f"more in A | in {letter(place)}, dB"
    bar = axes.figure.colorbar(drawn, ax=axes, label=label, pad=0.01)
    bar.set_ticks([-12, -6, 0, 6, 12], labels=["12", "6", "0", "6", "12"])
    if np.abs(change).max(initial=0.0) < LEAST_CHANGE_DB:
        axes.text(0.5, 0.5, f"nowhere {LEAST_CHANGE_DB:g} dB from A", style="italic", color=SOFT,
                  ha="center", va="center", transform=axes.transAxes)  # fmt: skip


def change_db(a: Spectrogram, b: Spectrogram) -> tuple[Floats, Floats]:
    """Return centres of thirds of octaves in Hz, and by how many dB `b` is above `a` in each.

    The second has shape (thirds, columns). Where both are soft it is the less, as said above.
    """
    half = 10.0 ** (1.0 / 20.0)
    centres = np.array([hz for hz in CENTRES_HZ if LOWEST_HZ / half < hz < HIGHEST_HZ * half])
    edges = [*(centres / half), centres[-1] * half]
    first, second = (_levels_between(edges, sound) for sound in (a, b))
    louder = np.maximum(first, second)
    weight = np.clip(2.0 + (louder - louder.max(initial=_SILENT_DBU)) / FULL_DB, 0.0, 1.0)
    return centres, weight * (second - first)


def _levels_between(edges: Sequence[float], sound: Spectrogram) -> Floats:
    """Return the level over time of the lines between each two of `edges`, in dBu."""
    starts = np.searchsorted(sound.hz, edges)
    power = np.add.reduceat(10.0 ** (sound.dbu / 10.0), starts, axis=0)[:-1]
    return np.asarray(10.0 * np.log10(power))


def _tones(*colours: str) -> "Colormap":
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("", colours)


def _frame(axes: "Axes", name: str, colour: str) -> None:
    axes.set_facecolor(PAPER)
    axes.set_title(name, loc="left", color=colour, weight="bold", fontsize=10)
    axes.set_yscale("log")
    axes.set_ylim(LOWEST_HZ, HIGHEST_HZ)
    axes.set_yticks(_TICKS_HZ, [frequency(hz) for hz in _TICKS_HZ])
    axes.minorticks_off()
    axes.tick_params(colors=INK, length=0)
    for spine in axes.spines.values():
        spine.set_visible(False)
