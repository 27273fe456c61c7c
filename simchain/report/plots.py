"""Pictures for files: the level diagram of one order and spectra laid over each other.

matplotlib is loaded when a picture is asked for, drawn on a canvas of its own, and none of its
settings outlive the call.
"""

import io
import logging
import math
import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from simchain.files import in_temporary_folder
from simchain.report.level_sentences import diagram_notes
from simchain.report.stops import Stop, loop_blocks, merged_names, stops
from simchain.report.wording import frequency, letter, spoken
from simchain.units import DBU_VOLTS, dbu_to_volts

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Points = Sequence[Mapping[str, Any]]

# Those of the page's light sheet, so that an order keeps its colour.
COLOURS = (
    "#0b5ca3", "#b04507", "#00705a", "#8b2f83", "#6d5a00", "#0f7188", "#a3193f", "#4a49a8",
    "#55504a",
)  # fmt: skip
MARKERS = "osD^vPXph"
INK, SOFT, RULE, PAPER, _WARN = "#1c1b18", "#5b564a", "#d2cab6", "#f6f3ea", "#a01b14"
_HOW_TO_READ = (
    "Mark: RMS. Stroke above it: peak, as the level of the sine with that peak. Dotted: noise "
    "floor, what is there while nobody plays. Hatched: ceiling, where it clips."
)
_METER_VOLTS = (
    0.00001,
    0.00003,
    0.0001,
    0.0003,
    0.001,
    0.003,
    0.01,
    0.03,
    0.1,
    0.3,
    1.0,
    3.0,
    10.0,
    30.0,
    100.0,
)


def level_rows(data: Mapping[str, Any], order: str, amp: str | None) -> dict[str, Points]:
    """Return the test points of one order for each passage of `data` (see `audition_page`)."""
    return {
        sound["passage"]: sound["points"]
        for sound in data["sounds"]
        if sound["order"] == order and sound["amp"] == amp
    }


def level_diagram(
    rows: Mapping[str, Points], *, title: str, place: int = 0, form: str = "png"
) -> bytes:
    """Draw RMS, peak and noise floor at every stop of a path, for each passage, against the rails.

    `rows` maps each passage to its test points in path order, each with name, rms_dbu, peak_dbu,
    rail_volts, headroom_db and floor_dbu. `place` is the order's place among those compared and
    gives its colour; passages are told apart by shade and by the shape of the mark. The left axis
    is in dBu, the right one in the volts a meter would read for a sine of that level. Beneath
    stands in words what lies between front and loop, and where noise comes near. Returns the
    picture as `form`, "png" or "svg".

    Raises ValueError when there is no passage, or for another form.
    """
    if not rows:
        raise ValueError("a level diagram needs a passage")
    paths = {
        passage: {stop.name: stop for stop in stops(points)} for passage, points in rows.items()
    }
    names = merged_names([list(path) for path in paths.values()])
    figure, axes = _sheet(1.8 + 0.86 * max(9, len(names)), 7.2, title)
    _draw_columns(axes, names)
    width = 0.62 / len(paths)
    for turn, (passage, path) in enumerate(paths.items()):
        shift = (turn - (len(paths) - 1) / 2) * width
        found = [path.get(name) for name in names]
        look = (_shade(place, turn), MARKERS[turn % 9])
        _draw_passage(axes, passage, found, shift, look)
        _draw_floor(axes, found, shift, look)
    _name_the_floor(axes, list(paths.values()))
    _draw_rails(axes, names, list(paths.values()))
    _draw_preamp(axes, names, list(paths.values()))
    _draw_warnings(axes, names, paths)
    _level_axes(axes, list(paths.values()))
    _key(axes)
    _draw_words(axes, [_HOW_TO_READ, *diagram_notes(rows)], 13 * max(9, len(names)))
    return written(figure, form)


def spectra(
    bands_hz: Sequence[float],
    curves: Mapping[str, Sequence[float | None]],
    *,
    title: str,
    form: str = "png",
) -> bytes:
    """Draw third-octave spectra over each other, each with its letter.

    `bands_hz` are the centres, `curves` maps each order to its levels in dB (None: nothing there).
    Returns the picture as `form`, "png" or "svg". Raises ValueError for another form.
    """
    figure, axes = _sheet(9.5, 5.0, title)
    edge = 10.0 ** (1.0 / 20.0)
    edges = [bands_hz[0] / edge, *(hz * edge for hz in bands_hz)]
    highest = -math.inf
    for place, (name, levels_db) in enumerate(curves.items()):
        levels = [math.nan if level is None else level for level in levels_db]
        colour = COLOURS[place % len(COLOURS)]
        label = f"{letter(place)}  {spoken(name)}"
        axes.stairs(levels, edges, color=colour, linewidth=1.8, baseline=None, label=label)
        known = [band for band, level in enumerate(levels) if not math.isnan(level)]
        if known:
            highest = max(highest, *(levels[band] for band in known))
            band = known[(place + 1) * (len(known) - 1) // (len(curves) + 1)]
            axes.text(bands_hz[band], levels[band], letter(place), color=colour, weight="bold",
                      ha="center", va="bottom")  # fmt: skip
    axes.set_xscale("log")
    axes.set_xlim(edges[0], edges[-1])
    ticks = [hz for hz in bands_hz if frequency(hz) in _named_bands()]
    axes.set_xticks(ticks, [frequency(hz) for hz in ticks])
    axes.minorticks_off()
    if math.isfinite(highest):
        lowest = max(highest - 70.0, axes.get_ylim()[0])
        axes.set_ylim(lowest, highest + 6.0)
    axes.set_ylabel("level in thirds of octaves, dB")
    _key(axes)
    return written(figure, form)


def _named_bands() -> set[str]:
    return {"31.5 Hz", "63 Hz", "125 Hz", "250 Hz", "500 Hz", "1 kHz", "2 kHz", "4 kHz", "8 kHz",
            "16 kHz"}  # fmt: skip


def empty_figure(width: float, height: float) -> "Figure":
    """Return a figure with nothing on it, in inches.

    matplotlib keeps files of its own in the user's folders, or in the temporary one. Raises
    OutputError where it may write nowhere.
    """
    logger = logging.getLogger("matplotlib")
    level = logger.level
    logger.setLevel(logging.ERROR)  # in which folder is of no interest
    try:
        with in_temporary_folder():
            from matplotlib.figure import Figure
    finally:
        logger.setLevel(level)
    return Figure(figsize=(width, height), dpi=130, facecolor=PAPER, layout="constrained")


def _sheet(width: float, height: float, title: str) -> tuple["Figure", "Axes"]:
    figure = empty_figure(width, height)
    axes = figure.add_subplot(facecolor=PAPER)
    axes.set_title(literal(title), loc="left", weight="bold", color=INK, pad=26)
    axes.grid(axis="y", color=RULE, linewidth=0.7)
    axes.set_axisbelow(True)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(INK)
    axes.tick_params(colors=INK, length=0)
    return figure, axes


def _draw_columns(axes: "Axes", names: Sequence[str]) -> None:
    """Name every stop, rule the columns, and shade what lies in the amplifier's loop."""
    labels = [literal(name.replace(".", ".\n")) for name in names]
    axes.set_xticks(range(len(names)), labels, weight="bold")
    axes.set_xlim(-0.6, len(names) - 0.4)
    for column in range(1, len(names)):
        axes.axvline(column - 0.5, color=RULE, linewidth=0.5)
    columns = [names.index(block) for block in loop_blocks(names)]
    if columns:
        axes.axvspan(columns[0] - 0.5, columns[-1] + 0.5, color=RULE, alpha=0.35, linewidth=0)
        axes.text((columns[0] + columns[-1]) / 2, 0.985, "in the loop", style="italic", color=INK,
                  weight="bold", transform=axes.get_xaxis_transform(), ha="center",
                  va="top")  # fmt: skip


def _draw_passage(
    axes: "Axes",
    passage: str,
    found: Sequence[Stop | None],
    shift: float,
    look: tuple[str, str],
) -> None:
    """Draw the RMS levels joined along the path, and over each a stem up to its peak."""
    colour, mark = look
    x = [column + shift for column in range(len(found))]
    rms = [math.nan if stop is None or stop.rms_dbu is None else stop.rms_dbu for stop in found]
    peak = [math.nan if stop is None or stop.peak_dbu is None else stop.peak_dbu for stop in found]
    axes.plot(x, rms, color=colour, linewidth=1.0, alpha=0.55)
    axes.plot(x, rms, color=colour, marker=mark, markersize=6.5,
              linestyle="none", label=literal(spoken(passage)))  # fmt: skip
    axes.vlines(x, rms, peak, color=colour, linewidth=1.2)
    axes.plot(x, peak, color=colour, marker="_", markersize=9, markeredgewidth=2.2,
              linestyle="none")  # fmt: skip


def _shade(place: int, turn: int) -> str:
    """Return the order's colour, from dark to light for one passage after another."""
    colour = COLOURS[place % len(COLOURS)]
    other, part = ((INK, 0.8), (INK, 0.4), (INK, 0.0), (PAPER, 0.4))[turn % 4]
    mixed = (
        round((1.0 - part) * int(colour[at : at + 2], 16) + part * int(other[at : at + 2], 16))
        for at in (1, 3, 5)
    )
    return "#" + "".join(f"{value:02x}" for value in mixed)


def _draw_rails(axes: "Axes", names: Sequence[str], paths: Sequence[Mapping[str, Stop]]) -> None:
    """Cap each column that has a rail with a hatched edge: the signal cannot go above it."""
    named = False
    for column, name in enumerate(names):
        rails = [path[name].rail_dbu for path in paths if name in path]
        limits = [rail for rail in rails if rail is not None]
        if not limits:
            continue
        axes.bar(column, 1.6, bottom=min(limits), width=0.86, color="none", edgecolor=INK,
                 hatch="//////", linewidth=0)  # fmt: skip
        axes.hlines(min(limits), column - 0.43, column + 0.43, color=INK, linewidth=1.8)
        if not named and not any(name in path and path[name].is_tight for path in paths):
            axes.text(column, min(limits) + 2.2, "ceiling", style="italic", color=SOFT,
                      ha="center", va="bottom")  # fmt: skip
            named = True


def _draw_floor(
    axes: "Axes", found: Sequence[Stop | None], shift: float, look: tuple[str, str]
) -> None:
    """Join what each stop reads while nobody plays by a dotted line."""
    colour, mark = look
    floors = [None if stop is None else stop.floor_dbu for stop in found]
    known = [math.nan if floor is None else floor for floor in floors]
    axes.plot([column + shift for column in range(len(found))], known, color=colour, marker=mark,
              markersize=2.8, linewidth=1.2, linestyle=(0, (1, 1.6)))  # fmt: skip


def _name_the_floor(axes: "Axes", paths: Sequence[Mapping[str, Stop]]) -> None:
    """Write what the dotted lines are beneath where they begin."""
    first = [next(iter(path.values())) for path in paths]
    floors = [stop.floor_dbu for stop in first if stop.floor_dbu is not None]
    if floors:
        axes.annotate("noise floor", (-0.5, min(floors)), xytext=(0, -6),
                      textcoords="offset points", style="italic", color=SOFT, ha="left",
                      va="top")  # fmt: skip


def _draw_preamp(axes: "Axes", names: Sequence[str], paths: Sequence[Mapping[str, Stop]]) -> None:
    """Write what the amplifier's preamp adds over the columns that it stands between."""
    ends = [
        (path["amp.in"], path["amp.send"])
        for path in paths
        if "amp.in" in path and "amp.send" in path
    ]
    lifts = [
        after.rms_dbu - before.rms_dbu
        for before, after in ends
        if before.rms_dbu is not None and after.rms_dbu is not None
    ]
    if not lifts:
        return
    low, high = (round(chosen(lifts)) for chosen in (min, max))
    by = f"{low:+d} dB" if low == high else f"{low:+d} to {high:+d} dB"
    top = max(stop.peak_dbu or -99.0 for pair in ends for stop in pair)
    axes.text(names.index("amp.in") + 0.5, top + 3.0, f"preamp\n{by}", style="italic", color=INK,
              ha="center", va="bottom", linespacing=1.15,
              bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.5})  # fmt: skip


def _draw_warnings(
    axes: "Axes", names: Sequence[str], paths: Mapping[str, Mapping[str, Stop]]
) -> None:
    """Write over each column what clips, or is close to it, in its tightest passage."""
    for column, name in enumerate(names):
        tight = [
            (stop.headroom_db, passage, stop)
            for passage, path in paths.items()
            if (stop := path.get(name)) is not None
            and stop.headroom_db is not None
            and stop.is_tight
        ]
        if not tight:
            continue
        _, passage, stop = min(tight, key=lambda item: item[0])
        above = max(level for level in (stop.peak_dbu, stop.rail_dbu, -99.0) if level is not None)
        words = stop.warning.replace(", ", "\n")
        axes.text(column, above + 2.4, f"{literal(spoken(passage))}\n{words}", ha="center",
                  va="bottom", fontsize=8.5, weight="bold", linespacing=1.15,
                  color=_WARN if stop.clips else INK,
                  bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.0})  # fmt: skip


def _level_axes(axes: "Axes", paths: Sequence[Mapping[str, Stop]]) -> None:
    """Scale in whole tens of dBu, with what a meter reads on the right."""
    every = [stop for path in paths for stop in path.values()]
    rms = [level for stop in every for level in (stop.rms_dbu, stop.floor_dbu) if level is not None]
    tops = [
        level for stop in every for level in (stop.peak_dbu, stop.rail_dbu) if level is not None
    ]
    lowest = max(-110.0, math.floor((min(rms, default=-30.0) - 3.0) / 10.0) * 10.0)
    highest = math.ceil((max(tops, default=20.0) + 8.0) / 10.0) * 10.0
    axes.set_ylim(lowest, highest)
    axes.set_yticks([lowest + 10.0 * step for step in range(round((highest - lowest) / 10.0) + 1)])
    axes.axhline(0.0, color=SOFT, linewidth=0.9)
    axes.set_ylabel("level, dBu")
    meter = axes.twinx()
    for spine in meter.spines.values():
        spine.set_visible(False)
    meter.set_ylim(lowest, highest)
    shown = [v for v in _METER_VOLTS if dbu_to_volts(lowest) <= v <= dbu_to_volts(highest)]
    labels = [f"{v:g} V" if v >= 1.0 else f"{1000.0 * v:g} mV" for v in shown]
    meter.set_yticks([20.0 * math.log10(v / DBU_VOLTS) for v in shown], labels)
    meter.tick_params(colors=SOFT, length=0)
    meter.set_ylabel("what a meter reads (RMS of a sine)", color=SOFT)


def _key(axes: "Axes") -> None:
    """Put the key into the line over the picture."""
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=5, frameon=False,
                borderaxespad=0.2, handletextpad=0.3, columnspacing=1.4)  # fmt: skip


def _draw_words(axes: "Axes", sentences: Sequence[str], width: int) -> None:
    """Write sentences beneath the picture, in lines of `width` characters at most."""
    lines = [line for sentence in sentences for line in textwrap.wrap(sentence, width)]
    axes.set_xlabel(literal("\n".join(lines)), color=SOFT, loc="left", labelpad=10, linespacing=1.5)


def literal(text: str) -> str:
    """Keep a user's dollar signs from being read as mathematics."""
    return text.replace("$", r"\$")


def written(figure: "Figure", form: str) -> bytes:
    """Return a figure as `form`, the same bytes each time. Raises ValueError for another form."""
    if form not in ("png", "svg"):
        raise ValueError(f"a picture is png or svg, not {form}")
    from matplotlib import rc_context
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    content = io.BytesIO()
    canvas: Any = (FigureCanvasAgg if form == "png" else FigureCanvasSVG)(figure)
    # `savefig` would draw everything once more beforehand, for what is not made use of here.
    with rc_context({"svg.hashsalt": "simchain", "svg.fonttype": "none"}):
        if form == "png":
            canvas.print_png(content, metadata={"Software": None})
        else:
            canvas.print_svg(content, metadata={"Date": None, "Creator": None})
    return content.getvalue()
