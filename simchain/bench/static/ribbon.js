// The level along the path as a ribbon from RMS to peak, against the rails that it meets; on a
// narrow sheet it runs downwards.

const NARROW_PX = 640;
const RIBBON = { left: 40, right: 14, top: 12, deep: 200, names: 40, row: 26, side: 92 };

// One stop a block: what leaves it, with the lesser headroom of its input and output.
function stopsOf(points) {
  const input = new Map(points.map((point) => [point.name, point]));
  return points
    .filter(({ name }) => !name.endsWith(".in") || name === "amp.in")
    .map((point) => {
      const before = input.get(point.name.replace(/\.out$/, ".in"));
      const rooms = [point.headroom_db, before?.headroom_db].filter((room) => room !== null && room !== undefined);
      return {
        name: point.name,
        label: spoken(point.name.replace(/\.out$/, "")),
        off: isOff(point.name.replace(/\.out$/, "")),
        rms: point.rms_dbu,
        peak: point.peak_dbu,
        rail: point.headroom_db === null ? null : point.peak_dbu + point.headroom_db,
        room: rooms.length ? Math.min(...rooms) : null,
      };
    })
    .filter(({ peak }) => peak !== null);
}

const isOff = (name) => desk.board.blocks[name]?.on[chosen.passage] === "off";

function levelRange(stops) {
  const rails = stops.map(({ rail }) => rail).filter((rail) => rail !== null);
  const top = Math.max(...stops.map(({ peak }) => peak), ...rails.filter((rail) => rail < 40));
  const low = Math.min(...stops.map(({ rms }) => Math.max(rms ?? top, top - 60)));
  const step = top - low > 50 ? 20 : 10;
  return { step, low: step * Math.floor((low - 3) / step), high: 10 * Math.ceil((top + 3) / 10) };
}

// Where a level at a stop lies on the paper: across or downwards.
function paperFor(count, width, { low, high }) {
  const down = width < NARROW_PX;
  const { left, right, top, deep, row, side } = RIBBON;
  const each = down ? row : (width - left - right) / count;
  const part = (level) => (Math.max(low, Math.min(high, level)) - low) / (high - low);
  return {
    down,
    each,
    width,
    height: down ? top + count * row + 24 : top + deep + RIBBON.names,
    at: down
      ? (level, stop) => [side + part(level) * (width - side - right), top + (stop + 0.5) * row]
      : (level, stop) => [left + (stop + 0.5) * each, top + (1 - part(level)) * deep],
  };
}

const joined = (places) => places.map(([x, y]) => `${x.toFixed(1)} ${y.toFixed(1)}`).join("L");

function drawRibbon(width, stops, before, order) {
  const range = levelRange([...stops, ...before]);
  const paper = paperFor(stops.length, width, range);
  const picture = ribbonPicture(stops, before, order, paper, range);
  const focused = document.activeElement?.dataset.stop;
  byId("ribbon").replaceChildren(picture, stopButtons(stops, paper, order));
  if (focused) buttonOf(focused)?.focus({ preventScroll: true });
}

function ribbonPicture(stops, before, order, paper, range) {
  const { width, height } = paper;
  const labelled = { role: "img", "aria-labelledby": "level-says" };
  const picture = draw("svg", { width, height, viewBox: `0 0 ${width} ${height}`, ...labelled });
  picture.append(hatching(), ...loopShade(stops, paper, range), ...scaleLines(stops, paper, range));
  stops.forEach((stop, place) => picture.append(...railOf(stop, place, paper, range)));
  const peaks = stops.map(({ peak }, place) => paper.at(peak, place));
  const lows = stops.map(({ rms, peak }, place) => paper.at(rms ?? peak, place)).reverse();
  const ribbon = draw("g", { class: `${accent(order)} band` });
  ribbon.append(
    draw("path", { d: `M${joined([...peaks, ...lows])}Z`, class: "filled" }),
    draw("path", { d: `M${joined(peaks)}`, class: "peak-line" }),
  );
  for (const [x, y] of peaks) ribbon.append(draw("circle", { cx: x, cy: y, r: 2.5, class: "peak-dot" }));
  picture.append(ribbon, ...peaksBefore(stops, before, paper), ...restUnheard(stops, paper, range, order));
  return picture;
}

function hatching() {
  const lines = draw("path", { d: "M0 6L6 0M-1 1L1 -1M5 7L7 5", class: "hatch-line" });
  const pattern = draw("pattern", { id: "hatch", width: 6, height: 6, patternUnits: "userSpaceOnUse" }, lines);
  return draw("defs", {}, pattern);
}

function loopShade(stops, paper, { low, high }) {
  const send = stops.findIndex(({ name }) => name === "amp.send");
  const back = stops.findIndex(({ name }) => name === "amp.return");
  if (send < 0 || back - send < 2) return [];
  const [[x, y], [right, bottom]] = paper.down
    ? [paper.at(low, send + 0.5), paper.at(high, back - 0.5)]
    : [paper.at(high, send + 0.5), paper.at(low, back - 0.5)];
  const size = { x, y, width: right - x, height: bottom - y, class: "loop-part" };
  const words = paper.down ? { x: right - 4, y: y + 13, class: "loop-words end" } : { x: x + 5, y: bottom - 6, class: "loop-words" };
  return [draw("rect", size), draw("text", words, "in the loop")];
}

function scaleLines(stops, paper, { low, high, step }) {
  const lines = [];
  for (let level = low; level <= high; level += step) {
    const [start, end] = [paper.at(level, -0.5), paper.at(level, stops.length - 0.5)];
    lines.push(draw("path", { d: `M${joined([start, end])}`, class: level === 0 ? "zero" : "rule" }));
    const where = paper.down
      ? { x: end[0], y: end[1] + 16, class: "middle" }
      : { x: start[0] - 6, y: start[1] + 4, class: "end" };
    lines.push(draw("text", where, signed(level, 0)));
  }
  return lines;
}

// The rail as a stroke with hatching beyond it, and how much room is left.
function railOf({ rail, peak }, place, paper, { high }) {
  if (rail === null || rail > high) return [];
  const [half, over] = [0.38, rail < peak];
  const [one, other] = [paper.at(rail, place - half), paper.at(rail, place + half)];
  const [far, farther] = [paper.at(high, place + half), paper.at(high, place - half)];
  return [
    draw("path", { d: `M${joined([one, other, far, farther])}Z`, class: "beyond" }),
    draw("path", { d: `M${joined([one, other])}`, class: over ? "rail over" : "rail" }),
  ];
}

// The peaks of what it is held against, at the stops that both have.
function peaksBefore(stops, before, paper) {
  const known = new Map(before.map(({ name, peak }) => [name, peak]));
  const places = stops.map(({ name }, place) => known.has(name) && paper.at(known.get(name), place)).filter(Boolean);
  return places.length > 1 ? [draw("path", { d: `M${joined(places)}`, class: "peak-before" })] : [];
}

function roomWords(stops) {
  const tightest = stops.filter(({ room }) => room !== null).sort((one, other) => one.room - other.room)[0];
  if (!tightest) return "No stop on this path has a rail that is known.";
  const where = `${tightest.label}`;
  if (tightest.room < 0) {
    return `It clips at ${where}: peaks reach ${signed(-tightest.room)} dB beyond what passes.`;
  }
  return `Least room: ${signed(tightest.room)} dB between the peaks and the rail, at ${where}.`;
}
