// The time axis: where it plays, what is looped, and the keys that act anywhere.

const calm = matchMedia("(prefers-reduced-motion: reduce)");
const SEEK_PX = 5;
let turns = 0;

function seek(seconds) {
  const { from, to } = chosen.loop || { from: 0, to: lengthNow() };
  chosen.place = Math.max(0, Math.min(lengthNow() - 0.01, seconds));
  if (player?.playing) startAgain(chosen.place < to ? chosen.place : from);
  showPlace();
}

// Loop a stretch in seconds; anything too short or back to front gives the whole passage.
function setLoop(from, to) {
  const end = lengthNow();
  const [low, high] = [Math.max(0, from), Math.min(end, to)];
  const whole = !(high - low >= SHORTEST_LOOP_S) || (low === 0 && high === end);
  chosen.loop = whole ? null : { from: low, to: high };
  const inside = whole || (here() >= low && here() < high);
  if (!inside) chosen.place = low;
  startAgain(inside ? null : low);
  showLoop();
  showPlace();
}

function showLoop() {
  const end = lengthNow();
  const { from, to } = chosen.loop || { from: 0, to: end };
  for (const [id, at] of [["loop-from", from], ["loop-to", to]]) {
    byId(id).max = end;
    byId(id).value = at.toFixed(2);
  }
  byId("loop-all").disabled = !chosen.loop;
  byId("loop-all").textContent = passageNow()?.is_song ? "whole song" : "whole passage";
  byId("shade-before").style.width = `${(100 * from) / end}%`;
  byId("shade-after").style.width = `${100 - (100 * to) / end}%`;
  byId("length").textContent = end.toFixed(1);
  byId("scale").replaceChildren(...timeTicks(end));
}

function showPlace() {
  const [place, end] = [here(), lengthNow()];
  byId("playhead").style.left = `${(100 * place) / Math.max(end, 0.001)}%`;
  byId("clock").textContent = place.toFixed(1);
  const lanes = byId("lanes");
  const words = `${place.toFixed(1)} of ${end.toFixed(1)} seconds`;
  if (lanes.getAttribute("aria-valuetext") === words) return;
  lanes.setAttribute("aria-valuemax", end);
  lanes.setAttribute("aria-valuenow", place.toFixed(1));
  lanes.setAttribute("aria-valuetext", words);
}

// The playhead moves while something plays; a new call takes over from the one before.
function tick(turn = (turns += 1)) {
  if (!player?.playing || turn !== turns) return;
  showPlace();
  if (calm.matches) setTimeout(tick, 250, turn);
  else requestAnimationFrame(() => tick(turn));
}

// A click goes there; a drag loops what it covers.
function listenToLanes() {
  const lanes = byId("lanes");
  let from = null;
  const part = (event) => {
    const { left, width } = lanes.getBoundingClientRect();
    return Math.max(0, Math.min(1, (event.clientX - left) / width));
  };
  const covered = (event) => [from.at, part(event)].sort((one, other) => one - other);
  lanes.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    from = { x: event.clientX, at: part(event) };
    lanes.setPointerCapture(event.pointerId);
  });
  lanes.addEventListener("pointermove", (event) => {
    if (!from || Math.abs(event.clientX - from.x) < SEEK_PX) return;
    const [low, high] = covered(event);
    byId("shade-before").style.width = `${100 * low}%`;
    byId("shade-after").style.width = `${100 - 100 * high}%`;
  });
  lanes.addEventListener("pointerup", (event) => {
    if (!from) return;
    const [low, high] = covered(event).map((at) => at * lengthNow());
    if (Math.abs(event.clientX - from.x) < SEEK_PX) seek(part(event) * lengthNow());
    else setLoop(low, high);
    from = null;
  });
  lanes.addEventListener("pointercancel", () => {
    from = null;
    showLoop();
  });
  lanes.addEventListener("keydown", laneKey);
}

function laneKey(event) {
  const step = event.shiftKey ? 0.1 : 1;
  const acts = {
    ArrowLeft: () => seek(here() - step),
    ArrowRight: () => seek(here() + step),
    Home: () => seek(0),
    End: () => seek(lengthNow() - 1),
    Escape: () => setLoop(0, lengthNow()),
  };
  if (event.altKey || event.ctrlKey || event.metaKey || !Object.hasOwn(acts, event.key)) return;
  event.preventDefault();
  acts[event.key]();
}

// Keys with Ctrl or Cmd always act; plain ones only where no control needs them, and only while
// the box is ticked or the time axis has the focus.
function listenToKeys() {
  document.addEventListener("keydown", (event) => {
    const act = boardKey(event) || plainKey(event);
    if (!act) return;
    event.preventDefault();
    act();
  });
}

const isText = (element) => element.matches?.("input:not([type=radio], [type=range], [type=checkbox]), select, textarea");

function boardKey({ key, ctrlKey, metaKey, altKey, shiftKey, target }) {
  if (!(ctrlKey || metaKey) || altKey) return null;
  const low = key.toLowerCase();
  if (low === "s") return () => doDeed("save");
  if (isText(target)) return null;
  if (low === "y" || (low === "z" && shiftKey)) return () => doDeed("redo");
  return low === "z" ? () => doDeed("undo") : null;
}

function plainKey(event) {
  const { key, target } = event;
  const graph = event.getModifierState("AltGraph");
  if (event.metaKey || (!graph && (event.ctrlKey || event.altKey))) return null;
  const onLanes = target.closest?.("#lanes");
  if ((!byId("keys").checked && !onLanes) || isText(target)) return null;
  const presses = target.closest?.("button, summary, a, input[type=checkbox], input[type=radio]");
  const { from, to } = chosen.loop || { from: 0, to: lengthNow() };
  if (key === " ") return presses ? null : playOrPause;
  if (key === "d") return seekDifference;
  if (key === "[") return () => setLoop(here(), here() < to ? to : lengthNow());
  if (key === "]") return () => setLoop(here() > from ? from : 0, here());
  const order = /^[1-9]$/.test(key) && desk.board.orders[Number(key) - 1];
  return order ? () => chooseOrder(order.name) : null;
}

function listenToTime() {
  const numberOf = (id) => (byId(id).value === "" ? NaN : Number(byId(id).value));
  for (const id of ["loop-from", "loop-to"]) {
    byId(id).addEventListener("change", () => setLoop(numberOf("loop-from"), numberOf("loop-to")));
  }
  byId("loop-all").addEventListener("click", () => setLoop(0, lengthNow()));
  listenToLanes();
  listenToKeys();
}
