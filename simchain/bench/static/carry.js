// Moving a word: by pointer, by keys, or by pressing it and then a place. All three carry it with
// the same mark in the line, and lay it down with the same request.

const DRAG_PX = 6;
const HOLD_MS = 260;
const REACH_PX = 90;
const LIFT_PX = 30;
const NOTHING = { order: null, block: null, from: null, target: null, word: null };
const carry = { ...NOTHING };
let drag = null;

const carrying = () => carry.block !== null;

function pickUp(word) {
  if (carrying()) putBack();
  pointAt(null);
  const line = word.closest(".line");
  const order = orderNamed(line.dataset.order);
  const from = standsAt(order, word.dataset.block);
  Object.assign(carry, { order: order.name, block: word.dataset.block, from, target: from, word });
  word.classList.add("carried");
  line.classList.add("carrying");
  drawPlaces(line, order);
  showTarget();
}

function letGo() {
  carry.word?.classList.remove("carried");
  for (const line of all(".line.carrying")) line.classList.remove("carrying");
  for (const mark of all(".place")) mark.remove();
  Object.assign(carry, NOTHING);
  pointAt(wordFocused());
}

function putBack() {
  const { block } = carry;
  letGo();
  sayAloud(`${spoken(block)} stays where it was`);
}

function layDown() {
  const { order, block, from, target } = carry;
  if (!target || samePlace(from, target)) putBack();
  else {
    letGo();
    moveBlock(order, block, target);
  }
}

// `target`: a place, or a function that finds it in the order as it stands when its turn comes.
async function moveBlock(name, block, target) {
  const find = typeof target === "function" ? target : () => target;
  const hears = chosen.order !== name;
  const did = await ask("/move", () => moveAsked(name, block, find, hears), `order-${name}`);
  const order = orderNamed(name);
  if (!did && hears) goOnAsking();
  if (did === null || !order?.front.concat(order.loop).includes(block)) return;
  const where = placeWords(order, block, standsAt(order, block));
  sayAloud(did ? `${spoken(block)} is now ${where}` : `${spoken(block)} was not moved; it is ${where}`);
}

function moveAsked(name, block, find, hears) {
  const order = orderNamed(name);
  const place = order && find(order);
  if (!place) return null;
  if (hears) chosen.order = name;
  return { order: name, block, ...place };
}

const toldPlace = (order, block, place) => placeWords(order, block, place) + freeRemark(order, block, place);

// A mark in every gap, wide enough to press; the one where the word would go stands out.
function drawPlaces(line, order) {
  const box = line.querySelector(".words");
  const frame = box.getBoundingClientRect();
  for (const place of allPlaces(order, carry.block)) {
    const { x, top, height } = gapAt(line, order, place);
    const mark = make("button", "place");
    mark.type = "button";
    mark.tabIndex = -1;
    Object.assign(mark.dataset, place);
    mark.style.left = `${x - frame.left}px`;
    mark.style.top = `${top - frame.top}px`;
    mark.style.height = `${height}px`;
    box.append(mark);
  }
  tellPlaces();
}

// What is said at each place, which may be known only after the word was picked up.
function tellPlaces() {
  const order = orderNamed(carry.order);
  for (const mark of all(".place")) {
    const place = placeOfMark(mark);
    const found = freePlace(order.name, carry.block, place);
    mark.classList.toggle("free", Boolean(found));
    mark.replaceChildren(...(found ? [ring(found)] : []));
    mark.setAttribute("aria-label", toldPlace(order, carry.block, place));
  }
}

const placeOfMark = ({ dataset: { to, at } }) => ({ to, at: Number(at) });

// The middle of a gap: behind the word before it, on that word's row.
function gapAt(line, order, { to, at }, block = carry.block) {
  const stretch = line.querySelector(`[data-to="${to}"]:not(.word)`);
  const words = wordsOf(stretch).filter((word) => word.dataset.block !== block);
  const half = parseFloat(getComputedStyle(stretch).columnGap) / 2;
  const before = words[at - 1]?.getBoundingClientRect();
  const after = words[at]?.getBoundingClientRect();
  if (before && after && before.top === after.top && after.left - before.right > 4 * half) {
    return { x: after.left - half, top: after.top, height: after.height };
  }
  if (before) return { x: before.right + half, top: before.top, height: before.height };
  if (after) return { x: after.left - half, top: after.top, height: after.height };
  const bare = (stretch.querySelector(".empty") || stretch.querySelector(".word") || stretch).getBoundingClientRect();
  return { x: bare.left - half, top: bare.top, height: bare.height };
}

function showTarget() {
  for (const mark of all(".place")) {
    mark.classList.toggle("here", Boolean(carry.target) && samePlace(carry.target, placeOfMark(mark)));
  }
  if (carry.target) sayFree(`: ${toldPlace(orderNamed(carry.order), carry.block, carry.target)}.`, carry.block);
}

function carryTo(target, aloud = true) {
  if (carry.target && target && samePlace(carry.target, target)) return;
  carry.target = target;
  showTarget();
  if (aloud && target) sayAloud(toldPlace(orderNamed(carry.order), carry.block, target));
}

const STEPS = { ArrowLeft: -1, ArrowUp: -1, ArrowRight: 1, ArrowDown: 1 };

// Returns whether the key was one for words.
function wordKey(event) {
  const word = event.target.closest(".word");
  const step = STEPS[event.key];
  const line = word.closest(".line");
  const order = orderNamed(line.dataset.order);
  const { block } = word.dataset;
  if (event.ctrlKey || event.metaKey) return false;
  if (carrying() && event.key === "Escape") putBack();
  else if (carrying() && step) carryTo(placeBeside(order, block, carry.target, step));
  else if (carrying() && (event.key === "Home" || event.key === "End")) {
    carryTo(allPlaces(order, block).at(event.key === "Home" ? 0 : -1));
  } else if (event.altKey && step) stepBlock(order, block, step);
  else if (step) wordBeside(line, word, step).focus();
  else if (event.key === "Home") wordsOf(line)[0].focus();
  else if (event.key === "End") wordsOf(line).at(-1).focus();
  else if (event.key === "Enter" || event.key === " ") pickUpOrLayDown(word);
  else return false;
  return true;
}

function pickUpOrLayDown(word) {
  if (carrying() && carry.word === word) layDown();
  else {
    pickUp(word);
    const order = orderNamed(carry.order);
    sayAloud(`${spoken(carry.block)} picked up, ${placeWords(order, carry.block, carry.from)}`);
  }
}

function stepBlock(order, block, step) {
  if (carrying()) putBack();
  moveBlock(order.name, block, (now) => {
    const from = standsAt(now, block);
    const target = placeBeside(now, block, from, step);
    if (!samePlace(from, target)) return target;
    sayAloud(`${spoken(block)} is ${placeWords(now, block, from)}; it goes no further`);
    return null;
  });
}

function wordBeside(line, word, step) {
  const words = wordsOf(line);
  return words[Math.max(0, Math.min(words.length - 1, words.indexOf(word) + step))];
}

// The place nearest to the pointer: rows count before columns, so that a wrapped line works too.
function placeUnder(event) {
  let best = null;
  for (const mark of all(".place")) {
    const { left, width, top, bottom } = mark.getBoundingClientRect();
    const beside = Math.max(0, top - event.clientY, event.clientY - bottom);
    const away = Math.abs(event.clientX - left - width / 2) + 4 * beside;
    if (beside < REACH_PX && (!best || away < best.away)) best = { away, place: placeOfMark(mark) };
  }
  return best && best.place;
}

function pointerDown(event) {
  const word = event.target.closest?.(".word");
  if (!word || event.button !== 0 || drag) return;
  drag = { word, id: event.pointerId, x: event.clientX, y: event.clientY, on: false, hold: 0 };
  if (event.pointerType !== "mouse") drag.hold = setTimeout(() => drag && !drag.on && startDrag(), HOLD_MS);
}

function startDrag() {
  drag.on = true;
  if (carry.word !== drag.word) pickUp(drag.word);
  drag.word.setPointerCapture(drag.id);
  const { left, top, width } = drag.word.getBoundingClientRect();
  drag.ghost = make("span", "block ghost", drag.word.textContent);
  drag.ghost.style.minWidth = `${width}px`;
  drag.grip = { x: drag.x - left, y: drag.y - top };
  drag.word.closest(".line").append(drag.ghost);
  placeGhost(drag.x, drag.y);
}

function placeGhost(x, y) {
  drag.ghost.style.left = `${x - drag.grip.x}px`;
  drag.ghost.style.top = `${y - drag.grip.y - LIFT_PX}px`;
}

function pointerMove(event) {
  if (!drag || event.pointerId !== drag.id) return;
  if (!drag.on) {
    if (Math.hypot(event.clientX - drag.x, event.clientY - drag.y) < DRAG_PX) return;
    clearTimeout(drag.hold);
    startDrag();
  }
  if (!carrying()) {
    drag.ghost.remove();
    return;
  }
  placeGhost(event.clientX, event.clientY);
  carryTo(placeUnder(event), false);
}

function pointerUp(event) {
  if (!drag || event.pointerId !== drag.id) return;
  const { on } = drag;
  endDrag();
  if (!on) return;
  window.addEventListener("click", swallow, { capture: true, once: true });
  setTimeout(() => window.removeEventListener("click", swallow, { capture: true }), 0);
  if (carrying()) layDown();
}

const swallow = (event) => {
  event.stopPropagation();
  event.preventDefault();
};

function endDrag() {
  clearTimeout(drag.hold);
  drag.ghost?.remove();
  drag = null;
}

function listenToWords() {
  const lines = byId("lines");
  lines.addEventListener("pointerdown", pointerDown);
  document.addEventListener("pointermove", pointerMove);
  document.addEventListener("pointerup", pointerUp);
  document.addEventListener("pointercancel", () => {
    if (!drag) return;
    if (carrying()) putBack();
    endDrag();
  });
  lines.addEventListener("touchmove", (event) => drag?.on && event.preventDefault(), { passive: false });
  lines.addEventListener("contextmenu", (event) => drag && event.preventDefault());
  lines.addEventListener("keydown", (event) => {
    if (event.target.closest(".word") && wordKey(event)) event.preventDefault();
  });
  lines.addEventListener("keyup", (event) => {
    if (event.key === " " && event.target.closest(".word")) event.preventDefault();
  });
  lines.addEventListener("click", wordsClicked);
  document.addEventListener("pointerdown", (event) => {
    if (carrying() && !drag && !event.target.closest(".carrying")) putBack();
  });
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && carrying()) putBack();
  });
  lines.addEventListener("focusout", (event) => {
    const gone = carrying() && !drag && event.target === carry.word && event.relatedTarget;
    if (gone && !event.relatedTarget.closest(".place")) putBack();
  });
}

// A press without a drag: a word is picked up, a place takes it, a line is heard.
function wordsClicked(event) {
  const [word, place] = [event.target.closest(".word"), event.target.closest(".place")];
  if (place) {
    const word = carry.word;
    carryTo(placeOfMark(place), false);
    word.focus({ preventScroll: true });
    layDown();
  } else if (word) pickUpOrLayDown(word);
  else if (!event.target.closest("button, input, label, form")) {
    const line = event.target.closest(".line");
    if (line) chooseOrder(line.dataset.order);
  }
}
