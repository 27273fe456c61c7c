"""What commands print for people: rich tables and lines."""

from collections.abc import Iterable, Mapping
from typing import Any

from rich.table import Table
from rich.text import Text

from simchain.report.lead import Lead, lead
from simchain.report.sentences import (
    find_pair,
    headroom_sentence,
    moved_in,
    pair_sentence,
    passage_sentence,
    step_sentence,
)
from simchain.report.songs import clock, moments, song_step_text
from simchain.report.stereo import stereo_by_order
from simchain.report.stops import LITTLE_HEADROOM_DB, stop_name
from simchain.report.verdicts import are_alike
from simchain.report.wording import letter, order_line, spoken

# Eight columns of at least 5 characters and one of 10, and a space before each.
_FIGURES_WIDTH, _GAP = 59, 4


def points_table(document: dict[str, Any]) -> Table:
    """Return the levels at every test point of one rendering."""
    table = Table(box=None, pad_edge=False, title=f"{document['passage']} in {document['order']}",
                  title_justify="left")  # fmt: skip
    for name in ("test point", "RMS dBu", "peak dBu", "peak V", "headroom dB", "floor dBu"):
        table.add_column(name, justify="left" if name == "test point" else "right")
    for name, point in document["points"].items():
        table.add_row(
            name,
            _figure(point["rms_dbu"]),
            _figure(point["peak_dbu"]),
            _figure(point["peak_volts"], "{:.3f}"),
            _headroom(point["headroom_db"]),
            _figure(point["floor_dbu"], "{:.1f}"),
        )
    return table


def render_lines(document: dict[str, Any]) -> Iterable[Text]:
    """Say how much louder each of a song's passages is than the one before, and of stereo."""
    for step in document["song"]:
        yield Text(f"{clock(step['at_s'])}  {step['passage']}: {song_step_text(step)}")
    for stretch in document["stereo"]:
        yield Text(stretch["text"])


def levels_table(document: dict[str, Any], width: int) -> Table:
    """Return a table for each passage of a `levels_document`, side by side where `width` has room.

    In dBu and in mV: RMS, peak, rail and noise floor at every test point, and what is left below
    the rail. Blocks that are off are printed faint.
    """
    passages = list(document["passages"])
    each = max(map(len, document["points"])) + _FIGURES_WIDTH
    in_a_row = max(1, min(len(passages), (width + _GAP) // (each + _GAP)))
    sheet = Table.grid(padding=(0, _GAP, 1, 0))
    for first in range(0, len(passages), in_a_row):
        sheet.add_row(*(_passage_levels(document, name) for name in passages[first:][:in_a_row]))
    return sheet


def _passage_levels(document: dict[str, Any], passage: str) -> Table:
    """Return the levels of one passage: names, and figures in `_FIGURES_WIDTH` characters."""
    title = f"{_of_order(document)}: {spoken(passage)}"
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), title=title, title_justify="left")
    table.add_column("", overflow="fold")
    for unit in ("dBu", "mV"):
        for name in ("RMS", "peak", "rail", "floor"):
            table.add_column(f"{name}\n{unit}", justify="right", no_wrap=True, min_width=5)
    table.add_column("dB left", justify="right", no_wrap=True, min_width=10)
    off = _off(document, passage)
    for name, passages in document["points"].items():
        point = passages[passage]
        cells: list[str | Text] = [
            _figure(point["rms_dbu"]),
            _figure(point["peak_dbu"]),
            _figure(point["rail_dbu"], none=""),
            _figure(point["floor_dbu"], none=""),
            *(_millivolts(point[f"{part}_volts"]) for part in ("rms", "peak", "rail", "floor")),
            _headroom(point["headroom_db"]),
        ]
        table.add_row(name, *cells, style="dim" if stop_name(name) in off else "")
    return table


def _off(document: dict[str, Any], passage: str) -> set[str]:
    return {*document["front"], *document["in_loop"]}.difference(
        document["passages"][passage]["on"]
    )


def _millivolts(volts: float | None) -> str:
    """Write a voltage to three figures: a meter on the bench shows no more."""
    if volts is None:
        return ""
    millivolts = 1e3 * volts
    places = 0 if millivolts >= 99.95 else 1 if millivolts >= 9.995 else 2
    return f"{millivolts:.{places}f}"


def levels_lines(document: dict[str, Any]) -> Iterable[Text]:
    """Say in words where it clips, where little is left, and where the noise floor is near."""
    for sentence in document["says"]:
        yield Text(sentence, style="bold red" if " clips in " in sentence else "")


def _of_order(document: dict[str, Any]) -> str:
    amp = document["amp"]
    return f"{document['order']}, " + (f"amplifier {amp}" if amp else "into the mixer")


def comparison_lines(data: Mapping[str, Any]) -> Iterable[Text]:
    """Return the orders as lines of words, and what is said of each passage (data: `page_data`)."""
    for place, order in enumerate(data["orders"]):
        line = order_line(order["front"], order["loop"])
        yield Text(f"{letter(place)}  {order['name']}: {line}")
    for amp in data["amps"] or [None]:
        yield Text(f"\non the amplifier {amp}" if amp else "")
        yield from _lead_lines(lead(data, amp))
        for passage in (passage["name"] for passage in data["passages"]):
            yield Text(passage_sentence(data, passage, amp))
            yield from (Text(f"   {line}") for line in _said_of(data, passage, amp))


def _lead_lines(said: Lead) -> Iterable[Text]:
    """Return what is said first: which orders are alike, and which moves are free."""
    if said.sentences:
        yield from (Text(sentence, style="bold") for sentence in said.sentences)
        yield Text()
    for title, moves in (("Free moves", said.free), ("Moves expected to be heard", said.heard)):
        if moves:
            yield Text(title, style="bold")
            yield from (Text(f"   {move}") for move in moves)
            yield Text()


def _said_of(data: Mapping[str, Any], passage: str, amp: str | None) -> Iterable[str]:
    """Say more of one passage or song: orders, loudness, what happens, stereo, what clips."""
    if len(data["orders"]) > 2:
        yield from _each_against_the_first(data, passage, amp)
    if step := step_sentence(data, passage, amp):
        yield step
    happens = moments(data, passage, amp)
    if len(happens) > 1:
        yield from (f"{clock(moment['at'])}  {moment['text']}" for moment in happens)
    yield from stereo_by_order(data, passage, amp)
    headroom = headroom_sentence(data, passage, amp)
    if headroom.startswith("Clips"):
        yield headroom


def _each_against_the_first(
    data: Mapping[str, Any], passage: str, amp: str | None
) -> Iterable[str]:
    """One line for each order of which a difference to the first is expected, or not judged."""
    names = [order["name"] for order in data["orders"]]
    for place, name in enumerate(names[1:], start=1):
        pair = find_pair(data, names[0], name, passage, amp)
        if pair is not None and not are_alike(pair):
            moved = moved_in(data, passage, 0, place)
            yield f"{letter(place)}: {pair_sentence(pair, 'A', letter(place), moved)}"


def _figure(value: float | None, form: str = "{:+.1f}", none: str = "silent") -> str:
    return none if value is None else form.format(value)


def _headroom(value: float | None) -> Text:
    if value is None:
        return Text("")
    if value < 0:
        return Text(f"clips {-value:.1f}", style="bold red")
    return Text(f"{value:.1f}", style="yellow" if value < LITTLE_HEADROOM_DB else "")
