// What the blind test shows: during the trials nothing but what was pressed, in the end all.

const pairOf = (a, b) =>
  facts.pairs.find(
    (pair) =>
      pair.passage === passage().name &&
      pair.amp === amps[state.amp] &&
      ((pair.a === a.name && pair.b === b.name) || (pair.a === b.name && pair.b === a.name)),
  );

const trimWords = (db) => `${db > 0 ? "+" : ""}${signed(db)} dB`;

function sayOfTest(words) {
  byId("blind-says").textContent = words;
}

function playingWords() {
  if (!player.playing || !test.heard) return "Paused";
  if (test.heard === "x") return "Playing X";
  const { letter, label } = test.plan[test.heard];
  return `Playing ${letter} ${label}`;
}

function showTrim() {
  const { a, b } = chosenPair();
  byId("blind-try-a").textContent = `Hear ${a.letter}`;
  byId("blind-try-b").textContent = `Hear ${b.letter}`;
  byId("blind-trim-name").textContent = `${b.letter} against ${a.letter}`;
  byId("blind-trim-says").textContent = trimWords(trimDb());
}

// One outline for both orders, so that there is something to find the way by, and nothing to tell.
function bothWaves(scale) {
  const { a, b } = test.plan;
  const columns = soundOf(a).waveform.map(([low, high], at) => {
    const [otherLow, otherHigh] = soundOf(b).waveform[at] || [0, 0];
    return [Math.min(low, otherLow), Math.max(high, otherHigh)];
  });
  return waveLane({ waveform: columns }, { place: 0, letter: "" }, scale * gainOf(a), false);
}

function showTest() {
  byId("blind-setup").hidden = test.on || test.result !== null;
  byId("blind-trial").hidden = !test.on;
  byId("blind-result").hidden = test.result === null;
  if (test.on) showTrial();
}

function showTrial() {
  const { plan, heard, trials } = test;
  const count = `Trial ${trials.length} of ${plan.planned}`;
  if (byId("blind-count").textContent !== count) byId("blind-count").textContent = count;
  for (const button of all("[data-hear]")) {
    button.setAttribute("aria-pressed", String(button.dataset.hear === heard));
  }
  const ready = currentTrial().plays.x > 0;
  for (const button of all("[data-answer]")) button.setAttribute("aria-disabled", String(!ready));
  [...byId("blind-tally").children].forEach((cell, place) => {
    cell.className = place < trials.length - 1 ? "done" : place < trials.length ? "now" : "";
  });
}

function showPlan() {
  const { a, b, planned, label, amp, trim } = test.plan;
  for (const button of all("[data-hear]")) {
    const order = { a, b }[button.dataset.hear];
    const key = make("kbd", "", { a: "1", b: "2", x: "X" }[button.dataset.hear]);
    key.setAttribute("aria-hidden", "true");
    const name = order ? [make("span", "mark", order.letter), make("span", "name", order.label)] : [make("span", "mark", "X")];
    button.className = `tap ${order ? accent(order.place) : ""}`;
    button.replaceChildren(...name, key);
  }
  for (const button of all("[data-answer]")) {
    const first = button.dataset.answer === "a";
    const key = make("kbd", "", first ? "F" : "S");
    key.setAttribute("aria-hidden", "true");
    button.replaceChildren(`X is ${(first ? a : b).letter}`, key);
  }
  byId("blind-tally").replaceChildren(...Array.from({ length: planned }, () => make("li", "")));
  const trimmed = trim ? `, ${b.letter} trimmed by ${trimWords(trim)}` : "";
  byId("blind-locked").textContent = `${[label, ...(amp ? [amp] : [])].join(", ")}, equally loud${trimmed}. The loop and the volume are yours to change; a low volume is enough.`;
}

function showResult() {
  const { a, b, planned, trim } = test.plan;
  const { right, of, trials, probability } = test.result;
  byId("blind-right").textContent = `${right} of ${of} right`;
  const trimmed = trim ? ` ${b.letter} was trimmed by ${trimWords(trim)}.` : "";
  const words = [
    chanceWords(right, of),
    meaningWords(right, of, planned),
    of < planned ? stoppedWords(of, planned) : "",
    predictionWords(pairOf(a, b), probability <= RARE, of === planned) + trimmed,
  ];
  byId("blind-means").replaceChildren(...words.filter(Boolean).map((text) => make("p", "fact", text.trim())));
  byId("blind-record").replaceChildren(...trials.map((trial) => recordCell(trial, { a, b })));
}

function recordCell({ x, answer: said }, pair) {
  const right = x === said;
  const cell = make("li", right ? "right" : "wrong");
  const seen = make("span", "", pair[x].letter, make("b", "", right ? "✓" : "×"));
  seen.setAttribute("aria-hidden", "true");
  const spoken = `X was ${pair[x].letter}, you said ${pair[said].letter}: ${right ? "right" : "wrong"}`;
  cell.append(seen, make("span", "out-of-sight", spoken));
  return cell;
}
