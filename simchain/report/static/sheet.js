// The sheet: what is chosen, what is heard, and every control that changes it.

const facts = JSON.parse(document.getElementById("facts").textContent);
const byId = (id) => document.getElementById(id);
const all = (selector) => [...document.querySelectorAll(selector)];
const orders = facts.orders.map((order, place) => ({ ...order, place }));
const amps = facts.amps.length ? facts.amps : [null];
const SHORTEST_LOOP_S = 0.05;

const state = { order: 0, passage: 0, amp: 0, mode: "passage", against: 0, loop: null, place: 0 };
const player = new ReportPlayer(facts.rate, ratio(Number(byId("volume").value)));
let loaded = { key: "", buffers: [] };
let request = 0;
let waiting = false;
const parsed = new Promise((done) => {
  if (document.readyState !== "loading") done();
  else document.addEventListener("DOMContentLoaded", done);
});

const passage = () => facts.passages[state.passage];
const soundOf = (order) =>
  facts.sounds.find(
    (sound) =>
      sound.order === order.name &&
      sound.passage === passage().name &&
      sound.amp === amps[state.amp],
  );
const gainOf = (order) => {
  const sound = soundOf(order);
  return sound ? ratio(sound.gains_db[state.mode]) : 0;
};
const playGains = () => {
  const trim = test.on || test.trying ? trimOf : () => 1;
  return orders.map((order) => (order === soundingOrder() ? gainOf(order) * trim(order) : 0));
};
// The order that is shown as heard: none while the blind test is on.
const shownOrder = () => (test.on ? -1 : state.order);
const here = () => (player.playing && !waiting ? player.seconds() : state.place);

// Decode what is chosen, unless it is there already.
async function chosenBuffers() {
  const key = `${state.passage}/${state.amp}`;
  if (loaded.key === key) return loaded;
  await parsed;
  const texts = orders.map((order) => {
    const sound = soundOf(order);
    return sound ? byId(sound.element).textContent : null;
  });
  return { key, buffers: await player.decode(texts) };
}

// Start what is chosen at `state.place`, or where the take that plays will be by then. What was
// asked for later wins; until it is decoded, what plays goes on. Returns whether it started.
async function play(follow = false) {
  const ticket = (request += 1);
  waiting = true;
  try {
    await player.open();
    const chosen = await chosenBuffers();
    if (ticket !== request) return false;
    loaded = chosen;
    player.start(loaded.buffers, playGains(), state.loop, follow ? null : state.place);
    waiting = false;
  } catch (error) {
    waiting = false;
    say(`This browser cannot play these sounds: ${error.message}`);
    return false;
  }
  byId("play").textContent = "Pause";
  say();
  tick();
  return true;
}

function pause() {
  request += 1;
  waiting = false;
  if (player.playing) state.place = player.stop();
  byId("play").textContent = "Play";
  say();
  showPlace();
}

function say(words) {
  byId("now").textContent = words || (test.on ? playingWords() : chosenWords());
}

function chosenWords() {
  const order = orders[state.order];
  const what = `${order.letter} ${order.label}, ${passage().label}`;
  const trim = test.trying && trimDb() ? ", trimmed by ear" : "";
  return `${player.playing ? "Playing" : "Chosen:"} ${what}${trim}`;
}

function playOrPause() {
  if (player.playing) pause();
  else if (test.on) hear(test.heard || "a");
  else play();
}

// `trying`: with the blind test's trim.
function chooseOrder(place, trying = false) {
  if (test.on || place >= orders.length || !soundOf(orders[place])) return;
  Object.assign(test, { trying });
  state.order = place;
  player.fadeTo(playGains());
  say();
  showOrder();
}

function choosePassage(place) {
  Object.assign(state, { passage: place, loop: null, place: 0 });
  dropTrim();
  if (player.playing) play();
  say();
  showAll();
}

function chooseAmp(place) {
  state.place = here();
  state.amp = place;
  dropTrim();
  if (player.playing) play(true);
  say();
  showAll();
}

function chooseMode(mode) {
  state.mode = mode;
  test.trying = false;
  player.fadeTo(playGains());
  for (const words of all(".mode-says")) words.hidden = words.id !== `mode-${mode}`;
  showWaves();
}

function setVolume() {
  const db = Number(byId("volume").value);
  const silent = db <= Number(byId("volume").min);
  player.setVolume(silent ? 0 : ratio(db));
  byId("volume-says").textContent = silent ? "silent" : `${signed(db, 0)} dB`;
}

function seek(seconds) {
  const end = passage().seconds;
  const { from, to } = state.loop || { from: 0, to: end };
  state.place = Math.max(0, Math.min(end - 0.01, seconds));
  if (player.playing && !waiting) {
    const inside = state.place < to ? state.place : from;
    player.start(loaded.buffers, playGains(), state.loop, inside);
  }
  showPlace();
}

// Loop a stretch in seconds; anything too short or back to front gives the whole passage.
function setLoop(from, to) {
  const end = passage().seconds;
  const [low, high] = [Math.max(0, from), Math.min(end, to)];
  const whole = !(high - low >= SHORTEST_LOOP_S) || (low === 0 && high === end);
  state.loop = whole ? null : { from: low, to: high };
  const inside = whole || (here() >= low && here() < high);
  if (!inside) state.place = low;
  if (player.playing && !waiting) {
    player.start(loaded.buffers, playGains(), state.loop, inside ? null : low);
  }
  showLoop();
  showPlace();
}

function showAll() {
  showOrder();
  showLoop();
  showPlace();
}

function showOrder() {
  for (const button of all("button[data-order]")) {
    button.setAttribute("aria-pressed", String(Number(button.dataset.order) === shownOrder()));
    button.disabled = test.on || !soundOf(orders[Number(button.dataset.order)]);
  }
  for (const line of all(".line")) {
    line.classList.toggle("heard", Number(line.dataset.order) === shownOrder());
  }
  for (const words of all(".says")) words.hidden = Number(words.dataset.amp) !== state.amp;
  for (const words of all(".headroom")) {
    const { passage: place, amp } = words.dataset;
    words.hidden = Number(place) !== state.passage || Number(amp) !== state.amp;
  }
  showWaves();
  showTimeline();
  showLevels();
  showTone();
}

// One scale for every passage and order, so that lanes can be compared by eye.
function waveScale() {
  const tops = facts.sounds.map(({ waveform, gains_db: gains }) => {
    const top = waveform.reduce((most, [low, high]) => Math.max(most, -low, high), 0);
    return top * ratio(gains[state.mode]);
  });
  return 1 / Math.max(1e-6, ...tops);
}

function showWaves() {
  if (test.on) {
    byId("waves").replaceChildren(bothWaves(waveScale()));
    return;
  }
  const scale = waveScale();
  const lanes = orders.map((order) =>
    waveLane(soundOf(order), order, scale * gainOf(order), order.place === shownOrder()),
  );
  const { seconds, timeline } = passage();
  orders.forEach((order, place) => {
    lanes[place].append(...laneSteps(timeline, soundOf(order)?.steps || [], seconds));
  });
  byId("waves").replaceChildren(...lanes);
}

function showTimeline() {
  const { seconds, timeline, moments } = passage();
  const heard = orders[state.order];
  const blocks = test.on ? [...test.plan.a.blocks, ...test.plan.b.blocks] : heard.blocks;
  byId("parts").style.gridTemplateColumns = timeline.parts
    .map(({ at, to }) => `minmax(0, ${to - at}fr)`)
    .join(" ");
  byId("parts").replaceChildren(...partNames(timeline, soundOf(heard)?.steps || []));
  byId("rules").replaceChildren(...partRules(timeline, seconds));
  byId("scale").replaceChildren(...timeTicks(seconds));
  byId("rows").replaceChildren(...timeline.rows.map((row) => duringRow(row, seconds, blocks)));
  byId("marks").replaceChildren(...eventMarks(timeline, seconds));
  byId("moments").replaceChildren(...momentLines(moments[state.amp]));
  placeLabels();
}

function placeLabels() {
  const rows = placeEventLabels([...byId("marks").children], byId("marks").clientWidth);
  byId("happenings").style.setProperty("--rows", rows);
  for (const line of all(".during-line")) placeValues(line);
}

// Words of blocks are bold while they are on.
let wordsShown = "";
function showWords(at) {
  const on = passage().on.filter((block) => isOnAt(passage().timeline, block, at));
  const key = [state.passage, ...on].join(" ");
  if (key === wordsShown) return;
  wordsShown = key;
  for (const word of all(".block")) {
    const off = !on.includes(word.dataset.block);
    word.classList.toggle("off", off);
    word.title = off ? "off" : "on";
  }
}

function showLevels() {
  const heard = orders.filter(soundOf);
  const strips = heard.map((order) =>
    levelStrip(order, soundOf(order), facts.level_range_dbu, order.place === shownOrder()),
  );
  byId("strips").replaceChildren(...strips);
  byId("points-head").textContent = `Test points, ${passage().label}`;
  byId("points").replaceChildren(...heard.map((order) => pointTable(order, soundOf(order))));
}

function bandChange(order, against) {
  const ours = (pair) => pair.passage === passage().name && pair.amp === amps[state.amp];
  const forth = facts.pairs.find((p) => ours(p) && p.a === against.name && p.b === order.name);
  if (forth) return forth.band_change_db;
  const back = facts.pairs.find((p) => ours(p) && p.b === against.name && p.a === order.name);
  return back ? back.band_change_db.map((change) => (change === null ? null : -change)) : null;
}

function showTone() {
  const against = orders[state.against];
  const curves = orders
    .filter((order) => order !== against)
    .map((order) => ({ ...order, change: bandChange(order, against) }))
    .filter(({ change }) => change);
  const width = Math.max(280, byId("tone").clientWidth);
  byId("tone").replaceChildren(toneChart(width, facts.bands, curves, shownOrder()));
  const heard = curves.find(({ place }) => place === shownOrder()) || curves[0];
  byId("tone-says").textContent = heard ? toneWords(heard, against) : "";
}

function toneWords({ letter, change }, against) {
  const most = change.reduce(
    (best, db, band) => (Math.abs(db ?? 0) > Math.abs(change[best] ?? 0) ? band : best),
    0,
  );
  const db = change[most] ?? 0;
  const start = `${letter} against ${against.letter}: `;
  if (Math.abs(db) < 0.05) return `${start}no third of an octave differs by as much as 0.1 dB.`;
  return `${start}most change ${Math.abs(db).toFixed(1)} dB ${db > 0 ? "more" : "less"} at ${facts.bands[most]}.`;
}

function showLoop() {
  const end = passage().seconds;
  const { from, to } = state.loop || { from: 0, to: end };
  byId("loop-from").max = end;
  byId("loop-to").max = end;
  byId("loop-from").value = from.toFixed(2);
  byId("loop-to").value = to.toFixed(2);
  byId("loop-all").disabled = !state.loop;
  byId("loop-all").textContent = passage().is_song ? "whole song" : "whole passage";
  byId("shade-before").style.width = `${(100 * from) / end}%`;
  byId("shade-after").style.width = `${100 - (100 * to) / end}%`;
  byId("length").textContent = end.toFixed(1);
}

function showPlace() {
  const [place, end] = [here(), passage().seconds];
  byId("playhead").style.left = `${(100 * place) / end}%`;
  byId("clock").textContent = place.toFixed(1);
  showWords(place);
  const slider = byId("lanes");
  const part = passage().timeline.parts.findLast(({ at }) => at <= place);
  const words = `${place.toFixed(1)} of ${end.toFixed(1)} seconds${part ? `, ${part.label}` : ""}`;
  if (slider.getAttribute("aria-valuetext") === words) return;
  slider.setAttribute("aria-valuemax", end);
  slider.setAttribute("aria-valuenow", place.toFixed(1));
  slider.setAttribute("aria-valuetext", words);
}

const calm = matchMedia("(prefers-reduced-motion: reduce)");

let turns = 0;

// The playhead moves while something plays; a new call takes over from the one before.
function tick(turn = (turns += 1)) {
  if (!player.playing || turn !== turns) return;
  showPlace();
  if (calm.matches) setTimeout(tick, 250, turn);
  else requestAnimationFrame(() => tick(turn));
}
