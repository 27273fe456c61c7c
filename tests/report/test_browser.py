"""The page in a browser, opened from disk: every control, by pointer and by keyboard."""

import itertools

import pytest

pytestmark = pytest.mark.browser

CONTRAST = """
() => {
  const context = document.createElement('canvas').getContext('2d', { willReadFrequently: true });
  const light = (colour) => {
    context.fillStyle = colour;
    context.fillRect(0, 0, 1, 1);
    const [r, g, b] = [...context.getImageData(0, 0, 1, 1).data].map((part) => {
      const c = part / 255;
      return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4;
    });
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const root = getComputedStyle(document.documentElement);
  const token = (name) => light(root.getPropertyValue(name));
  const probe = document.body.appendChild(document.createElement('span'));
  const inks = { ink: token('--ink'), soft: token('--soft'), warn: token('--warn') };
  for (let order = 1; order <= 9; order += 1) {
    probe.className = `order-${order}`;
    inks[`order ${order}`] = light(getComputedStyle(probe).getPropertyValue('--order'));
  }
  const ratios = {};
  for (const ground of ['--paper', '--sunk']) {
    for (const [name, ink] of Object.entries(inks)) {
      const [low, high] = [ink, token(ground)].sort((one, other) => one - other);
      ratios[`${name} on ${ground}`] = (high + 0.05) / (low + 0.05);
    }
  }
  return ratios;
}
"""

NAMELESS = """
() => [...document.querySelectorAll('button, input, select, summary, [role=slider], [tabindex]')]
  .filter((control) => {
    const labels = [...(control.labels || [])].map((label) => label.textContent);
    const own = control.matches('input, select') ? '' : control.textContent;
    return ![control.getAttribute('aria-label') || '', ...labels, own].join('').trim();
  })
  .map((control) => control.outerHTML)
"""


def test_play_switch_by_button_and_by_key_and_pause(opened, data):
    sheet = opened(data)
    assert not sheet.state("playing")
    sheet.play()
    assert sheet.state("rate") == data["rate"]
    assert sheet.state("decoded") == 4
    sheet.page.click("button.letter[data-order='2']")
    assert sheet.state("order") == "boost_first"
    assert sheet.page.get_attribute("button.letter[data-order='2']", "aria-pressed") == "true"
    assert sheet.page.inner_text("#now") == "Playing C boost first, verse"
    sheet.page.keyboard.press("2")
    assert sheet.state("order") == "split"
    assert sheet.page.inner_text("#now") == "Playing B split, verse"
    sheet.page.keyboard.press("9")
    assert sheet.state("order") == "split"
    before = sheet.state("playhead")
    sheet.until(f"window.simchain.playhead > {before} + 0.2")
    sheet.page.click("#play")
    assert not sheet.state("playing")
    stood = sheet.state("playhead")
    sheet.page.wait_for_timeout(100)
    assert sheet.state("playhead") == stood > before


def test_sound_reaches_the_loudspeaker(opened, data):
    """In real time: what goes to the destination is the order's own note."""
    listen = """
      const connect = AudioNode.prototype.connect;
      AudioNode.prototype.connect = function (target, ...rest) {
        if (target instanceof AudioDestinationNode) {
          window.ear = this.context.createAnalyser();
          window.ear.fftSize = 32768;
          connect.call(this, window.ear);
        }
        return connect.call(this, target, ...rest);
      };
    """
    note = """
      () => {
        const bins = new Float32Array(window.ear.frequencyBinCount);
        window.ear.getFloatFrequencyData(bins);
        return (bins.indexOf(Math.max(...bins)) * window.ear.context.sampleRate) / 32768;
      }
    """
    sheet = opened(data, listen)
    sheet.play()
    for order, hertz in ((0, 220.0), (3, 880.0)):
        sheet.page.keyboard.press(str(order + 1))
        heard = 0.0
        for _ in range(40):  # a busy machine plays late: 20 s at the most
            sheet.page.wait_for_timeout(500)
            heard = sheet.page.evaluate(note)
            if abs(heard - hertz) < 3.0:
                break
        assert heard == pytest.approx(hertz, abs=3.0)


def test_passages_keep_one_passage_in_memory_and_start_it_anew(opened, data):
    sheet = opened(data)
    sheet.play()
    sheet.page.keyboard.press("2")
    sheet.until("window.simchain.playhead > 0.8")
    sheet.page.locator("input[name=passage]").nth(2).check()
    sheet.until("window.simchain.passage === 'solo' && simchain.playhead < 0.6")
    assert sheet.state("playing")
    assert sheet.state("order") == "split"
    assert sheet.state("decoded") == 4
    assert sheet.page.inner_text("#now") == "Playing B split, solo"
    on = sheet.page.locator("#words-1 .block:not(.off)").all_inner_texts()
    assert on == ["press", "grit", "push", "room", "repeat"]
    assert sheet.page.locator(".event-text").all_inner_texts() == ["push off"]
    assert "Clips:" in sheet.page.locator(".headroom:visible").inner_text()


def test_pausing_while_a_passage_loads_stays_paused(opened, data):
    sheet = opened(data)
    sheet.play()
    sheet.page.evaluate(
        "() => { document.querySelectorAll('input[name=passage]')[1].click();"
        " document.getElementById('play').click(); }"
    )
    sheet.page.wait_for_timeout(400)
    assert not sheet.state("playing")


def test_an_amplifier_is_changed_at_the_same_place(opened, two_amps):
    sheet = opened(two_amps)
    sheet.play()
    sheet.until("window.simchain.playhead > 1.0")
    sheet.page.locator("input[name=amp]").nth(1).check()
    assert sheet.state("amp") == "hot"
    sheet.page.wait_for_timeout(500)
    assert sheet.state("playhead") > 1.2
    assert sheet.state("playing")


def test_a_click_on_the_waveform_goes_there_and_a_drag_loops(opened, data):
    sheet = opened(data)
    lanes = sheet.page.locator("#lanes")
    lanes.scroll_into_view_if_needed()
    box = lanes.bounding_box()

    def at(part: float) -> tuple[float, float]:
        return box["x"] + part * box["width"], box["y"] + 40

    sheet.page.mouse.click(*at(0.5))
    assert sheet.state("playhead") == pytest.approx(2.0, abs=0.01)
    assert sheet.state("loop") is None
    sheet.play()
    assert sheet.state("playhead") >= 1.9
    sheet.page.mouse.move(*at(0.75))
    sheet.page.mouse.down()
    sheet.page.mouse.move(*at(0.6))
    sheet.page.mouse.move(*at(0.5))
    sheet.page.mouse.up()
    assert sheet.state("loop") == pytest.approx({"from": 2.0, "to": 3.0}, abs=0.01)
    for _ in range(12):
        sheet.page.wait_for_timeout(120)
        assert 1.99 <= sheet.state("playhead") <= 3.01
    assert sheet.page.input_value("#loop-from") == "2.00"
    sheet.page.click("#loop-all")
    assert sheet.state("loop") is None


def test_the_loop_by_numbers_and_by_keys(opened, data):
    sheet = opened(data)
    sheet.page.fill("#loop-from", "1.5")
    sheet.page.fill("#loop-to", "2.5")
    sheet.page.press("#loop-to", "Enter")
    assert sheet.state("loop") == {"from": 1.5, "to": 2.5}
    assert sheet.state("playhead") == 1.5
    sheet.page.press("#loop-to", "1")
    assert sheet.state("order") == "series"
    sheet.page.locator("#loop-to").blur()
    sheet.page.keyboard.press("Escape")
    assert sheet.state("loop") is None
    for key in ("ArrowRight", "[", "ArrowRight", "Shift+ArrowRight", "]"):
        sheet.page.keyboard.press(key)
    assert sheet.state("loop") == pytest.approx({"from": 2.5, "to": 3.6})
    sheet.page.fill("#loop-to", "1")
    sheet.page.press("#loop-to", "Enter")
    assert sheet.state("loop") is None
    assert sheet.page.input_value("#loop-to") == "4.00"


PRESSED = """(key) => {
  document.body.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
  return window.simchain.playhead;
}"""


def test_keys_seek_and_space_plays(opened, data):
    sheet = opened(data)
    sheet.page.keyboard.press("End")
    assert sheet.state("playhead") >= 2.95
    sheet.page.keyboard.press("Home")
    assert sheet.state("playhead") == 0.0
    sheet.page.keyboard.press(" ")
    sheet.until("window.simchain.playing")
    # Pressed and read at once: the playhead runs on while the browser is asked.
    assert sheet.page.evaluate(PRESSED, "End") >= 2.95
    assert sheet.page.evaluate(PRESSED, "Home") < 1.0
    assert sheet.state("playing")
    sheet.page.keyboard.press(" ")
    assert not sheet.state("playing")


def test_keys_can_be_switched_off(opened, data):
    """WCAG 2.1, criterion 2.1.4: shortcuts of one character can be turned off."""
    sheet = opened(data)
    sheet.page.uncheck("#keys")
    sheet.page.locator("#keys").blur()
    sheet.page.keyboard.press("3")
    sheet.page.keyboard.press(" ")
    assert sheet.state("order") == "series"
    assert not sheet.state("playing")
    sheet.page.locator("#lanes").focus()
    sheet.page.keyboard.press("ArrowRight")
    assert sheet.state("playhead") == 1.0
    assert sheet.page.get_attribute("#lanes", "aria-valuetext") == "1.0 of 4.0 seconds"


def test_radio_groups_move_by_arrows_and_leave_the_playhead_alone(opened, data):
    sheet = opened(data)
    sheet.page.locator("input[name=mode]").first.focus()
    modes = []
    for _ in range(3):
        modes.append(sheet.state("mode"))
        sheet.page.keyboard.press("ArrowRight")
    assert modes == ["passage", "order", "as_is"]
    assert sheet.state("playhead") == 0
    sheet.page.keyboard.press("2")
    assert sheet.state("order") == "split"


def test_the_tone_is_held_against_the_order_that_is_chosen(opened, data):
    sheet = opened(data)
    sheet.page.locator("input[name=passage]").nth(2).check()
    sheet.page.keyboard.press("3")
    assert sheet.page.inner_text("#tone-says") == "C against A: most change 2.6 dB less at 1.6 kHz."
    sheet.page.select_option("#against", "2")
    sheet.page.keyboard.press("1")
    assert sheet.page.inner_text("#tone-says") == "A against C: most change 2.6 dB more at 1.6 kHz."
    assert sheet.page.locator("#tone .curve").count() == 3


def test_levels_and_tables_follow_the_passage(opened, data):
    sheet = opened(data)
    sheet.page.locator("input[name=passage]").nth(2).check()
    assert sheet.page.locator(".level").count() == 4
    assert sheet.page.locator(".clips .warning").first.inner_text().startswith("clips, ")
    sheet.page.click(".engineers summary")
    row = sheet.page.locator("#points table").first.locator("tbody tr").first
    assert row.locator("th, td").all_inner_texts() == [
        "source", "−21.0", "−7.0", "69.0", "489", "–", "−65.0", "0.44", "–",
    ]  # fmt: skip


def test_levels_show_noise_floors_and_what_is_in_the_loop(opened, data):
    sheet = opened(data)
    stops = sum(len({p["name"].removesuffix(".in").removesuffix(".out") if "amp" not in p["name"]
                     else p["name"] for p in s["points"]})
                for s in data["sounds"] if s["passage"] == "verse")  # fmt: skip
    assert sheet.page.locator(".track .floor").count() == stops
    assert sheet.page.locator(".in-loop").count() == 3 * 2
    said = sheet.page.locator(".headroom:visible").inner_text()
    assert "in the loop (B, C and D) than in front of the amplifier (A)" in said
    assert "At speaker the noise floor is 44 dB below the music in each order." in said


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_contrast_is_at_least_4_5_to_1(opened, data, scheme):
    """WCAG 2.1, criterion 1.4.3, relative luminance as defined there."""
    ratios = opened(data, color_scheme=scheme).page.evaluate(CONTRAST)
    least = min(ratios, key=ratios.get)
    print(f"{scheme}: least contrast {ratios[least]:.2f} ({least})")
    assert len(ratios) == 24
    assert ratios[least] >= 4.5


@pytest.mark.parametrize("width", [380, 768, 1440])
def test_nothing_sticks_out_sideways(opened, data, width):
    sheet = opened(data, viewport={"width": width, "height": 800})
    sheet.page.click(".engineers summary")
    assert sheet.page.evaluate("document.documentElement.scrollWidth") == width


def test_on_a_narrow_screen_the_short_letters_stay_in_reach(opened, data):
    sheet = opened(data, viewport={"width": 380, "height": 700})
    assert not sheet.page.is_visible("#letters")
    sheet.page.locator("#tone").scroll_into_view_if_needed()
    sheet.page.wait_for_selector("#letters", state="visible")
    sheet.page.click("#letters button[data-order='3']")
    assert sheet.state("order") == "tail_swap"


@pytest.mark.parametrize("width", [380, 1280])
def test_no_part_of_the_page_lies_upon_another(opened, data, width):
    sheet = opened(data, viewport={"width": width, "height": 900})
    boxes = sheet.page.evaluate(
        "() => [...document.querySelectorAll('main > section, main > div, main > details')]"
        ".map((part) => [part, ...part.querySelectorAll('button, input, h2')].map((one) =>"
        " one.getBoundingClientRect()).filter((box) => box.height > 1)"
        ".map((box) => [box.top, box.bottom]))"
    )
    for part, following in itertools.pairwise(boxes):
        assert max(bottom for _, bottom in part) <= following[0][0] + 1


def test_every_control_has_a_name_and_landmarks_stand(opened, data):
    sheet = opened(data)
    sheet.page.click(".engineers summary")
    assert sheet.page.evaluate(NAMELESS) == []
    assert sheet.page.get_by_role("main").count() == 1
    assert sheet.page.get_by_role("heading", level=1).inner_text() == "Train board"
    assert sheet.page.get_by_role("button", name="B split").count() == 1
    assert sheet.page.get_by_role("radio", name="Solo").count() == 1
    assert sheet.page.get_by_role("slider", name="Place in the passage").count() == 1
    assert sheet.page.get_by_role("status").count() >= 1


def test_reduced_motion_still_moves_the_playhead(opened, data):
    sheet = opened(data, reduced_motion="reduce")
    sheet.play()
    sheet.until("document.getElementById('clock').textContent >= '0.3'")
