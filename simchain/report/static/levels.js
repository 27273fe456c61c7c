// The level of every stop of every path against its rail, as words and marks; and the full table.

function levelStrip(order, sound, [lowest, highest], playing) {
  const height = (dbu) => {
    const part = (Math.max(lowest, Math.min(highest, dbu)) - lowest) / (highest - lowest);
    return part.toFixed(4);
  };
  const strip = make("ol", "strip");
  strip.setAttribute("aria-label", `${order.letter}, ${order.label}: RMS and peak in dBu`);
  for (const stop of sound.stops) {
    const track = make("span", "track");
    track.setAttribute("aria-hidden", "true");
    for (const [kind, dbu] of [["floor", stop.floor_dbu], ["rail", stop.rail_dbu], ["peak", stop.peak_dbu], ["rms", stop.rms_dbu]]) {
      if (dbu === null) continue;
      const mark = make("i", kind);
      mark.style.setProperty("--at", height(dbu));
      track.append(mark);
    }
    if (stop.rms_dbu !== null && stop.peak_dbu !== null) {
      const span = make("i", "span");
      span.style.setProperty("--from", height(stop.rms_dbu));
      span.style.setProperty("--to", height(stop.peak_dbu));
      track.append(span);
    }
    strip.append(levelCell(stop, track));
  }
  const block = make("div", `level ${accent(order.place)}${playing ? " heard" : ""}`);
  block.style.setProperty("--zero", height(0));
  block.style.setProperty("--tens", (highest - lowest) / 10);
  const head = make("h3", "", make("span", "mark", order.letter), ` ${order.label}`);
  block.append(head, strip);
  strip.prepend(levelScale([highest, 0, lowest], height));
  return block;
}

function levelScale(levels, height) {
  const track = make("span", "track");
  for (const dbu of levels) {
    const mark = make("i", "", signed(dbu, 0));
    mark.style.setProperty("--at", height(dbu));
    track.append(mark);
  }
  const scale = make("li", "level-scale", make("span", "stop", "dBu"), track);
  scale.setAttribute("aria-hidden", "true");
  return scale;
}

function levelCell(stop, track) {
  const cell = make("li", `${stop.clips ? "clips" : stop.warning ? "tight" : ""}${stop.in_loop ? " in-loop" : ""}`);
  const name = make("span", `stop${stop.off ? " off" : ""}`);
  stop.name.split(".").forEach((part, place) => {
    if (place) name.append(".", document.createElement("wbr"));
    name.append(part);
  });
  if (stop.off) name.append(make("span", "out-of-sight", " (off)"));
  const figures = make("span", "figures", signed(stop.rms_dbu, 0), " / ", signed(stop.peak_dbu, 0));
  cell.append(name, track, figures);
  if (stop.warning) cell.append(make("strong", "warning", stop.warning));
  return cell;
}

const POINT_COLUMNS = [
  ["test point", (point) => point.name],
  ["RMS, dBu", (point) => signed(point.rms_dbu)],
  ["peak, dBu", (point) => signed(point.peak_dbu)],
  ["RMS, mV", (point) => milli(point.rms_mv)],
  ["peak, mV", (point) => milli(point.peak_mv)],
  ["rail, mV", (point) => milli(point.rail_mv)],
  ["floor, dBu", (point) => signed(point.floor_dbu)],
  ["floor, mV", (point) => milli(point.floor_mv)],
  ["headroom, dB", (point) => signed(point.headroom_db)],
];

// Three figures are enough for a meter on the bench.
function milli(number) {
  if (number === null) return "–";
  const places = number >= 100 ? 0 : number >= 10 ? 1 : 2;
  return number.toFixed(places).replace(/\B(?=(\d{3})+$)/g, places ? "" : "\u202f");
}

function pointTable(order, sound) {
  const head = make("tr", "");
  for (const [title] of POINT_COLUMNS) {
    const cell = make("th", title === "test point" ? "" : "number", title);
    cell.scope = "col";
    head.append(cell);
  }
  const rows = sound.points.map((point) => {
    const row = make("tr", point.headroom_db !== null && point.headroom_db < 0 ? "clips" : "");
    POINT_COLUMNS.forEach(([, words], column) => {
      const cell = make(column ? "td" : "th", column ? "number" : "", words(point));
      if (!column) cell.scope = "row";
      row.append(cell);
    });
    return row;
  });
  const table = make("table", "", make("thead", "", head), make("tbody", "", ...rows));
  table.prepend(make("caption", "", `${order.letter}, ${order.label}`));
  const frame = make("div", "scroll", table);
  frame.tabIndex = 0;
  frame.setAttribute("role", "region");
  frame.setAttribute("aria-label", `Test points of ${order.letter}, ${order.label}`);
  return frame;
}
