// Waveforms and the third-octave chart, drawn as SVG whose colours come from the style sheet.

const SVG = "http://www.w3.org/2000/svg";
const ACCENTS = 9;

const accent = (order) => `order-${(order % ACCENTS) + 1}`;
const signed = (number, places = 1) =>
  number === null ? "–" : number.toFixed(places).replace(/^-(?=[0.]*$)/, "").replace("-", "−");

function draw(tag, attributes, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

function make(tag, className, ...children) {
  const element = document.createElement(tag);
  if (className) element.className = className;
  element.append(...children);
  return element;
}

// One lane an order: the outline of its sound at the gain it is played at.
function waveLane(sound, order, gain, playing) {
  const columns = sound ? sound.waveform : [];
  const width = Math.max(1, columns.length);
  const y = (sample) => (50 - 48 * Math.max(-1, Math.min(1, sample * gain))).toFixed(1);
  const above = columns.map(([, high], x) => `${x} ${y(high)}`);
  const below = columns.map(([low], x) => `${x} ${y(low)}`).reverse();
  const outline = columns.length ? `M${above.join("L")}L${below.join("L")}Z` : "";
  const picture = draw(
    "svg",
    { viewBox: `0 0 ${width} 100`, preserveAspectRatio: "none", "aria-hidden": "true" },
    draw("path", { d: `M0 50H${width}`, class: "zero" }),
    draw("path", { d: outline, class: "outline" }),
  );
  const lane = make("div", `lane ${accent(order.place)}${playing ? " heard" : ""}`, picture);
  lane.append(make("span", "lane-letter", order.letter));
  return lane;
}

function niceRange(changes) {
  const most = Math.max(0, ...changes.flat().filter((change) => change !== null).map(Math.abs));
  return [1, 3, 6, 12, 24, 48].find((range) => most <= 0.92 * range) || 96;
}

// Step lines of every order less the one they are held against, the one that plays filled.
function toneChart(width, bands, curves, playing) {
  const height = width < 600 ? 220 : 260;
  const [left, right, top, bottom] = [38, 14, 10, 26];
  const range = niceRange(curves.map(({ change }) => change));
  const each = (width - left - right) / bands.length;
  const x = (band) => left + band * each;
  const y = (db) =>
    top + ((height - top - bottom) * (range - Math.max(-range, Math.min(range, db)))) / (2 * range);
  const chart = draw("svg", { width, height, viewBox: `0 0 ${width} ${height}` });
  for (const db of [-1, -0.5, 0, 0.5, 1].map((part) => part * range)) {
    chart.append(
      draw("path", { d: `M${left} ${y(db)}H${width - right}`, class: db ? "rule" : "zero" }),
      draw("text", { x: left - 6, y: y(db) + 4, class: "end" }, signed(db, Number.isInteger(range / 2) ? 0 : 1)),
    );
  }
  bands.forEach((band, place) => {
    if (/^(63|125|250|500) Hz$|^(1|2|4|8|16) kHz$|^31.5 Hz$/.test(band)) {
      const name = width < 600 ? band.replace(/ k?Hz/, (unit) => (unit === " kHz" ? "k" : "")) : band;
      chart.append(draw("text", { x: x(place) + each / 2, y: height - 8, class: "middle" }, name));
    }
  });
  const inOrder = [...curves].sort((one, other) => (one.place === playing) - (other.place === playing));
  for (const curve of inOrder) chart.append(toneCurve(curve, x, y, curve.place === playing));
  return chart;
}

function toneCurve({ place, letter, change }, x, y, heard) {
  const steps = change.map((db, band) => `${band ? "V" : `M${x(0)} `}${y(db ?? 0)}H${x(band + 1)}`);
  const outline = steps.join("");
  const peak = change.reduce((most, db, band) => (Math.abs(db ?? 0) > Math.abs(change[most] ?? 0) ? band : most), 0);
  const group = draw("g", { class: `${accent(place)} curve${heard ? " heard" : ""}` });
  if (heard) group.append(draw("path", { d: `${outline}V${y(0)}H${x(0)}Z`, class: "filled" }));
  group.append(draw("path", { d: outline, class: "line" }));
  const up = (change[peak] ?? 0) >= 0;
  group.append(
    draw("text", { x: (x(peak) + x(peak + 1)) / 2, y: y(change[peak] ?? 0) + (up ? -4 : 14), class: "middle" }, letter),
  );
  return group;
}

const share = (at, seconds) => `${(100 * at) / seconds}%`;

// Seconds beneath the waveforms.
function timeTicks(seconds) {
  const step = [0.1, 0.2, 0.5, 1, 2, 5, 10, 30, 60].find((each) => seconds / each <= 14) || 120;
  const ticks = [];
  for (let at = 0; at <= seconds + 1e-9; at += step) {
    const tick = make("span", "tick", String(Math.round(at * 10) / 10));
    tick.style.left = share(at, seconds);
    ticks.push(tick);
  }
  return ticks;
}
