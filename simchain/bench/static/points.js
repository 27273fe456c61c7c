// Hearing the chain up to a test point: the stops of the level ribbon can be pressed.

const points = { known: new Map(), stops: [], reachable: null };
const isWhole = (stop) => stop === points.stops.at(-1)?.name;
const buttonOf = (stop) => byId("ribbon").querySelector(`.stop[data-stop="${CSS.escape(stop)}"]`);
const pointKey = (wish) => JSON.stringify([wish, chosen.point]);

// What is played of a wish: all of the order, or the chain up to the stop that is pressed.
const playedOf = (wish) => (chosen.point ? points.known.get(pointKey(wish)) : sound.known.get(wish));

async function askPlayed(turn, facts) {
  if (chosen.point && !facts.points.some(({ name }) => name === chosen.point)) {
    const gone = spoken(chosen.point);
    takePoint(null);
    tellPoint(`Not on this path: ${gone}. Hearing all of it.`);
  }
  if (!chosen.point) return facts;
  const known = playedOf(turn.wish);
  if (known && kept.get(known.key)) return known;
  const key = pointKey(turn.wish);
  const found = await getFacts("/point", { ...askedNow(), point: chosen.point }, turn.signal);
  points.known.set(key, found);
  return found;
}

function choosePoint(stop) {
  takePoint(isWhole(stop) || stop === chosen.point ? null : stop);
  follow();
}

function takePoint(stop) {
  chosen.point = stop;
  tellPoint(stop ? `Hearing the chain up to ${spoken(stop)}, evened out; press it again to hear all of it.` : "");
  showRibbon();
  sayNow();
}

function tellPoint(words) {
  byId("point-says").textContent = words;
}

// One button a stop, over its column, or its row on a narrow sheet.
function stopButtons(stops, paper, order) {
  points.stops = stops;
  const names = stops.map(({ name }) => name);
  const pressed = chosen.point ?? names.at(-1);
  if (!names.includes(points.reachable)) points.reachable = pressed;
  const group = make("div", `stops ${accent(order)}${paper.down ? " down" : ""}`);
  group.setAttribute("role", "group");
  group.setAttribute("aria-label", "Hear the chain up to");
  group.append(...stops.map((stop, place) => stopButton(stop, place, paper, pressed)));
  return group;
}

function stopButton({ name, label, off, peak, room }, place, paper, pressed) {
  const over = room !== null && room < 0;
  const button = make("button", `stop${off ? " off" : ""}`, make("span", `stop-name${over ? " over" : off ? " off" : ""}`, label));
  button.type = "button";
  button.dataset.stop = name;
  button.tabIndex = name === points.reachable ? 0 : -1;
  button.setAttribute("aria-pressed", String(name === pressed));
  const left = room === null ? "" : over ? `, ${signed(-room)} dB beyond the rail` : `, ${signed(room)} dB of room`;
  button.setAttribute("aria-label", `${label}${isWhole(name) ? ", all of it" : ""}, peaks at ${signed(peak)} dBu${left}`);
  const { top, deep, names, row } = RIBBON;
  const [x] = paper.at(0, place);
  const box = paper.down
    ? { left: 0, top: top + place * row, width: paper.width, height: row }
    : { left: x - paper.each / 2, top, width: paper.each, height: deep + names - 4 };
  for (const [side, px] of Object.entries(box)) button.style[side] = `${px}px`;
  if (!paper.down && !(paper.each < 66 && place % 2)) button.style.paddingBottom = "15px";
  return button;
}

// What comes after the stop that is heard lies under a veil, with a stroke where it begins.
function restUnheard(stops, paper, { low, high }, order) {
  const place = stops.findIndex(({ name }) => name === chosen.point);
  if (place < 0) return [];
  const [[x, y], [right, bottom]] = paper.down
    ? [paper.at(low, place + 0.5), paper.at(high, stops.length - 0.5)]
    : [paper.at(high, place + 0.5), paper.at(low, stops.length - 0.5)];
  const end = paper.down ? [right, y] : [x, bottom];
  return [
    draw("rect", { x, y, width: right - x, height: bottom - y, class: "unheard" }),
    draw("path", { d: `M${joined([[x, y], end])}`, class: `${accent(order)} up-to` }),
  ];
}

function stopKey(event) {
  const buttons = all("#ribbon .stop");
  const here = buttons.indexOf(event.target.closest(".stop"));
  const ends = { Home: 0, End: buttons.length - 1 };
  const next = STEPS[event.key] ? here + STEPS[event.key] : ends[event.key];
  if (here < 0 || next === undefined || event.altKey || event.ctrlKey || event.metaKey) return;
  event.preventDefault();
  buttons[Math.max(0, Math.min(buttons.length - 1, next))].focus();
}

function listenToStops() {
  const ribbon = byId("ribbon");
  ribbon.addEventListener("click", ({ target }) => {
    const button = target.closest(".stop");
    if (button) choosePoint(button.dataset.stop);
  });
  ribbon.addEventListener("keydown", stopKey);
  ribbon.addEventListener("focusin", ({ target }) => {
    points.reachable = target.dataset.stop;
    for (const button of all("#ribbon .stop")) button.tabIndex = button === target ? 0 : -1;
  });
}
