// Clicks, drags and keys.

const DRAG_PX = 5;
const numberOf = (id) => (byId(id).value === "" ? NaN : Number(byId(id).value));

function listenToControls() {
  byId("play").addEventListener("click", playOrPause);
  for (const button of all("button[data-order]")) {
    button.addEventListener("click", () => chooseOrder(Number(button.dataset.order)));
  }
  for (const line of all(".line")) {
    line.addEventListener("click", (event) => {
      if (!event.target.closest("button")) chooseOrder(Number(line.dataset.order));
    });
  }
  onChoice("passage", (value) => choosePassage(Number(value)));
  onChoice("amp", (value) => chooseAmp(Number(value)));
  onChoice("mode", chooseMode);
  byId("volume").addEventListener("input", setVolume);
  byId("against").addEventListener("change", (event) => {
    state.against = Number(event.target.value);
    showTone();
  });
  byId("loop-all").addEventListener("click", () => setLoop(0, passage().seconds));
  byId("moments").addEventListener("click", (event) => {
    const time = event.target.closest("button");
    if (time) seek(Number(time.dataset.at));
  });
  for (const id of ["loop-from", "loop-to"]) {
    byId(id).addEventListener("change", () => setLoop(numberOf("loop-from"), numberOf("loop-to")));
  }
}

function onChoice(name, choose) {
  for (const input of all(`input[name="${name}"]`)) {
    input.addEventListener("change", () => choose(input.value));
  }
}

// A click goes there; a drag loops what it covers.
function listenToLanes() {
  const lanes = byId("lanes");
  let from = null;
  const part = (event) => {
    const { left, width } = lanes.getBoundingClientRect();
    return Math.max(0, Math.min(1, (event.clientX - left) / width));
  };
  lanes.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    from = { x: event.clientX, at: part(event) };
    lanes.setPointerCapture(event.pointerId);
  });
  lanes.addEventListener("pointermove", (event) => {
    if (!from || Math.abs(event.clientX - from.x) < DRAG_PX) return;
    const [low, high] = [from.at, part(event)].sort((one, other) => one - other);
    byId("shade-before").style.width = `${100 * low}%`;
    byId("shade-after").style.width = `${100 - 100 * high}%`;
  });
  lanes.addEventListener("pointerup", (event) => {
    if (!from) return;
    const end = passage().seconds;
    const [low, high] = [from.at, part(event)].sort((one, other) => one - other);
    if (Math.abs(event.clientX - from.x) < DRAG_PX) seek(part(event) * end);
    else setLoop(low * end, high * end);
    from = null;
  });
  lanes.addEventListener("pointercancel", () => {
    from = null;
    showLoop();
  });
}

// On many keyboards [ and ] are typed with AltGr, which some systems report as Ctrl and Alt.
function pressed(event) {
  const graph = event.getModifierState("AltGraph");
  if (event.metaKey || (!graph && (event.ctrlKey || event.altKey))) return;
  const act = actionOf(event);
  if (!act) return;
  event.preventDefault();
  act();
}

function actionOf(event) {
  const { key, shiftKey } = event;
  const ofTest = testAction(event);
  if (ofTest) return ofTest;
  const step = shiftKey ? 0.1 : 1;
  const end = passage().seconds;
  const { from, to } = state.loop || { from: 0, to: end };
  if (/^[1-9]$/.test(key)) return () => chooseOrder(Number(key) - 1);
  const actions = {
    " ": playOrPause,
    ArrowLeft: () => seek(here() - step),
    ArrowRight: () => seek(here() + step),
    Home: () => seek(0),
    End: () => seek(end - 1),
    "[": () => setLoop(here(), here() < to ? to : end),
    "]": () => setLoop(here() > from ? from : 0, here()),
    Escape: () => setLoop(0, end),
  };
  return Object.hasOwn(actions, key) ? actions[key] : null;
}

// Keys that a control needs for itself stay with it: text and menus keep all, a radio its arrows.
function belongsToControl({ target, key }) {
  const kind = target.type || "";
  if (target.isContentEditable || kind === "number" || kind.startsWith("select")) return true;
  if (target.closest?.(".scroll")) return key.startsWith("Arrow") || key === "Home" || key === "End";
  if (kind === "radio" || kind === "range") return !/^[0-9xfs[\] ]$/i.test(key);
  const presses = kind === "button" || kind === "checkbox" || target.closest?.("summary, a");
  return Boolean(presses) && (key === " " || key === "Enter");
}

// With the box unticked, keys act only where they belong: on the time axis and in the blind test.
function listenToKeys() {
  document.addEventListener("keydown", (event) => {
    const acts = byId("keys").checked || event.target.closest?.("#lanes, #blind-trial");
    if (acts && !belongsToControl(event)) pressed(event);
  });
}

// The short row of letters stands in the bar while the lines of words are out of sight.
function listenToSight() {
  new IntersectionObserver(([lines]) => {
    byId("letters").hidden = lines.isIntersecting;
  }).observe(byId("lines"));
  let width = 0;
  new ResizeObserver(([chart]) => {
    if (chart.contentRect.width === width) return;
    width = chart.contentRect.width;
    requestAnimationFrame(showTone);
    requestAnimationFrame(placeLabels);
  }).observe(byId("tone"));
}

Object.defineProperty(window, "simchain", {
  value: Object.freeze({
    get order() { return test.on ? null : orders[state.order].name; },
    get passage() { return passage().name; },
    get amp() { return amps[state.amp]; },
    get mode() { return state.mode; },
    get playing() { return player.playing; },
    get playhead() { return here(); },
    get loop() { return state.loop && { ...state.loop }; },
    get decoded() { return loaded.buffers.filter(Boolean).length; },
    get rate() { return player.context && player.context.sampleRate; },
  }),
});

listenToControls();
listenToTest();
listenToLanes();
listenToKeys();
setVolume();
say();
showAll();
listenToSight();
