// What happens when, on the waveform's axis: a song's passages, events, and lines of what is on.

const EVENT_ROWS = 4;
const LABEL_GAP_PX = 8;

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

function eventMarks({ events }, seconds) {
  return events.map(({ at, text }) => {
    const mark = make("div", "event", make("span", "event-text", text));
    mark.style.left = share(at, seconds);
    return mark;
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

// Give each label the first row in which it runs into no other; -1 where there is none.
function rowsFor(labels, rows) {
  const ends = new Array(rows).fill(-Infinity);
  return labels.map(({ left, width }) => {
    const row = ends.findIndex((end) => end <= left);
    if (row >= 0) ends[row] = left + width + LABEL_GAP_PX;
    return row;
  });
}

// Labels of events stand in rows, those towards the right end before their line; what finds no
// room keeps its line, and its words are in the list below.
function placeEventLabels(marks, width) {
  const labels = marks.map((mark) => {
    const label = mark.firstChild;
    label.hidden = false;
    label.style.maxWidth = "";
    const at = mark.offsetLeft;
    const needed = label.offsetWidth + LABEL_GAP_PX;
    const late = at + needed > width && at > width / 2;
    const size = Math.min(needed, late ? at : width - at);
    if (size < needed) label.style.maxWidth = `${size - LABEL_GAP_PX}px`;
    mark.classList.toggle("late", late);
    return { left: late ? at - size : at, width: size };
  });
  const rows = rowsFor(labels, EVENT_ROWS);
  const used = Math.max(-1, ...rows) + 1;
  marks.forEach((mark, place) => {
    mark.firstChild.hidden = rows[place] < 0;
    mark.style.setProperty("--row", rows[place] < 0 ? used : rows[place]);
  });
  return used;
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

// What happens, in words at their times; a time is a button that goes there.
function momentLines(moments) {
  return moments.map(({ at, text }) => {
    const time = make("button", "plain when", `${at.toFixed(1)} s`);
    time.type = "button";
    time.dataset.at = at;
    time.setAttribute("aria-label", `Go to ${at.toFixed(1)} seconds: ${text}`);
    return make("li", "", time, make("span", "", text));
  });
}

const isOnAt = ({ rows }, block, at) =>
  rows.some(
    (row) =>
      row.block === block && row.stretches.some(({ from, to }) => from <= at && at < to),
  );
