// What a change does: the sentence first, then the waveform, the level along the path, the tone.

const BEFORE = "*before";
const LEAD_IN_S = 0.8;
const seen = { facts: null, other: null, stop: null, asking: false, said: null, figures: [] };

function showHeard(wish, facts) {
  seen.facts = facts;
  if (seen.other?.order === facts.order) seen.other = seen.other.before ? seen.other : null;
  showSeen();
}

function showSeen() {
  showWaves();
  showRibbon();
  showTone();
  showFigures();
}

// First what the two were judged by, then what the heard one reads.
function showFigures() {
  const rows = [...seen.figures, ...[seen.facts, tracesNow()].flatMap((each) => each?.engineers || [])];
  byId("does-more").replaceChildren(...rows.flatMap(([name, figure]) => [make("dt", "", name), make("dd", "", figure)]));
}

// What the heard order can be held against: itself before the last change, and the other orders.
function offerAgainst() {
  const menu = byId("against");
  const was = menu.value;
  const others = desk.board.orders.filter(({ name }) => name !== chosen.order);
  const held = desk.before?.order === chosen.order ? desk.before : null;
  const choices = others.map(({ name }) => [name, `${letterOf(orderPlace(name))} ${spoken(name)}`]);
  if (held) choices.unshift([BEFORE, `itself before: ${held.words}`]);
  menu.replaceChildren(...choices.map(([value, words]) => new Option(words, value)));
  const wanted = held?.fresh ? BEFORE : was;
  if (choices.some(([value]) => value === wanted)) menu.value = wanted;
  if (held) held.fresh = false;
  menu.disabled = !choices.length;
  byId("most").setAttribute("aria-disabled", String(!choices.length));
  if (seen.other && menu.value !== seen.other.value) seen.other = null;
}

// What is held against what now, as far as the sentence depends on it.
function heldNow() {
  const { value } = byId("against");
  return JSON.stringify([value, wishOf(value), orderPlace(value), orderPlace(chosen.order)]);
}

async function compare() {
  const held = heldNow();
  seen.said = null;
  seen.stop?.abort();
  seen.stop = new AbortController();
  const { signal } = seen.stop;
  tell("seeing");
  const value = byId("against").value;
  const facts = seen.facts;
  if (!value || !facts) {
    seen.other = null;
    say("There is one order only: copy it, or move a block, to hold it against something.");
    showSeen();
    seen.said = held;
    return;
  }
  seen.asking = true;
  try {
    if (value === BEFORE) await heldAgainstItself(facts, signal);
    else await heldAgainst(value, signal);
    if (!signal.aborted) seen.said = held;
  } catch (error) {
    if (isAborted(error) || error.status === 409) return;
    say("");
    tell("seeing", error.message);
  } finally {
    if (!signal.aborted) seen.asking = false;
  }
}

function say(words, figures = []) {
  byId("does").textContent = words;
  seen.figures = figures;
  showFigures();
}

// First what meters tell, which is known at once, then what ears are expected to.
async function heldAgainstItself(facts, signal) {
  seen.other = { ...desk.before.facts, before: true, value: BEFORE };
  say(changeWords(seen.other, facts));
  showSeen();
  const now = desk.board.orders.find(({ name }) => name === facts.order);
  // Where settings changed and the sequence did not, there are no two orders to judge.
  if (seen.other.key === facts.key || wordsIn(now) === wordsIn(desk.before.was)) return;
  await judge({ ...asOrder("a", desk.before.was), b: facts.order, first: "before", second: "now" }, signal);
}

const wordsIn = ({ front, loop }) => `${front}|${loop}`;
const asOrder = (key, { front, loop }) => ({ [`${key}_front`]: front.join(","), [`${key}_loop`]: loop.join(",") });

async function judge(pair, signal) {
  await desk.busy;
  if (signal.aborted) return;
  const { order, ...rest } = askedNow();
  const { sentence, engineers } = await getFacts("/against", { ...rest, ...pair }, signal);
  say(sentence, engineers);
}

// To a moment before the half second in which the two differ most.
async function seekDifference() {
  tell("seeing");
  await desk.busy;
  if (!seen.other) return;
  const a = seen.other.before ? asOrder("a", desk.before.was) : { a: seen.other.order };
  const { order, ...rest } = askedNow();
  try {
    const { at_s: at } = await getFacts("/where", { ...rest, ...a, b: order });
    if (order !== chosen.order || rest.passage !== chosen.passage) return;
    sayMost(at === null ? "They do not differ anywhere." : `Most difference at ${at.toFixed(1)} seconds`);
    if (at !== null) goTo(at);
  } catch (error) {
    tell("seeing", error.message);
  }
}

// A loop that the moment lies outside of is let go.
function goTo(at) {
  const { loop } = chosen;
  if (loop && (at < loop.from || at > loop.to)) setLoop(0, lengthNow());
  seek(Math.max(chosen.loop?.from ?? 0, at - LEAD_IN_S));
}

function sayMost(words) {
  byId("most-says").textContent = words;
  sayAloud(words);
}

async function heldAgainst(name, signal) {
  say("Comparing …");
  await desk.busy;
  if (signal.aborted || name === chosen.order) return;
  const { order, ...rest } = askedNow();
  seen.other = { ...(await getFacts("/heard", { ...rest, order: name }, signal)), value: name };
  showSeen();
  const letters = { first: letterOf(orderPlace(name)), second: letterOf(orderPlace(order)) };
  await judge({ a: name, b: order, ...letters }, signal);
}

// Waveforms and thirds of octaves are told at the gain that matches sounds in a passage.
const matchedLufs = ({ integrated_lufs: lufs, gain_db: gain }) => (lufs ?? 0) + gain.passage;

// Level in thirds of octaves of `b` less `a`, once both are equally loud, as the sentence has it;
// null where both are too quiet to matter.
function bandChanges(a, b) {
  const louder = matchedLufs(b) - matchedLufs(a);
  return a.bands_db.map((db, band) => {
    const quiet = Math.max(a.quiet_db[band], b.quiet_db[band] - louder);
    const [was, is] = [db ?? quiet, (b.bands_db[band] ?? -999) - louder].map((level) => Math.max(quiet, level));
    return was === is && is === quiet ? null : is - was;
  });
}

function mostChange(changes) {
  const place = changes.reduce((best, db, band) => (Math.abs(db ?? 0) > Math.abs(changes[best] ?? 0) ? band : best), 0);
  return { db: changes[place] ?? 0, band: seen.facts.bands[place] };
}

const moreAt = (db, band) => `${signed(Math.abs(db))} dB ${db > 0 ? "more" : "less"} at ${band}`;

// What one's own meters tell of a change; whether ears tell it is a matter of two orders.
function changeWords(a, b) {
  if (a.key === b.key) return "No change at all: it is the same sound.";
  const louder = (b.integrated_lufs ?? 0) - (a.integrated_lufs ?? 0);
  const { db, band } = mostChange(bandChanges(a, b));
  const loud = Math.abs(louder) < 0.05 ? "Equally loud" : `${signed(Math.abs(louder))} LU ${louder > 0 ? "louder" : "softer"}`;
  const tone = Math.abs(db) < 0.05 ? "no third of an octave changes by 0.1 dB" : `most change of tone ${moreAt(db, band)}`;
  return `${loud} than before, ${tone}.`;
}

const otherName = () => (seen.other.before ? "before" : letterOf(orderPlace(seen.other.order)));
const placeOf = (facts) => Math.max(0, orderPlace(facts.order));

function showWaves() {
  if (!seen.facts) return;
  const both = [seen.facts, seen.other].filter(Boolean);
  const gains = both.map(({ gain_db: gain }) => gainNow(gain) / ratio(gain.passage));
  const tops = both.map(({ waveform }, at) => gains[at] * Math.max(1e-6, ...waveform.map(([low, high]) => Math.max(-low, high))));
  const scale = 1 / Math.max(...tops);
  const lanes = both.map((facts, at) => {
    const letter = at ? otherName() : letterOf(placeOf(facts));
    return waveLane(facts, { place: placeOf(facts), letter }, scale * gains[at], !at);
  });
  byId("waves").replaceChildren(...lanes);
}

function showRibbon() {
  if (!seen.facts) return;
  const stops = stopsOf(seen.facts.points);
  const before = seen.other ? stopsOf(seen.other.points) : [];
  byId("level-says").textContent = stops.length ? roomWords(stops) : "";
  byId("ribbon-note").textContent =
    "From RMS to peak in dBu at each stop; peaks as the level of the sine with that peak. A stroke with hatching is a rail: what goes beyond it clips. Press a stop to hear the chain up to there." +
    (seen.other ? ` Dashed: the peaks ${seen.other.before ? "before" : `of ${otherName()}`}.` : "");
  if (!stops.length) {
    byId("ribbon").replaceChildren();
    return;
  }
  const width = Math.max(280, byId("ribbon").clientWidth);
  drawRibbon(width, stops, before, placeOf(seen.facts));
}

function showTone() {
  if (!seen.facts) return;
  const empty = !seen.other;
  byId("tone").hidden = empty;
  byId("tone-says").textContent = empty ? "Nothing to hold it against yet." : "";
  if (empty) return;
  const changes = bandChanges(seen.other, seen.facts);
  const { db, band } = mostChange(changes);
  const place = placeOf(seen.facts);
  const curve = { place, letter: letterOf(place), change: changes };
  byId("tone").replaceChildren(toneChart(Math.max(280, byId("tone").clientWidth), seen.facts.bands, [curve], place));
  const most = Math.abs(db) < 0.05 ? "no third of an octave differs by as much as 0.1 dB" : `most change ${moreAt(db, band)}`;
  byId("tone-says").textContent = `${curve.letter} against ${otherName()}: ${most}.`;
}

function listenToSeeing() {
  byId("most").addEventListener("click", seekDifference);
  byId("against").addEventListener("change", () => {
    seen.other = null;
    compare();
  });
  const widths = new Map();
  const watch = new ResizeObserver((entries) => {
    for (const { target, contentRect } of entries) {
      if (widths.get(target) === contentRect.width) continue;
      widths.set(target, contentRect.width);
      requestAnimationFrame({ tone: showTone, ribbon: showRibbon, happenings: placeEvents }[target.id]);
    }
  });
  for (const id of ["tone", "ribbon", "happenings"]) watch.observe(byId(id));
  listenToMoments();
}
