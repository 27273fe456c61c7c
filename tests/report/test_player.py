"""What the page plays, sample by sample.

The page's own graph runs in an OfflineAudioContext that stands in for its audio context: the page
is untouched, its clock stands still at the moments at which a test acts, and every frame that it
would have sent to the loudspeaker is kept.
"""

import base64
import io

import numpy as np
import pytest
import soundfile

pytestmark = pytest.mark.browser

RATE = 48_000
VOLUME = 10.0 ** (-15.0 / 20.0)
FADE = round(0.012 * RATE)
# Chromium scales positive 16-bit samples by 32767 and negative ones by 32768 (measured here): a
# quarter of full scale is off by 7.7e-6, times the volume.
EXACT = 0.26 / 32767 * VOLUME
LEAD = round(0.015 * RATE)

OFFLINE = """
  const Offline = window.OfflineAudioContext;
  window.AudioContext = class {
    constructor({ sampleRate }) {
      const context = new Offline(2, 4 * sampleRate, sampleRate);
      window.tape = {
        context,
        standStill: context.suspend.bind(context),
        goOn: context.resume.bind(context),
      };
      context.resume = async () => {};
      context.suspend = async () => {};
      return context;
    }
  };
"""

RECORD = """
  async (acts) => {
    const perform = {
      key: (name) => document.dispatchEvent(new KeyboardEvent('keydown', { key: name })),
      click: (selector) => document.querySelector(selector).click(),
      set: (selector, value, event) => {
        document.querySelector(selector).value = value;
        document.querySelector(selector).dispatchEvent(new Event(event));
      },
    };
    for (const [at, kind, ...rest] of acts) {
      window.tape.standStill(at).then(() => {
        try {
          perform[kind](...rest);
        } finally {
          window.tape.goOn();
        }
      });
    }
    const late = new Promise((_, fail) => setTimeout(fail, 20000, new Error('no sound in 20 s')));
    const heard = await Promise.race([window.tape.context.startRendering(), late]);
    const bytes = new Uint8Array(heard.getChannelData(0).slice().buffer);
    let text = '';
    for (let at = 0; at < bytes.length; at += 8192) {
      text += String.fromCharCode(...bytes.subarray(at, at + 8192));
    }
    return btoa(text);
  }
"""


def record(sheet, acts=()):
    """Play, act at the given seconds, and return what the left loudspeaker would have had."""
    sheet.play()
    text = sheet.page.evaluate(RECORD, [list(act) for act in acts])
    return np.frombuffer(base64.b64decode(text), dtype=np.float32).astype(np.float64)


def decoded(data, order, passage):
    """Decode with another decoder than the browser's."""
    sound = next(
        s
        for s in data["sounds"]
        if (s["order"], s["passage"]) == (data["orders"][order]["name"], passage)
    )
    samples, rate = soundfile.read(io.BytesIO(base64.b64decode(sound["flac_base64"])))
    assert rate == RATE
    return samples[:, 0]


def largest(values):
    return float(np.max(np.abs(values)))


def quantum(at):
    """The frame at which an offline context stands still for `at`: a multiple of 128."""
    return int(np.ceil(at * RATE / 128)) * 128


def test_what_is_heard_is_the_file_itself(opened, data):
    heard = record(opened(data, OFFLINE))
    played = VOLUME * decoded(data, 0, "verse")
    error = largest(heard[LEAD + FADE :] - played[FADE : heard.size - LEAD])
    print(f"largest error {error:.1e} of full scale")
    assert error < EXACT
    assert largest(heard[:LEAD]) == 0.0


def test_a_switch_fades_without_gap_or_click_at_the_same_playhead(opened, data):
    """At the moment at which a cut would click worst, every sample of the fade is as computed."""
    a, c = (VOLUME * decoded(data, order, "verse") for order in (0, 2))
    moments = np.arange(128 * 700, 128 * 900, 128)
    start = int(moments[np.argmax(np.abs(a - c)[moments])])
    end = start + FADE
    heard = record(opened(data, OFFLINE), [(start / RATE, "key", "3")])[LEAD:]
    a, c = a[: heard.size], c[: heard.size]
    assert largest(heard[FADE:start] - a[FADE:start]) < EXACT
    assert largest(heard[end + 1 :] - c[end + 1 :]) < EXACT
    part = np.arange(FADE) / FADE
    faded = (1.0 - part) * a[start:end] + part * c[start:end]
    one_frame = 1.1 * largest(a - c) / FADE
    assert largest(heard[start:end] - faded) < one_frame
    explained = max(largest(np.diff(a)), largest(np.diff(c))) + one_frame
    step, cut = largest(np.diff(heard[FADE:])), float(abs(a[start] - c[start]))
    print(
        f"largest step {step:.1e} of full scale; a fade explains {explained:.1e}, a cut {cut:.1e}"
    )
    assert step <= explained < cut / 10.0


def test_many_switches_leave_every_order_in_step(opened, data):
    keys = "243121432413"
    acts = [(0.2 + 0.1 * n, "key", name) for n, name in enumerate(keys)]
    heard = record(opened(data, OFFLINE), acts)[LEAD:]
    sounds = [VOLUME * decoded(data, order, "verse")[: heard.size] for order in range(4)]
    for n, name in enumerate(keys):
        span = slice(quantum(0.2 + 0.1 * n) + FADE + 1, quantum(0.3 + 0.1 * n) - LEAD)
        assert largest(heard[span] - sounds[int(name) - 1][span]) < EXACT
    explained = max(largest(np.diff(s)) for s in sounds) + 2.0 * largest(sounds) / FADE
    assert largest(np.diff(heard)) <= explained


def test_switching_faster_than_a_fade_stays_smooth(opened, data):
    acts = [(0.5 + 0.004 * n, "key", name) for n, name in enumerate("23412")]
    heard = record(opened(data, OFFLINE), acts)[LEAD:]
    sounds = [VOLUME * decoded(data, order, "verse")[: heard.size] for order in range(4)]
    explained = max(largest(np.diff(s)) for s in sounds) + 2.0 * largest(sounds) / FADE
    assert largest(np.diff(heard)) <= explained
    settled = quantum(0.7)
    assert largest(heard[settled:] - sounds[1][settled:]) < EXACT


def test_a_loop_repeats_to_the_sample_and_its_seam_does_not_click(opened, data):
    sheet = opened(data, OFFLINE)
    sheet.page.fill("#loop-from", "0.5")
    sheet.page.fill("#loop-to", "1.01")
    sheet.page.press("#loop-to", "Enter")
    heard = record(sheet)[LEAD:]
    length, seam = round(0.51 * RATE), round(0.004 * RATE)
    stretch = VOLUME * decoded(data, 0, "verse")[round(0.5 * RATE) :][:length]
    assert largest(heard[FADE : length - seam - 1] - stretch[FADE : length - seam - 1]) < EXACT
    for turn in range(1, 7):
        once = heard[turn * length :][:length]
        assert largest(once[seam + 1 : -seam - 1] - stretch[seam + 1 : -seam - 1]) < EXACT
    jump = abs(stretch[-1] - stretch[0])
    explained = largest(np.diff(stretch)) + largest(stretch) / seam
    step = largest(np.diff(heard))
    print(f"seam: hard jump {jump:.2e}, largest step heard {step:.2e}, explained {explained:.2e}")
    assert step <= explained


def test_changing_the_loop_round_the_playhead_is_not_heard(opened, data):
    act = (1.0, "set", "#loop-to", "3.5", "change")
    heard = record(opened(data, OFFLINE), [act])[LEAD:]
    played = VOLUME * decoded(data, 0, "verse")
    span = slice(FADE, 3 * RATE)
    assert largest(heard[span] - played[span]) < 2e-4 * VOLUME


def test_seeking_fades_from_place_to_place(opened, data):
    heard = record(opened(data, OFFLINE), [(1.0, "key", "ArrowRight")])[LEAD:]
    played = VOLUME * decoded(data, 0, "verse")
    start = quantum(1.0)
    jumped = round((start - LEAD) / RATE * RATE) + RATE
    after = heard[start + FADE : start + RATE]
    assert largest(after - played[jumped + FADE : jumped + RATE]) < EXACT
    explained = 2.0 * largest(np.diff(played)) + 2.0 * largest(played) / FADE
    assert largest(np.diff(heard)) <= explained


def test_pausing_fades_out_to_silence(opened, data):
    heard = record(opened(data, OFFLINE), [(1.0, "click", "#play")])
    stop = quantum(1.0) + LEAD
    assert largest(heard[stop + FADE + 1 :]) == 0.0
    explained = largest(np.diff(heard[: stop - 10])) + largest(heard) / FADE
    assert largest(np.diff(heard)) <= explained


@pytest.mark.parametrize("mode", ["passage", "order", "as_is"])
def test_each_way_to_listen_plays_the_gains_of_the_data(opened, data, mode):
    """All orders of the solo in one way to listen, each within 0.01 dB of the gain in the data."""
    sheet = opened(data, OFFLINE)
    sheet.page.locator("input[name=passage]").nth(2).check()
    sheet.page.locator(f"input[name=mode][value={mode}]").check()
    acts = [(0.5 * n, "key", str(n + 1)) for n in range(1, 4)]
    heard = record(sheet, acts)[LEAD:]
    for order, name in enumerate(o["name"] for o in data["orders"]):
        span = slice(quantum(0.5 * order) + FADE, quantum(0.5 * (order + 1)) - 10)
        sound = decoded(data, order, "solo")[span]
        gain_db = 20.0 * np.log10(np.sqrt(np.mean(heard[span] ** 2) / np.mean(sound**2)))
        wanted = next(
            s["gains_db"][mode]
            for s in data["sounds"]
            if (s["order"], s["passage"]) == (name, "solo")
        )
        print(f"{mode} {name}: {gain_db + 15.0:.4f} dB, data {wanted:.4f} dB")
        assert gain_db + 15.0 == pytest.approx(wanted, abs=0.01)


def test_changing_the_way_to_listen_and_the_volume_does_not_click(opened, data):
    change = (0.5, "click", "input[name=mode][value=as_is]")
    volume = (1.0, "set", "#volume", "-30", "input")
    heard = record(opened(data, OFFLINE), [change, volume])[LEAD:]
    played = decoded(data, 0, "verse")
    gain = 10.0 ** (data["sounds"][0]["gains_db"]["as_is"] / 20.0)
    quiet = slice(quantum(1.0) + FADE, 3 * RATE)
    assert largest(heard[quiet] - gain * 10.0 ** (-30 / 20) * played[quiet]) < EXACT
    explained = VOLUME * (largest(np.diff(played)) + largest(played) / FADE)
    assert largest(np.diff(heard)) <= explained
