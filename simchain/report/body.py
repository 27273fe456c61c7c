"""What `simchain body` prints: resonances, where the recordings agree, and what to do with it."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from rich.table import Table
from rich.text import Text

import simchain
from simchain.errors import RequestError
from simchain.files import prepare_folder
from simchain.measure.body import BodyResponse, Resonance
from simchain.measure.recordings import Together
from simchain.report.numbers import number
from simchain.report.wording import listed, round_frequency
from simchain.signal import Signal, write_float_wav

# Where stage volume makes a guitar's body howl, and how far a notch is usually turned.
NOTCH_HZ = (60.0, 400.0)
_TOGETHER_MS = 0.05


def refuse_file(file: Path, recordings: Sequence[Path]) -> None:
    """Raise RequestError for a name that is no WAV file's, or would write over a recording.

    Also OutputError for a folder that cannot be written.
    """
    if file.suffix.lower() != ".wav":
        raise RequestError(f"--out {file}: a name that ends in .wav is wanted")
    if any(file.resolve() == recording.resolve() for recording in recordings):
        raise RequestError(f"--out {file}: is one of the recordings; give another name")
    prepare_folder(file.parent)


def write_body(file: Path, body: BodyResponse) -> None:
    """Write the impulse response as a WAV file of one channel, 32-bit float.

    Raises OutputError when it cannot be written.
    """
    write_float_wav(file, Signal(body.impulse, body.rate))


def body_document(
    body: BodyResponse, recordings: Together, file: Path | None = None
) -> dict[str, Any]:
    """Return what `simchain body --json` prints.

    `resonances` by pitch and `bands` of a third of an octave: `db` beside the pickup alone, 0
    where nothing was changed, outside the stretches of `agreed`, in Hz. `offset_ms` is how late
    the microphone is, and `inverted` whether it was upside down. `notch_hz` is the strongest
    resonance from 60 to 400 Hz, or null. `file` is null where none was written.
    """
    resonances = body.resonances()
    notch = _strongest(resonances)
    return {
        "simchain": simchain.__version__,
        "rate": body.rate,
        "seconds": body.seconds,
        "offset_ms": body.offset_s * 1e3,
        "inverted": body.inverted,
        "resonances": [{"hz": one.hz, "db": one.db, "q": number(one.q)} for one in resonances],
        "bands": [
            {"hz": band.hz, "db": band.db, "coherence": band.coherence} for band in body.bands()
        ],
        "agreed": [list(stretch) for stretch in body.agreed],
        "notch_hz": notch.hz if notch else None,
        "file": str(file) if file else None,
        "warnings": list(recordings.warnings),
    }


def body_parts(document: Mapping[str, Any]) -> Iterable[Table | Text]:
    """Return the table and the sentences for people."""
    if document["resonances"]:
        yield _resonances(document["resonances"])
        yield Text()
    for sentence in body_sentences(document):
        yield Text(sentence)


def body_sentences(document: Mapping[str, Any]) -> Iterator[str]:
    """Yield where the recordings agree, what was taken out, what may howl, and what comes next."""
    yield _agreement(document["agreed"], document["bands"])
    if not document["resonances"]:
        yield "No resonance stands out by 3 dB."
    yield _offset(document["offset_ms"], inverted=document["inverted"])
    if document["notch_hz"]:
        yield (
            f"If the guitar howls on stage, try notch_hz = {document['notch_hz']:.0f} on a "
            "piezo_preamp: the strongest resonance from 60 to 400 Hz is the likeliest to."
        )
    if document["file"]:
        name = Path(document["file"]).name
        yield f"written: {document['file']}"
        yield f'with it beside the board file: wood = {{ kind = "body", file = "{name}" }}'
    else:
        yield "Nothing was written; add --out FILE.wav for an impulse response that a body takes."


def _strongest(resonances: Iterable[Resonance]) -> Resonance | None:
    low, high = NOTCH_HZ
    near = [one for one in resonances if low <= one.hz <= high]
    return max(near, key=lambda one: one.db, default=None)


def _resonances(resonances: Iterable[Mapping[str, Any]]) -> Table:
    table = Table(box=None, pad_edge=False)
    for heading in ("resonance", "beside the pickup", "Q"):
        table.add_column(heading, justify="right", no_wrap=True)
    for one in resonances:
        q = "" if one["q"] is None else f"{one['q']:.0f}"
        table.add_row(f"{one['hz']:.0f} Hz", f"{one['db']:+.1f} dB", q)
    return table


def _agreement(agreed: Sequence[Sequence[float]], bands: Sequence[Mapping[str, Any]]) -> str:
    """Say where the recordings agree; the bands tell whether anything lies below or above."""
    stretches = listed(
        [f"{round_frequency(low)} to {round_frequency(high)}" for low, high in agreed]
    )
    outside = []
    if bands and agreed[0][0] > bands[0]["hz"]:
        outside.append("below")
    if len(agreed) > 1:
        outside.append("between")
    if bands and agreed[-1][1] < bands[-1]["hz"]:
        outside.append("above")
    rest = f"; {listed(outside)}, nothing was changed" if outside else ""
    return f"From {stretches} the two recordings agree{rest}."


def _offset(offset_ms: float, *, inverted: bool) -> str:
    late = "late" if offset_ms > 0.0 else "early"
    found = [f"{abs(offset_ms):.1f} ms {late}"] if abs(offset_ms) > _TOGETHER_MS else []
    if inverted:
        found.append("upside down")
    if not found:
        return "Pickup and microphone are in step."
    return f"The microphone is {listed(found)} against the pickup; that was taken out."
