"""Results on disk: sounds, the audition page and the level diagram of a render or a comparison."""

import base64
import itertools
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from simchain import files, units
from simchain.chain.render import signal_at
from simchain.chain.walk import Rendering
from simchain.decide.comparison import Comparison, Heard, Music
from simchain.decide.heard import BlindTest
from simchain.decide.songs import SongStep
from simchain.report.documents import Key, compare_document, key_of, render_document
from simchain.report.heard import heard_facts
from simchain.report.page_data import page_data
from simchain.signal import Signal, flac_16_bit, write_float_wav


def write_render(
    rendering: Rendering, folder: Path, *, points: bool, steps: Sequence[SongStep] = ()
) -> dict[str, Any]:
    """Write the output, and with `points` each test point in volts, as 32-bit float WAV.

    `steps` are those of a song. Returns the JSON document. Raises OutputError when the folder
    cannot be written.
    """
    files.prepare_folder(folder)
    music = Music(rendering.passage, is_song=bool(steps))
    stem = f"{_stem(music)}.{_words(rendering.order)}"
    output_file = f"{stem}.wav"
    point_files = {}
    for name in rendering.points if points else ():
        point_files[name] = f"{stem}.{name}.wav"
        write_float_wav(folder / point_files[name], signal_at(rendering, name))
    write_float_wav(folder / output_file, Signal(rendering.output.samples, rendering.rate))
    document = render_document(rendering, point_files, output_file, steps)
    document["warnings"] += _over_full_scale(rendering)
    return document


def write_levels(document: dict[str, Any], title: str, folder: Path) -> list[str]:
    """Draw the level diagram of a `levels_document` as PNG and SVG; return the files' names.

    Raises OutputError when the folder cannot be written.
    """
    from simchain.report import plots

    files.prepare_folder(folder)
    rows: dict[str, list[dict[str, Any]]] = {}
    for name, passages in document["points"].items():
        for passage, figures in passages.items():
            rows.setdefault(passage, []).append({"name": name, **figures})
    amp = document["amp"]
    heading = f"{title}: {document['order']}" + (f", {amp}" if amp else "")
    names = []
    for form in ("png", "svg"):
        names.append(_picture(document["order"], amp, "levels", form))
        files.write_bytes(folder / names[-1], plots.level_diagram(rows, title=heading, form=form))
    return names


def write_comparison(
    comparison: Comparison,
    folder: Path,
    *,
    pictures: bool = False,
    heard: Sequence[BlindTest] = (),
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Write the audition page and its sounds as FLAC beside it.

    With `pictures` also a level diagram of each order, and the spectra and spectrograms of each
    passage, as PNG.
    `heard` are blind tests of it, told in the document.

    Returns the JSON document and the data that the page was made from. Raises OutputError when
    the folder cannot be written.
    """
    from simchain.report.page import audition_page

    names, data = write_sounds(comparison, folder)
    files.write_text(folder / "audition.html", audition_page(data))
    document = compare_document(comparison, names, "audition.html")
    document["heard"] = heard_facts(heard, data)
    stems = {music.label: _stem(music) for music in comparison.music}
    document["pictures"] = []
    if pictures:
        document["pictures"] = _write_pictures(data, stems, folder)
        document["pictures"] += _write_spectrograms(comparison, folder)
    return document, data


def write_sounds(comparison: Comparison, folder: Path) -> tuple[dict[Key, str], dict[str, Any]]:
    """Write every sound of a comparison as FLAC, matched per passage.

    Returns the files' names and what a page with these sounds is made from (see
    `page.audition_page`). Raises OutputError when the folder cannot be written.
    """
    files.prepare_folder(folder)
    with ThreadPoolExecutor() as pool:
        encoded = list(pool.map(_audition, comparison.heard))
    names: dict[Key, str] = {}
    sounds: dict[Key, str] = {}
    for one, flac in zip(comparison.heard, encoded, strict=True):
        key = key_of(one)
        names[key] = _file_name(one)
        files.write_bytes(folder / names[key], flac)
        sounds[key] = base64.b64encode(flac).decode()
    return names, page_data(comparison, names, sounds)


def _write_pictures(data: dict[str, Any], stems: dict[str, str], folder: Path) -> list[str]:
    """Draw every order's levels and every passage's spectra, for each amplifier.

    `stems` are what the files of passages and songs are called by.
    """
    from simchain.report import plots

    drawn: dict[str, bytes] = {}
    for amp in data["amps"] or [None]:
        behind = f", {amp}" if amp else ""
        for place, order in enumerate(data["orders"]):
            name, rows = order["name"], plots.level_rows(data, order["name"], amp)
            title = f"{data['title']}: {name}{behind}"
            drawn[_picture(name, amp, "levels")] = plots.level_diagram(
                rows, title=title, place=place
            )
        for passage in (passage["name"] for passage in data["passages"]):
            curves = {
                sound["order"]: sound["bands_db"]
                for sound in data["sounds"]
                if sound["passage"] == passage and sound["amp"] == amp
            }
            title = f"{data['title']}: {passage}{behind}"
            drawn[_picture(stems[passage], amp, "spectra")] = plots.spectra(
                data["bands_hz"], curves, title=title
            )
    for name, content in drawn.items():
        files.write_bytes(folder / name, content)
    return list(drawn)


def _write_spectrograms(comparison: Comparison, folder: Path) -> list[str]:
    """Draw every passage's spectrograms, for each amplifier, the orders matched in loudness."""
    from simchain.report.spectrograms import spectrograms

    names = []
    for music, amp in itertools.product(comparison.music, comparison.amps):
        here = [one for one in comparison.heard if one.music == music and one.rendering.amp == amp]
        sounds = {one.rendering.order: _matched(one) for one in here}
        names.append(_picture(_stem(music), amp, "spectrograms"))
        title = f"{comparison.board.title}: {music.label}" + (f", {amp}" if amp else "")
        files.write_bytes(folder / names[-1], spectrograms(sounds, title=title))
    return names


def _picture(subject: str, amp: str | None, what: str, form: str = "png") -> str:
    return ".".join([_words(subject), *([amp] if amp else []), what, form])


def _over_full_scale(rendering: Rendering) -> list[str]:
    samples = rendering.output.samples
    peak = max(float(samples.max(initial=0.0)), -float(samples.min(initial=0.0)))
    over_db = units.ratio_to_db(peak)
    if over_db <= 0.0:
        return []
    return [
        f"the output passes digital full scale by {over_db:.1f} dB; this file holds it (32-bit "
        "float), a 16-bit copy would clip: turn it down, or raise [output] full_scale_dbu"
    ]


def _audition(one: Heard) -> bytes:
    """Encode one sound, matched per passage, with dither of its own."""
    return flac_16_bit(_matched(one).volts, one.rendering.rate)


def _matched(one: Heard) -> Signal:
    """Return one sound, full scale 1, as loud as all others of its passage."""
    output = one.rendering.output
    samples = output.samples.astype(np.float64) * units.db_to_ratio(one.gains_db["passage"])
    return Signal(samples, output.rate)


def _file_name(one: Heard) -> str:
    """Name of a sound's file: passage, order and amplifier, which have no dots of their own."""
    order, _, amp = key_of(one)
    return ".".join([_stem(one.music), _words(order), *([amp] if amp else []), "flac"])


def _stem(music: Music) -> str:
    """Return what the files of a passage or song are called by: no name has a plus in it."""
    return f"song+{music.name}" if music.is_song else music.name


def _words(order: str) -> str:
    """Make a file name of an order that the board does not name: its blocks in their order."""
    return order.replace(" | ", "-loop-").replace(" ", "-")
