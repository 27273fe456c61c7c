// On the waveform's axis: a song's passages, and lines of what is on.

// The names of a song's passages, each as wide as it lasts, and the step that is wanted there.
function partNames({ parts }, steps) {
  return parts.map(({ label }, number) => {
    const wanted = steps[number] ? steps[number].wanted_lu : null;
    const name = make("span", "part-name", make("b", "", label));
    if (wanted !== null) name.append(" ", make("span", "wanted", `${lift(wanted)} LU is wanted`));
    return name;
  });
}

function partRules({ parts }, seconds) {
  return parts.slice(1).map(({ at }) => {
    const rule = make("div", "part-rule");
    rule.style.left = share(at, seconds);
    return rule;
  });
}

const lift = (lu) => (lu >= 0 ? "+" : "") + signed(lu);

// How much louder each of a song's passages is than the one before, in the lane of its order.
function laneSteps({ parts }, steps, seconds) {
  return steps.flatMap(({ change_lu: change }, number) => {
    if (change === null) return [];
    const { at, to } = parts[number];
    const words = make("span", "step", `${lift(change)} LU`);
    words.style.left = share(at, seconds);
    words.style.maxWidth = share(to - at, seconds);
    return [words];
  });
}

// One row for each thing that is on, goes round or moves; `blocks` are those of the order heard.
function duringRow(row, seconds, blocks) {
  const line = make("div", "during-line");
  for (const { from, to, text } of row.stretches) {
    const bar = make("span", `lasting ${text}`, make("span", "during-text", text));
    bar.style.left = share(from, seconds);
    bar.style.width = share(to - from, seconds);
    line.append(bar);
  }
  if (row.line.length) line.append(controlLine(row.line, seconds));
  for (const { at, text } of row.values) {
    const words = make("span", "during-text value", text);
    words.style.left = share(at, seconds);
    line.append(words);
  }
  const absent = row.block !== "source" && !blocks.includes(row.block);
  const name = make("span", "during-name", row.label, absent ? " (not in this order)" : "");
  return make("div", `during ${row.kind}${absent ? " absent" : ""}`, name, line);
}

function controlLine(points, seconds) {
  const path = points.map(([at, height]) => `${((1000 * at) / seconds).toFixed(2)} ${(22 - 20 * height).toFixed(1)}`);
  return draw(
    "svg",
    { viewBox: "0 0 1000 24", preserveAspectRatio: "none" },
    draw("path", { d: `M${path.join("L")}`, class: "way" }),
  );
}

function placeValues(line) {
  const values = [...line.querySelectorAll(".value")];
  const width = line.clientWidth;
  const labels = values.map((value) => {
    value.hidden = false;
    const size = value.offsetWidth;
    const left = Math.max(0, Math.min(value.offsetLeft, width - size));
    value.style.left = share(left, width);
    return { left, width: size };
  });
  rowsFor(labels, 1).forEach((row, place) => {
    values[place].hidden = row < 0;
  });
}

const isOnAt = ({ rows }, block, at) =>
  rows.some(
    (row) =>
      row.block === block && row.stretches.some(({ from, to }) => from <= at && at < to),
  );
