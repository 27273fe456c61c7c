// Where a block of the heard order may stand without a difference being expected: asked once its
// sound has settled, told in words under the line, and marked in the gaps of the line itself.

const free = { known: new Map(), stop: null, shown: null };
const FREE_LU = 0.5;

async function askFree(wish) {
  showFree();
  if (free.known.has(wish)) return;
  free.stop?.abort();
  free.stop = new AbortController();
  const { signal } = free.stop;
  await desk.busy;
  if (signal.aborted || wish !== wishOf(chosen.order)) return;
  try {
    const found = await getFacts("/free", askedNow(), signal);
    free.known.set(wish, { ...found, places: placesByBlock(found.moves) });
  } catch (error) {
    if (isAborted(error) || error.status === 409) return;
    tell(`order-${chosen.order}`, error.message);
  }
  showFree();
}

function placesByBlock(moves) {
  const places = new Map();
  for (const { block, louder_lu: louder, proved, ...order } of moves) {
    if (!places.has(block)) places.set(block, []);
    places.get(block).push({ ...standsAt(order, block), louder, proved });
  }
  return places;
}

// What is known of the heard order as it stands; null for other orders, and while it is not known.
function freeNow(order) {
  return order === chosen.order ? free.known.get(wishOf(order)) || null : null;
}

const freePlaces = (order, block) => freeNow(order)?.places.get(block) || [];
const freePlace = (order, block, place) =>
  freePlaces(order, block).find((each) => samePlace(each, place)) || null;

function showFree() {
  for (const says of all(".free-says")) says.remove();
  for (const word of all("#lines .word.movable")) word.classList.remove("movable");
  const found = freeNow(chosen.order);
  const line = chosen.order && lineNamed(chosen.order);
  if (!line) return;
  const says = make("p", "free-says note");
  if (!found) says.append("Looking for places where blocks may stand unheard …");
  else says.append(...freeWords(found));
  line.querySelector(".remarks").append(says);
  if (!found) return;
  for (const word of wordsOf(line)) {
    const isOn = !word.classList.contains("off");
    word.classList.toggle("movable", isOn && freePlaces(chosen.order, word.dataset.block).length > 0);
  }
}

function freeWords({ sentences, bound }) {
  const told = sentences.map((sentence) => make("span", "free-sentence", ring(), `${spoken(sentence)}. `));
  const told_of_bound = bound.length
    ? [`${bound.map(spoken).join(", ")}: moved anywhere else, a difference is expected. `]
    : [];
  const means = sentences.length ? [make("span", "free-means", "No difference expected but in level, in this passage.")] : [];
  return [...told, ...told_of_bound, ...means];
}

function ring() {
  const mark = make("span", "ring");
  mark.setAttribute("aria-hidden", "true");
  return mark;
}

// In the gaps of a line: rings where a block may stand unheard, while it is pointed at or focused.
function markFree(word) {
  unmarkFree();
  if (carrying()) return;
  const line = word.closest(".line");
  const order = orderNamed(line.dataset.order);
  const places = freePlaces(order.name, word.dataset.block);
  if (!places.length) return;
  const box = line.querySelector(".words");
  const frame = box.getBoundingClientRect();
  for (const place of places) {
    const { x, top, height } = gapAt(line, order, place, word.dataset.block);
    const mark = make("span", "free-here");
    mark.setAttribute("aria-hidden", "true");
    mark.style.left = `${x - frame.left}px`;
    mark.style.top = `${top - frame.top + height / 2}px`;
    box.append(mark);
  }
}

function unmarkFree() {
  for (const mark of all(".free-here")) mark.remove();
}

// What is said of a place of the word that is carried.
function freeRemark(order, block, place) {
  const found = freePlace(order.name, block, place);
  if (!found) return "";
  const but = Math.abs(found.louder) > FREE_LU ? ` but for the level, by ${signed(found.louder)} LU` : "";
  return `, no difference expected${but}`;
}

function listenToFree() {
  const lines = byId("lines");
  const onWord = (deed) => (event) => {
    const word = event.target.closest?.(".word");
    if (word) deed(word);
  };
  lines.addEventListener("pointerover", onWord(markFree));
  lines.addEventListener("focusin", onWord(markFree));
  lines.addEventListener("pointerout", onWord(unmarkFree));
  lines.addEventListener("focusout", unmarkFree);
}
