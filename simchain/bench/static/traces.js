// What happens over time in the heard order, asked once its sound has settled.

const traces = { known: new Map(), stop: null };
const TRACES_AFTER_S = 0.3;

const tracesNow = () => traces.known.get(wishOf(chosen.order));

async function askTraces(wish) {
  traces.stop?.abort();
  showTraces();
  if (traces.known.has(wish)) return;
  traces.stop = new AbortController();
  const { signal } = traces.stop;
  await delay(TRACES_AFTER_S);
  await desk.busy;
  if (signal.aborted || wish !== wishOf(chosen.order)) return;
  try {
    traces.known.set(wish, await getFacts("/traces", askedNow(), signal));
  } catch (error) {
    if (!isAborted(error) && error.status !== 409) tell("seeing", error.message);
  }
  showTraces();
}

// While it is not known, what was of another order stays in its place, faint.
function showTraces() {
  const found = tracesNow();
  for (const id of ["turned", "marks", "moments", "repeats"]) byId(id).classList.toggle("waiting", !found);
  byId("turned-says").textContent = found?.says ?? "…";
  if (!found && traces.passage === chosen.passage) return;
  traces.passage = chosen.passage;
  const { seconds, moments, events, turned_down: turned, repeats } = found || { moments: [], events: [], turned_down: [] };
  byId("turned").replaceChildren(...turned.filter(({ depth_db: depth }) => depth).map(turnedLane));
  byId("marks").replaceChildren(...eventMarks({ events }, seconds));
  byId("moments").replaceChildren(...momentLines(moments));
  byId("repeats").hidden = !repeats;
  byId("repeats-says").textContent = repeats?.says;
  byId("repeat-list").replaceChildren(...(repeats?.repeats || []).map(({ text }) => make("li", "", text)));
  placeEvents();
  showFigures();
}

// From 0 dB at the top downwards, from the least to the most of each stretch.
function turnedLane({ block, depth_db: depth, columns }) {
  const strips = columns.map((column, x) => column && `M${x} ${column[0] - depth / 96}V${column[1] + depth / 96}`);
  const picture = draw(
    "svg",
    { viewBox: `0 0 ${columns.length} ${depth}`, preserveAspectRatio: "none", "aria-hidden": "true" },
    draw("path", { d: `M0 ${depth / 2}H${columns.length}`, class: "zero" }),
    draw("path", { d: strips.filter(Boolean).join(""), class: "taken" }),
  );
  const scale = [depth, depth / 2].map((db) => make("span", "taken-db", `−${db} dB`));
  const line = make("div", "during-line", picture, ...scale);
  return make("div", `during turned ${accent(placeOf(seen.facts))}`, make("span", "during-name", `${spoken(block)} takes`), line);
}

function placeEvents() {
  const marks = [...byId("marks").children];
  byId("happenings").style.setProperty("--rows", placeEventLabels(marks, byId("marks").clientWidth));
}

// A moment in the list goes there; its mark on the axis stands out while it is pointed at.
function listenToMoments() {
  const list = byId("moments");
  list.addEventListener("click", ({ target }) => target.dataset.at && goTo(Number(target.dataset.at)));
  const point = ({ type, target }) => {
    const at = /n$|r$/.test(type) && target.closest("li")?.querySelector("button").dataset.at;
    for (const mark of byId("marks").children) mark.classList.toggle("pointed", mark.dataset.at === at);
  };
  for (const type of ["focusin", "focusout", "pointerover", "pointerout"]) list.addEventListener(type, point);
}
