// Orders as lines of words, several under one another; their words are drawn anew with each board.

const renaming = { order: null, doing: null };
const nameNothing = () => Object.assign(renaming, { order: null, doing: null });

function drawLines() {
  const focus = focusOf(document.activeElement);
  byId("lines").replaceChildren(...desk.board.orders.map(lineOf));
  byId("letters").replaceChildren(...desk.board.orders.map(shortOf));
  markLines();
  showFree();
  if (focus) elementOf(focus)?.focus({ preventScroll: true });
}

// What has the focus, told so that its successor can be found.
function focusOf(element) {
  const line = element?.closest?.("#lines .line");
  if (!line) return null;
  return { order: line.dataset.order, block: element.dataset.block, act: element.dataset.act };
}

function elementOf({ order, block, act }) {
  const line = lineNamed(order);
  const word = block && line?.querySelector(`.word[data-block="${CSS.escape(block)}"]`);
  if (word) makeReachable(word);
  return word || (act && line?.querySelector(`[data-act="${act}"]`)) || line?.querySelector(".letter");
}

const lineNamed = (name) => byId("lines").querySelector(`.line[data-order="${CSS.escape(name)}"]`);
const wordsOf = (line) => [...line.querySelectorAll(".word")];

function lineOf(order, place) {
  const line = make("li", `line ${accent(place)}`);
  line.dataset.order = order.name;
  const told = make("p", "told");
  told.id = `told-order-${order.name}`;
  told.setAttribute("role", "status");
  const head = renaming.order === order.name ? nameForm(order) : letterButton(order, place);
  const body = make("div", "body", wordsLine(order, place), remarksOf(order), told);
  line.append(head, body, deedsOf(order));
  return line;
}

function letterButton(order, place) {
  const [mark, name] = [make("span", "mark", letterOf(place)), make("span", "name", spoken(order.name))];
  const letter = button("letter", () => chooseOrder(order.name), mark, " ", name);
  letter.dataset.act = "hear";
  return letter;
}

function shortOf(order, place) {
  const short = button(`short ${accent(place)}`, () => chooseOrder(order.name), letterOf(place));
  short.dataset.order = order.name;
  short.setAttribute("aria-label", `${letterOf(place)}, ${spoken(order.name)}`);
  return short;
}

function deedsOf(order) {
  const deeds = make("div", "line-deeds");
  const add = (act, label, deed) => {
    const made = button("plain", deed, act);
    made.dataset.act = act;
    made.setAttribute("aria-label", `${label} ${spoken(order.name)}`);
    deeds.append(made);
  };
  add("copy", "Copy", () => startNaming(order.name, "copy"));
  add("rename", "Rename", () => startNaming(order.name, "rename"));
  if (desk.board.orders.length > 1) add("remove", "Remove", () => removeOrder(order.name));
  return deeds;
}

function wordsLine(order, place) {
  const words = make("div", "words");
  words.setAttribute("role", "group");
  words.setAttribute("aria-label", `${letterOf(place)} ${spoken(order.name)}: blocks from the guitar on`);
  words.setAttribute("aria-describedby", "word-help");
  const front = make("span", "stretch-front", ...order.front.map((block) => wordOf(order, block, "front")));
  front.dataset.to = "front";
  if (!order.front.length) front.append(make("span", "where empty", "straight in"));
  words.append(front);
  if (hasLoop()) words.append(loopStretch(order));
  const first = words.querySelector(".word");
  if (first) first.tabIndex = 0;
  return words;
}

function loopStretch(order) {
  const stretch = make("span", `stretch${order.loop.length ? "" : " bare"}`, make("span", "where", "in the loop:"));
  stretch.dataset.to = "loop";
  stretch.append(...order.loop.map((block) => wordOf(order, block, "loop")));
  if (!order.loop.length) stretch.append(make("span", "where empty", "nothing"));
  return stretch;
}

function wordOf(order, block, to) {
  const word = make("button", "block word", spoken(block));
  word.type = "button";
  word.tabIndex = -1;
  Object.assign(word.dataset, { block, to });
  word.addEventListener("focus", () => makeReachable(word));
  return word;
}

// One word of a line is in the tab sequence: the last that had the focus.
function makeReachable(word) {
  for (const other of wordsOf(word.closest(".line"))) other.tabIndex = other === word ? 0 : -1;
}

function remarksOf(order) {
  const remarks = make("div", "remarks");
  if (order.left_out.length) {
    remarks.append(make("p", "where", `left out: ${order.left_out.map(spoken).join(", ")}`));
  }
  for (const sentence of order.broken) remarks.append(make("p", "broken", sentence));
  return remarks;
}

function markLines() {
  for (const line of all("#lines .line")) {
    const heard = line.dataset.order === chosen.order;
    line.classList.toggle("heard", heard);
    line.querySelector(".letter")?.setAttribute("aria-pressed", String(heard));
  }
  for (const short of all("#letters .short")) {
    short.setAttribute("aria-pressed", String(short.dataset.order === chosen.order));
  }
}

// Words of blocks are bold while they are on.
function markWords() {
  const { blocks } = desk.board;
  for (const word of all("#lines .word")) {
    const { block, to } = word.dataset;
    const state = blocks[block]?.on[chosen.passage] || "off";
    word.classList.toggle("off", state === "off");
    const told = { on: "on", off: "off", switched: "switched on and off" }[state];
    const order = word.closest(".line").dataset.order;
    word.classList.toggle("movable", state !== "off" && freePlaces(order, block).length > 0);
    const label = [spoken(block), told, to === "loop" && "in the loop", freeCount(order, block)];
    word.setAttribute("aria-label", label.filter(Boolean).join(", "));
    word.title = `${blocks[block]?.kind || ""}, ${told}`;
  }
}

function startNaming(name, doing) {
  Object.assign(renaming, { order: name, doing });
  drawLines();
  const field = lineNamed(name).querySelector(".naming input");
  field.focus();
  field.select();
}

function freeName(name) {
  const stem = name.replace(/_\d+$/, "");
  for (let number = 2; ; number += 1) if (!orderNamed(`${stem}_${number}`)) return `${stem}_${number}`;
}

function nameForm(order) {
  const { doing } = renaming;
  const field = make("input", "");
  field.value = doing === "copy" ? freeName(order.name) : order.name;
  Object.assign(field, { autocomplete: "off", spellcheck: false, maxLength: 40 });
  const accept = make("button", "plain", doing === "copy" ? "copy" : "rename");
  const close = () => stopNaming(order.name);
  const label = make("label", "", doing === "copy" ? "name of the copy " : "new name ", field);
  const form = make("form", "naming", label, accept, " ", button("plain", close, "leave it"));
  form.addEventListener("keydown", (event) => event.key === "Escape" && close());
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    giveName(order.name, field.value.trim());
  });
  return form;
}

function stopNaming(name) {
  nameNothing();
  drawLines();
  lineNamed(name)?.querySelector(".letter")?.focus();
}

async function giveName(order, name) {
  const { doing } = renaming;
  const field = document.activeElement;
  if (doing === "rename" && name === order) {
    stopNaming(order);
    return;
  }
  renaming.next = { from: order, name, doing };
  const did = await ask("/orders", { do: doing, order, name }, `order-${order}`);
  renaming.next = null;
  if (!did) {
    field?.focus?.();
    return;
  }
  sayAloud(doing === "copy" ? `${spoken(order)} copied to ${spoken(name)}` : `${spoken(order)} is now ${spoken(name)}`);
  lineNamed(name)?.querySelector(".letter")?.focus();
}

async function removeOrder(order) {
  const did = await ask("/orders", { do: "remove", order }, `order-${order}`);
  if (!did) return;
  sayAloud(`${spoken(order)} removed. Undo brings it back.`);
  lineNamed(chosen.order)?.querySelector(".letter")?.focus();
}
