// The blind test: X is one of two orders, drawn anew in each trial.
//
// X is no sound of its own. All orders play in step from sounds decoded beforehand, and X is the
// gains of the order that was drawn. Two faders with the same goal would be silent where others
// cross-fade, so every switch in the test is the same dip to silence, whatever it leads to (see
// `ReportPlayer.dipTo`). Which order X is stands in `drawn` and nowhere else until the test is over.

const LEAST_TRIALS = 5;
const MOST_TRIALS = 100;

// `trying`: the two orders are switched openly, with the trim, before the test. `plan` is what was
// chosen at the start; `heard` is "a", "b", "x" or null.
const test = { on: false, trying: false, heard: null, plan: null, trials: [], result: null };
let drawn = null;

const draw1of2 = () => (crypto.getRandomValues(new Uint8Array(1))[0] & 1 ? "b" : "a");
const chosenPair = () => ({
  a: orders[Number(byId("blind-a").value)],
  b: orders[Number(byId("blind-b").value)],
});
const trimDb = () => Number(byId("blind-trim").value);

// A trim takes level from the louder one only, so nothing it does can pass full scale.
function trimOf(order) {
  const { a, b } = chosenPair();
  if (order === b) return ratio(Math.min(0, trimDb()));
  return order === a ? ratio(-Math.max(0, trimDb())) : 1;
}

// The one order that sounds: an X that is drawn, or what the page has chosen.
function soundingOrder() {
  if (!test.on) return orders[state.order];
  return test.plan[test.heard === "x" ? drawn : test.heard];
}

// Before the test: both orders openly, matched per passage, with the trim.
function tryOut(order) {
  if (!soundOf(order)) return;
  matchPerPassage();
  chooseOrder(order.place, true);
  if (!player.playing) play();
}

function matchPerPassage() {
  document.querySelector('input[name="mode"][value="passage"]').checked = true;
  if (state.mode !== "passage") chooseMode("passage");
}

function setTrim() {
  showTrim();
  const { a, b } = chosenPair();
  if (player.playing && [a.place, b.place].includes(state.order)) tryOut(orders[state.order]);
}

// A trim belongs to two sounds: with others it begins at nothing.
function dropTrim() {
  if (!byId("blind")) return;
  test.trying = false;
  byId("blind-trim").value = 0;
  player.fadeTo(playGains());
  showTrim();
}

function whyNot({ a, b }, planned) {
  if (a === b) return "Choose two different orders.";
  const missing = [a, b].find((order) => !soundOf(order));
  if (missing) return `${missing.letter} has no sound in this passage.`;
  const count = Number.isInteger(planned) && planned >= LEAST_TRIALS && planned <= MOST_TRIALS;
  return count ? "" : `Choose ${LEAST_TRIALS} to ${MOST_TRIALS} trials.`;
}

function startTest() {
  const pair = chosenPair();
  const planned = numberOf("blind-trials");
  const problem = whyNot(pair, planned);
  sayOfTest(problem);
  if (problem) return;
  pause();
  matchPerPassage();
  const { name, label } = passage();
  const plan = { ...pair, planned, passage: name, label, amp: amps[state.amp], trim: trimDb() };
  Object.assign(test, { on: true, trying: false, plan, trials: [], result: null });
  lockPage(true);
  showPlan();
  nextTrial();
  showTest();
  byId("blind").scrollIntoView({ block: "nearest" });
  document.querySelector('[data-hear="a"]').focus();
}

function nextTrial() {
  drawn = draw1of2();
  test.heard = null;
  test.trials.push({ since: performance.now(), plays: { a: 0, b: 0, x: 0 } });
  say();
}

const currentTrial = () => test.trials.at(-1);

// Everything that could change the sounds is locked while the test is on, and what tells of one
// order or another is out of sight.
function lockPage(on) {
  document.documentElement.classList.toggle("testing", on);
  const locked = 'input[name="passage"], input[name="amp"], input[name="mode"], #against';
  for (const control of all(locked)) control.disabled = on;
  showAll();
}

async function hear(which) {
  const trial = currentTrial();
  test.heard = which;
  let started = true;
  if (player.playing && !waiting) player.dipTo(playGains());
  else started = await play();
  if (!test.on || trial !== currentTrial()) return;
  if (started) {
    trial.plays[which] += 1;
    say();
  }
  showTest();
}

function answer(which) {
  const { since, plays } = currentTrial();
  if (!plays.x) {
    sayOfTest("Play X first, then answer.");
    return;
  }
  sayOfTest("");
  pause();
  const seconds = Math.round((performance.now() - since) / 100) / 10;
  test.trials.splice(-1, 1, { x: drawn, answer: which, seconds, plays });
  if (test.trials.length === test.plan.planned) {
    endTest();
    return;
  }
  nextTrial();
  showTest();
}

// Stop before the end: trials that were answered count.
function stopTest() {
  test.trials.pop();
  pause();
  sayOfTest("");
  endTest();
}

function endTest() {
  drawn = null;
  Object.assign(test, { on: false, heard: null });
  test.result = test.trials.length ? resultOf(test.plan, test.trials) : null;
  lockPage(false);
  say();
  if (test.result) showResult();
  showTest();
  byId("blind").scrollIntoView({ block: "nearest" });
  if (test.result) byId("blind-right").focus();
  else byId("blind-a").focus();
}

// What is saved: the format that simchain reads.
function resultOf({ a, b, planned, passage: name, amp, trim }, trials) {
  const right = trials.filter(({ x, answer: said }) => x === said).length;
  const pair = pairOf(a, b);
  return {
    simchain: facts.simchain,
    heard: 1,
    board: facts.title,
    a: a.name,
    b: b.name,
    passage: name,
    amp,
    date: new Date().toISOString(),
    trim_by_ear_db: trim,
    planned,
    trials,
    right,
    of: trials.length,
    probability: atLeast(right, trials.length),
    fingerprints: { a: soundOf(a).fingerprint, b: soundOf(b).fingerprint },
    predicted: pair?.verdict ? { verdict: pair.verdict, score: pair.score ?? null } : null,
  };
}

function saveResult() {
  const { a, b, passage: name, amp } = test.result;
  const parts = ["heard", a, b, name, ...(facts.amps.length > 1 ? [amp] : [])];
  const link = make("a", "");
  link.download = `${parts.map((part) => part.replace(/[^\w-]+/g, "_")).join(".")}.json`;
  const text = `${JSON.stringify(test.result, null, 1)}\n`;
  link.href = URL.createObjectURL(new Blob([text], { type: "application/json" }));
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60000);
}

// The keys of the test, while it is on; a key that is held down acts once.
function testAction({ key, repeat }) {
  if (!test.on) return null;
  const acts = {
    1: () => hear("a"),
    2: () => hear("b"),
    0: () => hear("x"),
    x: () => hear("x"),
    f: () => answer("a"),
    s: () => answer("b"),
  };
  const name = key.toLowerCase();
  if (!Object.hasOwn(acts, name)) return null;
  return repeat ? () => {} : acts[name];
}

function listenToTest() {
  if (!byId("blind")) return;
  byId("blind-setup").addEventListener("submit", (event) => {
    event.preventDefault();
    startTest();
  });
  byId("blind-setup").noValidate = true;
  byId("blind-try-a").addEventListener("click", () => tryOut(chosenPair().a));
  byId("blind-try-b").addEventListener("click", () => tryOut(chosenPair().b));
  byId("blind-trim").addEventListener("input", setTrim);
  byId("blind-a").addEventListener("change", dropTrim);
  byId("blind-b").addEventListener("change", dropTrim);
  for (const button of all("[data-hear]")) {
    button.addEventListener("click", () => hear(button.dataset.hear));
  }
  for (const button of all("[data-answer]")) {
    button.addEventListener("click", () => answer(button.dataset.answer));
  }
  byId("blind-stop").addEventListener("click", stopTest);
  byId("blind-save").addEventListener("click", saveResult);
  byId("blind-again").addEventListener("click", () => {
    test.result = null;
    showTest();
    byId("blind-a").focus();
  });
  showTrim();
}
