// What happens when: events on the waveform's axis, and a list of moments to go to.

const EVENT_ROWS = 4;
const LABEL_GAP_PX = 8;

function eventMarks({ events }, seconds) {
  return events.map(({ at, text }) => {
    const mark = make("div", "event", make("span", "event-text", text));
    mark.style.left = share(at, seconds);
    mark.dataset.at = at;
    return mark;
  });
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
