// What is chosen, what sounds, and how the one follows the other: first the next two seconds,
// which are quick, then the whole, both at the frame where the sound before them would have been.

const PART_S = 2;
const PART_AHEAD_S = 0.08;
const NEXT_PART_AT_S = 0.9;
const MOST_BYTES = 256 * 1024 * 1024;
const SHORTEST_LOOP_S = 0.05;

const chosen = { order: null, passage: null, amp: null, mode: "passage", point: null, loop: null, place: 0 };
const kept = new Kept(MOST_BYTES);
const sound = { facts: null, key: null, gains: null, epoch: 0, known: new Map(), told: [], ticket: 0, stop: null, asking: false, again: false };
let player = null;

const passageNow = () => passageNamed(chosen.passage);
const lengthNow = () => passageNow()?.seconds || 0;
const here = () => (player?.playing ? player.seconds() : chosen.place);
const delay = (seconds) => new Promise((done) => setTimeout(done, 1000 * seconds));

// What a sound is made of, as far as this page can tell: equal here is equal there.
function wishOf(name) {
  const order = orderNamed(name);
  if (!order || !chosen.passage) return null;
  return JSON.stringify([sound.epoch, order.front, order.loop, chosen.passage, chosen.amp]);
}

const askedNow = () => ({
  revision: desk.board.revision,
  order: chosen.order,
  passage: chosen.passage,
  amp: chosen.amp,
});

const gainNow = (gains) => ratio(gains[chosen.mode] ?? gains.passage);

function loopFrames(frames) {
  const { rate } = desk.board;
  const { from, to } = chosen.loop || { from: 0, to: frames / rate };
  return { from: Math.round(from * rate), to: Math.min(frames, Math.round(to * rate)) };
}

// Make what sounds, and what is seen, what is chosen. `place`: where another passage begins.
async function follow(place = null) {
  const ticket = (sound.ticket += 1);
  sound.stop?.abort();
  seen.stop?.abort();
  free.stop?.abort();
  traces.stop?.abort();
  sound.stop = new AbortController();
  const turn = { ticket, place, signal: sound.stop.signal, wish: wishOf(chosen.order) };
  if (!turn.wish) return;
  if (turn.wish !== sound.wish) seen.said = null;
  Object.assign(sound, { wish: turn.wish, asking: true });
  showFree();
  for (const place of sound.told.splice(0)) tell(place);
  try {
    await followTurn(turn);
  } catch (error) {
    if (isAborted(error) || ticket !== sound.ticket) return;
    if (error.status === 409) await meetStale(turn.revision);
    else meetSilence(error);
  }
  if (ticket === sound.ticket) sound.asking = false;
}

// What is asked of a board that is about to change would be refused: it is asked anew afterwards.
function stopAsking() {
  sound.again ||= seen.asking;
  seen.stop?.abort();
  free.stop?.abort();
  traces.stop?.abort();
  if (!sound.asking) return;
  sound.stop.abort();
  sound.wish = null;
}

function goOnAsking() {
  const again = sound.again;
  sound.again = false;
  if (sound.wish !== wishOf(chosen.order)) follow();
  else if (!sound.asking) goOnSeeing(again);
}

// What is said of the sound that is heard, where it is not said yet.
async function goOnSeeing(again = false) {
  const { ticket, wish } = sound;
  askTraces(wish);
  if (again || seen.said !== heldNow()) await compare();
  if (ticket === sound.ticket) askFree(wish);
}

// The board went on while this was asked: here, which is drawn already, or elsewhere.
async function meetStale(revision) {
  if (desk.board.revision !== revision) await follow();
  else await readBoard();
}

async function followTurn(turn) {
  const known = playedOf(turn.wish);
  const ready = known && hasGain(known) && kept.get(known.key);
  if (ready) soundWhole(turn, known, ready);
  await desk.busy;
  if (turn.ticket !== sound.ticket) return;
  turn.revision = desk.board.revision;
  if (!ready && !chosen.point && player?.playing && (!known || sound.key !== known.key)) await soundPart(turn);
  const facts = await getFacts("/heard", { ...askedNow(), ways: waysNow() }, turn.signal);
  if (turn.ticket !== sound.ticket) return;
  sound.known.set(turn.wish, facts);
  sound.facts = facts;
  showHeard(turn.wish, facts);
  const played = await askPlayed(turn, facts);
  const buffer = kept.get(played.key) || (await fetchWhole(played.key, turn.signal));
  if (turn.ticket !== sound.ticket) return;
  if (sound.key !== played.key || turn.place !== null) soundWhole(turn, played, buffer);
  else takeGains(played.gain_db);
  await goOnSeeing();
}

async function fetchWhole(key, signal) {
  const { buffer } = await getSound(`/sound/${key}.wav`, {}, signal);
  kept.put(key, buffer);
  return buffer;
}

function soundWhole(turn, facts, buffer) {
  if (!player?.playing) return;
  const offset = turn.place;
  Object.assign(turn, { place: null, whole: true });
  player.start([buffer], [gainNow(facts.gain_db)], chosen.loop, offset);
  Object.assign(sound, { key: facts.key, gains: facts.gain_db, facts });
  sayNow();
}

// The next two seconds of an order that is not rendered yet; parts follow each other until the
// whole is there.
async function soundPart(turn) {
  if (!(await fetchPart(turn))) return;
  keepPartsComing(turn).catch(() => {});
}

async function fetchPart(turn, ahead = PART_AHEAD_S) {
  const { rate } = desk.board;
  const loop = loopFrames(Math.round(lengthNow() * rate));
  let first = Math.round(((turn.place ?? here()) + (turn.place === null ? ahead : 0)) * rate);
  if (first >= loop.to - SHORTEST_LOOP_S * rate || first < 0) first = loop.from;
  const seconds = Math.min(PART_S, (loop.to - first) / rate);
  const asked = { ...askedNow(), from: first / rate, seconds };
  const { gain, asIs, buffer } = await getSound("/slice.wav", asked, turn.signal);
  if (turn.ticket !== sound.ticket || turn.whole || !player?.playing) return false;
  const gains = { passage: gain ?? 0, as_is: asIs ?? 0, order: sound.gains?.order ?? null };
  const offset = turn.place === null ? null : first;
  if (!player.startPart(buffer, first, gainNow(gains), loop, offset)) return false;
  turn.place = null;
  Object.assign(sound, { key: null, gains });
  sayNow();
  return true;
}

async function keepPartsComing(turn) {
  for (;;) {
    const part = player.part;
    if (turn.ticket !== sound.ticket || !part) return;
    const left = part.left(player.soon());
    if (left <= 0) return;
    if (left > NEXT_PART_AT_S) await delay(left - NEXT_PART_AT_S);
    else if (!(await fetchPart(turn, 0.3))) return;
  }
}

function meetSilence(error) {
  const text = error instanceof Refusal ? error.message : `This sound cannot be played: ${error.message}`;
  const place = error.status === 422 ? `order-${chosen.order}` : "sound";
  sound.told.push(place);
  tell(place, text);
}

async function play() {
  const known = playedOf(wishOf(chosen.order));
  try {
    player ??= new BenchPlayer(desk.board.rate, volumeNow());
    await player.open();
    if (player.playing) return;
    const buffer = known && (kept.get(known.key) || (!chosen.point && (await fetchWhole(known.key))));
    if (!buffer) await startWithPart();
    else {
      player.start([buffer], [gainNow(known.gain_db)], chosen.loop, chosen.place);
      Object.assign(sound, { key: known.key, gains: known.gain_db });
    }
  } catch (error) {
    meetSilence(error);
  }
  sayNow();
  tick();
}

// Nothing is rendered yet: silence that moves on, which the part and then the whole replace.
async function startWithPart() {
  const { rate } = desk.board;
  const length = Math.round(lengthNow() * rate);
  if (!length) {
    await follow();
    return;
  }
  const nothing = new AudioBuffer({ length, numberOfChannels: 1, sampleRate: rate });
  player.start([nothing], [0], chosen.loop, chosen.place);
  sound.key = null;
  await follow(chosen.place);
}

function pause() {
  if (player?.playing) chosen.place = player.stop();
  sound.key = null;
  sayNow();
  showPlace();
}

const playOrPause = () => (player?.playing ? pause() : play());

function sayNow() {
  const order = orderNamed(chosen.order);
  byId("play").textContent = player?.playing ? "Pause" : "Play";
  if (!order) return;
  const what = `${letterOf(orderPlace(order.name))} ${spoken(order.name)}, ${spoken(chosen.passage || "")}${chosen.point ? `, up to ${spoken(chosen.point)}` : ""}`;
  byId("now").textContent = `${player?.playing ? "Playing" : "Chosen:"} ${what}`;
}

// Start again what sounds now, in another loop or at another place.
function startAgain(offset = null) {
  const buffer = sound.key && kept.get(sound.key);
  if (!player?.playing) return;
  if (buffer) player.start([buffer], [gainNow(sound.gains)], chosen.loop, offset);
  else follow(offset ?? here());
}

function volumeNow() {
  const { value, min } = byId("volume");
  return Number(value) <= Number(min) ? 0 : ratio(Number(value));
}

function setVolume() {
  player?.setVolume(volumeNow());
  const db = Number(byId("volume").value);
  byId("volume-says").textContent = volumeNow() ? `${signed(db, 0)} dB` : "silent";
}

// One gain for an order asks for all its passages to be rendered: only when it is listened by.
const waysNow = () => (chosen.mode === "order" ? "order" : null);
const hasGain = (facts) => chosen.mode !== "order" || facts.gain_db.order !== null;

function takeGains(gains) {
  sound.gains = gains;
  if (player?.playing) player.fadeTo([gainNow(gains)]);
  showWaves();
}

const MODES_SAY = {
  passage: "Every order is equally loud in every passage: tone and touch are left to judge.",
  order: "One gain for each whole order: a solo that lifts in the set lifts here.",
  as_is: "Nothing evened out: louder orders are louder.",
};

function chooseMode(mode) {
  chosen.mode = mode;
  byId("mode-says").textContent = MODES_SAY[mode];
  if (sound.facts && !hasGain(sound.facts)) {
    follow();
    return;
  }
  if (player?.playing && sound.gains) player.fadeTo([gainNow(sound.gains)]);
  showWaves();
}

function chooseOrder(name) {
  if (!orderNamed(name) || name === chosen.order) return;
  chosen.order = name;
  markLines();
  offerAgainst();
  sayNow();
  follow();
}

function choosePassage(name) {
  Object.assign(chosen, { passage: name, loop: null, place: 0 });
  desk.before = null;
  offerAgainst();
  showLoop();
  sayNow();
  follow(0);
}

function chooseAmp(name) {
  chosen.amp = name;
  desk.before = null;
  offerAgainst();
  follow();
}
