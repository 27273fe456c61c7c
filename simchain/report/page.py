"""The audition page: one HTML text with the sounds in it, which fetches nothing."""

import base64
import hashlib
import json
import re
from collections.abc import Collection, Mapping, Sequence
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from simchain.report.lead import lead
from simchain.report.level_sentences import (
    SOFT_CLIPPING,
    floors_sentence,
    loops_sentence,
    meeting_sentence,
)
from simchain.report.measures import measures_tables
from simchain.report.sentences import (
    find_pair,
    headroom_sentence,
    passage_sentence,
    signed_band_change,
    step_sentence,
)
from simchain.report.songs import moments
from simchain.report.stereo import stereo_by_order
from simchain.report.stops import loop_blocks, stop_name, stops
from simchain.report.wording import frequency, letter, spoken
from simchain.units import dbu_to_volts, peak_volts_to_dbu

if TYPE_CHECKING:
    from jinja2 import Environment
    from markupsafe import Markup

SCRIPTS = (
    "player.js",
    "report_player.js",
    "drawing.js",
    "happenings.js",
    "timeline.js",
    "levels.js",
    "sheet.js",
    "chance.js",
    "blind.js",
    "blind_show.js",
    "controls.js",
)
STYLES = ("sheet.css", "timeline.css", "report.css", "levels.css", "blind.css")
ACCENTS = 9
MODES = {
    "passage": "matched per passage",
    "order": "matched once for the order",
    "as_is": "as they come",
}
MODES_SAY = {
    "passage": "Every order is equally loud in every passage: tone and touch are left to judge.",
    "order": "One gain for each whole order: a solo that lifts in the set lifts here.",
    "as_is": "Nothing evened out: louder orders are louder.",
}
_BASE64 = re.compile(r"[A-Za-z0-9+/]+={0,2}\Z")


def audition_page(data: Mapping[str, Any]) -> str:
    """Return the page that plays, switches and measures every order of `data`.

    `data` holds::

        simchain  version          title    the board's title      rate  frames a second
        listening_db_spl  level at which verdicts hold
        amps      names, [] on a board without an amplifier
        orders    name, front, loop, left_out (names of blocks); label where the name is not it
        passages  name, is_song, on (blocks that are on at some time, or whose loop runs), seconds,
                  timeline (see `timeline_facts`), above (None, or passage, lu)
        bands_hz  centres of the thirds of octaves
        sounds    order, passage, amp (None without one), file, flac_base64 (16-bit FLAC matched
                  per passage), fingerprint (of that, see `page_data.fingerprint`),
                  gains_db (passage, order, as_is: what to play it at), of the output as it comes
                  integrated_lufs and true_peak_dbtp, waveform ([min, max] in columns, full
                  scale 1), bands_db, points (name, rms_dbu, peak_dbu, peak_volts, rail_volts,
                  headroom_db, floor_dbu) in path order, loops (mix, level_db, dips by passage),
                  steps (of a song, each: change_lu, wanted_lu), stereo (see `stereo_facts`),
                  measures (if any, see `measures_facts`)
        pairs     a, b, passage, amp, trim_lu, null_db, max_band_change_db, max_band_hz,
                  band_change_db: b less a; what was judged (see `pair_facts`)
        free      None, or what became of free pairs played and set otherwise (see `free_facts`)

    A number that is infinite or missing is None. Gains are relative to the sounds as embedded, and
    no sound may pass full scale at any of its three: the page adds nothing but the volume.

    Raises ValueError when a sound is not base64.
    """
    return sheet("audition.html.j2", (SCRIPTS,), STYLES, **audition_parts(data))


def audition_parts(data: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the template of the audition page is filled with; `data` as above.

    Raises ValueError when a sound is not base64.
    """
    for sound in data["sounds"]:
        if not _BASE64.match(sound["flac_base64"]):
            raise ValueError(f"sound {sound['file']} is not base64")
    return {
        "data": data,
        "orders": [
            {**order, "letter": letter(place), "label": order_label(order)}
            for place, order in enumerate(data["orders"])
        ],
        "passages": [_passage(data, passage) for passage in data["passages"]],
        "counted": _counted(data),
        "songs": any(passage["is_song"] for passage in data["passages"]),
        "amps": data["amps"] or [None],
        "modes": MODES,
        "modes_say": _modes_say(data),
        "facts": as_json(_facts(data)),
        "leads": [lead(data, amp) for amp in data["amps"] or [None]],
        "pairs": _pair_rows(data),
        "measures": measures_tables(data),
        "soft_clipping": SOFT_CLIPPING if data["amps"] else "",
    }


def sheet(name: str, scripts: Sequence[Sequence[str]], styles: Sequence[str], **parts: Any) -> str:
    """Fill the template `name`, with files of the static folder inlined and nothing else allowed.

    Each sequence of scripts shares a scope of its own.
    """
    script, style = "".join(_one_scope(_joined(part)) for part in scripts), _joined(styles)
    return (
        _environment()
        .get_template(name)
        .render(
            script=_safe(script),
            style=_safe(style),
            script_hash=_hash(script),
            style_hash=_hash(style),
            accents=ACCENTS,
            **parts,
        )
    )


def order_label(order: Mapping[str, Any]) -> str:
    """Return what an order is called beside its letter: its label, or its name as words."""
    return str(order.get("label") or spoken(order["name"]))


def _counted(data: Mapping[str, Any]) -> str:
    """Say how many passages and songs there are."""
    songs = sum(passage["is_song"] for passage in data["passages"])
    counts = {"passage": len(data["passages"]) - songs, "song": songs}
    return ", ".join(
        f"{count} {word}{'' if count == 1 else 's'}" for word, count in counts.items() if count
    )


def _modes_say(data: Mapping[str, Any]) -> dict[str, str]:
    whole = " A song is matched as a whole, so that its steps stay."
    has_songs = any(passage["is_song"] for passage in data["passages"])
    return {**MODES_SAY, "passage": MODES_SAY["passage"] + (whole if has_songs else "")}


def _facts(data: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the page's script needs: all of `data` but the sounds themselves."""
    lowest, highest = _level_range(data)
    return {
        "simchain": data["simchain"],
        "title": data["title"],
        "rate": data["rate"],
        "orders": [
            {
                "name": order["name"],
                "label": order_label(order),
                "letter": letter(place),
                "blocks": [*order["front"], *order["loop"]],
            }
            for place, order in enumerate(data["orders"])
        ],
        "passages": [_passage_facts(data, passage) for passage in data["passages"]],
        "amps": data["amps"],
        "bands": [frequency(hz) for hz in data["bands_hz"]],
        "level_range_dbu": [lowest, highest],
        "sounds": [_sound_facts(data, place, sound) for place, sound in enumerate(data["sounds"])],
        "pairs": data["pairs"],
    }


def _passage_facts(data: Mapping[str, Any], passage: Mapping[str, Any]) -> dict[str, Any]:
    """Return a passage or song with its names as words, and what happens in it for each amp."""
    timeline = passage["timeline"]
    parts = [{**part, "label": spoken(part["passage"])} for part in timeline["parts"]]
    told = [moments(data, passage["name"], amp) for amp in data["amps"] or [None]]
    return {
        **passage,
        "label": spoken(passage["name"]),
        "timeline": {**timeline, "parts": parts},
        "moments": told,
    }


def _sound_facts(data: Mapping[str, Any], place: int, sound: Mapping[str, Any]) -> dict[str, Any]:
    on = next(p["on"] for p in data["passages"] if p["name"] == sound["passage"])
    blocks = {stop_name(p["name"]) for p in sound["points"] if p["name"] != stop_name(p["name"])}
    in_loop = loop_blocks([point["name"] for point in sound["points"]])
    return {
        "element": f"sound-{place}",
        "order": sound["order"],
        "passage": sound["passage"],
        "amp": sound["amp"],
        "fingerprint": sound["fingerprint"],
        "gains_db": sound["gains_db"],
        "steps": [
            {"change_lu": step["change_lu"], "wanted_lu": step["wanted_lu"]}
            for step in sound["steps"]
        ],
        "waveform": [[round(low, 3), round(high, 3)] for low, high in sound["waveform"]],
        "stops": [
            {
                "name": stop.name,
                "off": not _is_on(stop.name, blocks, on),
                "in_loop": stop.name in in_loop,
                "rms_dbu": stop.rms_dbu,
                "peak_dbu": stop.peak_dbu,
                "floor_dbu": stop.floor_dbu,
                "rail_dbu": stop.rail_dbu if _is_on(stop.name, blocks, on) else None,
                "clips": stop.clips,
                "warning": stop.warning,
            }
            for stop in stops(sound["points"])
        ],
        "points": [_point_facts(point) for point in sound["points"]],
    }


def _is_on(name: str, blocks: Collection[str], on: Collection[str]) -> bool:
    return name not in blocks or name in on


def _point_facts(point: Mapping[str, Any]) -> dict[str, Any]:
    return {
        **{key: point[key] for key in ("name", "rms_dbu", "peak_dbu", "headroom_db", "floor_dbu")},
        "rms_mv": _millivolts(point["rms_dbu"]),
        "peak_mv": 1000.0 * (point["peak_volts"] or 0.0),
        "rail_mv": point["rail_volts"] and 1000.0 * point["rail_volts"],
        "floor_mv": _millivolts(point["floor_dbu"]),
    }


def _millivolts(dbu: float | None) -> float | None:
    return None if dbu is None else 1000.0 * dbu_to_volts(dbu)


def _level_range(data: Mapping[str, Any]) -> tuple[float, float]:
    """Return the range in dBu, in whole tens, that holds every RMS level, peak, rail and floor."""
    levels = [0.0, -30.0]
    for sound in data["sounds"]:
        for point in sound["points"]:
            read = (point["rms_dbu"], point["peak_dbu"], point["floor_dbu"])
            levels += [level for level in read if level is not None]
            if point["rail_volts"]:
                levels.append(peak_volts_to_dbu(point["rail_volts"]))
    return max(-90.0, min(levels) // 10.0 * 10.0), -(-max(levels) // 10.0) * 10.0


def _passage(data: Mapping[str, Any], passage: Mapping[str, Any]) -> dict[str, Any]:
    amps = data["amps"] or [None]
    label = spoken(passage["name"])
    return {
        **passage,
        "label": label,
        "sentences": [_says(data, passage["name"], amp) for amp in amps],
        "levels": [_says_of_levels(data, passage["name"], amp) for amp in amps],
    }


def _says(data: Mapping[str, Any], passage: str, amp: str | None) -> str:
    """Return the passage's sentence without its name, and its step against another passage."""
    sentence = passage_sentence(data, passage, amp).split(": ", 1)[1]
    return " ".join(filter(None, (sentence, step_sentence(data, passage, amp))))


def _says_of_levels(data: Mapping[str, Any], passage: str, amp: str | None) -> list[str]:
    """Return what is said above the level strips of a passage."""
    told = (headroom_sentence, meeting_sentence, floors_sentence, loops_sentence)
    said = [text for say in told if (text := say(data, passage, amp))]
    return said + stereo_by_order(data, passage, amp)


def _pair_rows(data: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the rows of the engineers' table of pairs, in the order of passage, amp, pair."""
    names = [order["name"] for order in data["orders"]]
    rows = []
    for passage in data["passages"]:
        for amp in data["amps"] or [None]:
            for second in range(1, len(names)):
                for first in range(second):
                    pair = find_pair(data, names[first], names[second], passage["name"], amp)
                    if pair is not None:
                        rows.append(
                            {
                                **pair,
                                "letters": f"{letter(first)} | {letter(second)}",
                                "change_db": signed_band_change(pair),
                                "at": pair["max_band_hz"] and frequency(pair["max_band_hz"]),
                            }
                        )
    return rows


@cache
def _environment() -> "Environment":
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("simchain.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["signed"] = _signed
    return environment


def _signed(number: float | None, places: int = 1) -> str:
    """Return a number for a table, with a true minus sign; a dash where there is none."""
    if number is None:
        return "–"
    return f"{round(number, places) + 0.0:.{places}f}".replace("-", "−")


def _joined(names: Sequence[str]) -> str:
    """Return several files of the static folder as one text."""
    folder = resources.files("simchain.report") / "static"
    return "".join((folder / name).read_text(encoding="utf-8") for name in names)


def _one_scope(script: str) -> str:
    return f'(() => {{\n"use strict";\n{script}}})();\n'


def _hash(text: str) -> str:
    """Return the content security policy's name for an inline script or style."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def as_json(facts: Mapping[str, Any]) -> "Markup":
    """Return JSON that no name can break out of: no `<`, `>` or `&` is left in it."""
    text = json.dumps(facts, allow_nan=False, separators=(",", ":"))
    for character in "<>&":
        text = text.replace(character, f"\\u{ord(character):04x}")
    return _safe(text)


def _safe(text: str) -> "Markup":
    from markupsafe import Markup

    return Markup(text)  # our own files, or JSON that was escaped
