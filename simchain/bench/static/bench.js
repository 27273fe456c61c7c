// The page as a whole: what a new board changes on it, and where it all begins.

const UNHEARD = new Set(["/board", "/reload", "/change", "/tables"]);

// `before`: the board that was and what sounded of it; `path`: what was asked.
function boardTaken(before, path) {
  if (carrying()) letGo();
  if (drag) endDrag();
  const now = desk.board;
  if (before && changesSounds(before.board, now, path)) sound.epoch += 1;
  takeNames(before?.board);
  if (before) keepBefore(before);
  drawHead();
  drawBeginning();
  drawLines();
  drawPassages();
  offerAgainst();
  showLoop();
  sayNow();
  readSettings();
  if (sound.wish !== wishOf(chosen.order)) follow();
}

// Whether settings may have changed: moves change orders, and nothing but these.
function changesSounds(before, now, path) {
  const sameOrders = JSON.stringify(before.orders) === JSON.stringify(now.orders);
  return UNHEARD.has(path) || (sameOrders && (path === "/undo" || path === "/redo"));
}

// What is chosen stays, under its new name where it has one, and else gives way to the first.
function takeNames(before) {
  const { next } = renaming;
  if (next && orderNamed(next.name)) {
    if (next.doing === "copy" || chosen.order === next.from) chosen.order = next.name;
    nameNothing();
  }
  if (renaming.order && !orderNamed(renaming.order)) nameNothing();
  const { orders, passages, amps } = desk.board;
  if (!orderNamed(chosen.order)) {
    const place = before ? before.orders.findIndex(({ name }) => name === chosen.order) : 0;
    chosen.order = orders[Math.max(0, Math.min(place, orders.length - 1))]?.name ?? null;
  }
  if (!passageNamed(chosen.passage)) {
    const renamed = before?.passages.length === passages.length && passages[before.passages.findIndex(({ name }) => name === chosen.passage)];
    if (renamed) chosen.passage = renamed.name;
    else Object.assign(chosen, { passage: passages[0]?.name ?? null, loop: null, place: 0 });
  }
  if (!amps.includes(chosen.amp)) chosen.amp = amps[0] ?? null;
}

// What the order sounded like before a change, as long as it is the same passage and amplifier.
function keepBefore({ board, wish }) {
  const was = board.orders.find(({ name }) => name === chosen.order);
  if (!was || wish === wishOf(chosen.order)) return;
  const facts = sound.known.get(wish);
  const words = desk.board.undo || "the last change";
  desk.before = facts ? { facts, was, order: chosen.order, words, fresh: true } : null;
}

function drawPassages() {
  const key = JSON.stringify([desk.board.passages, desk.board.amps]);
  if (drawPassages.key === key) return;
  drawPassages.key = key;
  const { passages, amps } = desk.board;
  const legend = byId("passages").querySelector("legend");
  byId("passages").replaceChildren(legend, ...passages.map(passageChoice));
  byId("passages-head").textContent = passages.some((each) => each.is_song) ? "Passages and songs" : "Passages";
  byId("amps").hidden = amps.length < 2;
  byId("amps").replaceChildren(byId("amps").querySelector("legend"), ...amps.map((name) =>
    make("label", "", radio("amp", name, chosen.amp === name, () => chooseAmp(name)), " ", make("span", "", name)),
  ));
}

function passageChoice({ name, seconds, on, is_song: song }) {
  const choice = make("label", "passage", radio("passage", name, chosen.passage === name, () => choosePassage(name)));
  const what = song ? "a song" : on.length ? `${on.map(spoken).join(", ")} on` : "everything off";
  const length = seconds === null ? "its clip cannot be read" : `${seconds.toFixed(1)} s`;
  choice.append(make("span", "title", spoken(name)), make("span", "fact", `${what}, ${length}`));
  return choice;
}

function radio(name, value, checked, choose) {
  const input = make("input", "");
  Object.assign(input, { type: "radio", name, value, checked });
  input.addEventListener("change", choose);
  return input;
}

function listenToChoices() {
  byId("play").addEventListener("click", playOrPause);
  byId("volume").addEventListener("input", setVolume);
  for (const input of all("input[name=mode]")) {
    input.addEventListener("change", () => chooseMode(input.value));
  }
  new IntersectionObserver(([lines]) => {
    byId("letters").hidden = lines.isIntersecting;
  }).observe(byId("lines"));
}

Object.defineProperty(window, "simchainBench", {
  value: Object.freeze({
    get revision() { return desk.board && desk.board.revision; },
    get waiting() { return desk.waiting; },
    get order() { return chosen.order; },
    get orders() { return desk.board && structuredClone(desk.board.orders); },
    get passage() { return chosen.passage; },
    get amp() { return chosen.amp; },
    get mode() { return chosen.mode; },
    get point() { return chosen.point; },
    get playing() { return Boolean(player?.playing); },
    get playhead() { return here(); },
    get loop() { return chosen.loop && { ...chosen.loop }; },
    get key() { return player?.playing ? sound.key : null; },
    get part() { return Boolean(player?.part); },
    get decoded() { return kept.buffers.size; },
    get free() { return structuredClone(freeNow(chosen.order)?.moves ?? null); },
    get seen() { return seen.facts && seen.facts.key; },
    get rate() { return player?.context ? player.context.sampleRate : null; },
  }),
});

async function begin() {
  listenToHead();
  listenToWords();
  listenToChoices();
  listenToTime();
  listenToSeeing();
  listenToFree();
  listenToStops();
  listenToSettings();
  setVolume();
  try {
    await readBoard();
    chooseMode("passage");
    showPlace();
  } catch (error) {
    tell("board", error.message);
  }
}

begin();
