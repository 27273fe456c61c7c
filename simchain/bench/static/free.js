// Where a block of the heard order may stand without a difference being expected: asked once its
// sound has settled, told in words under the line, and marked in the gaps of the line itself.

const free = { known: new Map(), failed: null, stop: null };
const FREE_LU = 0.5;
// The bench answers with all its cores: a sound that is left again at once is not asked about.
const FREE_AFTER_S = 0.4;
const FREE_MEANS = "No difference expected at a ring but in level, in this passage.";

async function askFree(wish) {
  showFree();
  if (free.known.has(wish)) return;
  free.stop?.abort();
  free.stop = new AbortController();
  const { signal } = free.stop;
  await delay(FREE_AFTER_S);
  await desk.busy;
  if (signal.aborted || wish !== wishOf(chosen.order)) return;
  const given = orderNamed(chosen.order);
  try {
    const found = await getFacts("/free", askedNow(), signal);
    free.known.set(wish, { ...found, ...placesByBlock(given, found.moves) });
  } catch (error) {
    if (isAborted(error) || error.status === 409) return;
    free.failed = wish;
    tell(`order-${chosen.order}`, error.message);
  }
  showFree();
}

// Blocks of one box move together, which no word does by itself: of these nothing is said.
function placesByBlock(given, moves) {
  const [places, boxed] = [new Map(), new Set()];
  for (const { block, louder_lu: louder, proved, ...order } of moves) {
    if (!alikeWithout(given, order, block)) {
      for (const name of allBlocks(given)) if (alikeWithout(given, order, block, name)) boxed.add(name);
      boxed.add(block);
      continue;
    }
    if (!places.has(block)) places.set(block, []);
    places.get(block).push({ ...standsAt(order, block), louder, proved });
  }
  return { places, boxed };
}

const allBlocks = ({ front, loop }) => [...front, ...loop];
const alikeWithout = (one, other, ...blocks) => {
  const rest = (order, to) => order[to].filter((name) => !blocks.includes(name)).join();
  return ["front", "loop"].every((to) => rest(one, to) === rest(other, to));
};

// What is known of the heard order as it stands; null for other orders, and while it is not known.
function freeNow(order) {
  return order === chosen.order ? free.known.get(wishOf(order)) || null : null;
}

const freePlaces = (order, block) => freeNow(order)?.places.get(block) || [];
const freePlace = (order, block, place) =>
  freePlaces(order, block).find((each) => samePlace(each, place)) || null;
const isLouder = ({ louder }) => Math.abs(louder) > FREE_LU;

function showFree() {
  for (const says of all(".free-says")) says.remove();
  markWords();
  const line = chosen.order && lineNamed(chosen.order);
  if (!line) return;
  const found = freeNow(chosen.order);
  const says = make("p", "free-says note");
  if (found) says.append(...freeWords(found));
  else if (free.failed !== wishOf(chosen.order)) says.append("Looking for places where blocks may stand unheard …");
  line.querySelector(".remarks").append(says);
  if (carrying()) {
    tellPlaces();
    showTarget();
  } else pointAt(wordFocused());
}

function freeWords({ sentences, bound }) {
  const told = sentences.map((sentence) => make("span", "free-sentence", ring(), `${spoken(sentence)}. `));
  if (bound.length) told.push(`${bound.map(spoken).join(", ")}: nowhere else unheard. `);
  return [...told, make("span", "free-means", FREE_MEANS)];
}

// An open ring; a square stood on its corner where the level changes by what is heard as level.
function ring(place = null) {
  const mark = make("span", `ring${place && isLouder(place) ? " louder" : ""}`);
  mark.setAttribute("aria-hidden", "true");
  return mark;
}

// "may stand in 6 other places unheard"; nothing while it is not known.
function freeCount(order, block) {
  const found = freeNow(order);
  if (!found) return "";
  const places = freePlaces(order, block);
  if (!places.length) return found.boxed.has(block) ? "" : "may stand nowhere else unheard";
  const words = `may stand in ${places.length} other place${places.length === 1 ? "" : "s"} unheard`;
  const louder = places.filter(isLouder);
  if (!louder.length) return words;
  const most = Math.max(...louder.map((each) => Math.abs(each.louder)));
  const some = louder.length === places.length ? " " : `, ${louder.length} of them (◇) `;
  return `${words}${some}but for the level, by up to ${signed(most)} LU`;
}

// What is said of a place of the word that is carried.
function freeRemark(order, block, place) {
  const found = freePlace(order.name, block, place);
  if (found) return `, no difference expected${isLouder(found) ? ` but for the level, by ${signed(found.louder)} LU` : ""}`;
  const silent = !freeCount(order.name, block) || samePlace(place, standsAt(order, block));
  return silent ? "" : ", may be heard there";
}

// Under the line: what holds of the word that is pointed at or carried.
function sayFree(words, block = "") {
  for (const means of all(".free-means")) means.replaceChildren(make("b", "", spoken(block)), words);
}

// In the gaps of a line: rings where a block may stand unheard, while it is pointed at or focused.
function pointAt(word) {
  for (const mark of all(".free-here")) mark.remove();
  if (carrying()) return;
  sayFree(FREE_MEANS);
  const line = word?.closest(".line");
  if (line?.dataset.order !== chosen.order) return;
  const order = orderNamed(chosen.order);
  const { block } = word.dataset;
  const count = freeCount(order.name, block);
  if (count) sayFree(` ${count}.`, block);
  const box = line.querySelector(".words");
  const frame = box.getBoundingClientRect();
  for (const place of freePlaces(order.name, block)) {
    const { x, top, height } = gapAt(line, order, place, block);
    const mark = ring(place);
    mark.classList.add("free-here");
    mark.style.left = `${x - frame.left}px`;
    mark.style.top = `${top - frame.top + height / 2}px`;
    box.append(mark);
  }
}

const wordFocused = () => document.activeElement?.closest("#lines .word") || null;

function listenToFree() {
  const lines = byId("lines");
  const wordAt = (element) => element?.closest?.(".word");
  lines.addEventListener("pointerover", ({ target }) => wordAt(target) && pointAt(wordAt(target)));
  lines.addEventListener("pointerout", ({ target, relatedTarget }) => wordAt(target) && pointAt(wordAt(relatedTarget) || wordFocused()));
  lines.addEventListener("focusin", ({ target }) => pointAt(wordAt(target)));
  lines.addEventListener("focusout", () => pointAt(null));
}
