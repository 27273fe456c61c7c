// Where a block stands and where it may go, as plain data: a stretch ("front" or "loop") and a
// place in it, counted without the block itself.

const spoken = (name) => name.replaceAll("_", " ");
const letterOf = (place) => String.fromCharCode(65 + (place % 26)) + (place < 26 ? "" : Math.floor(place / 26));
const hasLoop = () => desk.board.amps.length > 0;
const samePlace = (one, other) => one.to === other.to && one.at === other.at;

function standsAt(order, block) {
  const to = order.loop.includes(block) ? "loop" : "front";
  return { to, at: order[to].indexOf(block) };
}

const without = (blocks, block) => blocks.filter((each) => each !== block);

// All places along the line, from the guitar to the end of the loop.
function allPlaces(order, block) {
  const along = (to) => [...Array(without(order[to], block).length + 1).keys()].map((at) => ({ to, at }));
  return [...along("front"), ...(hasLoop() ? along("loop") : [])];
}

// The place `steps` further along the line; at an end it stays.
function placeBeside(order, block, place, steps) {
  const places = allPlaces(order, block);
  const here = places.findIndex((each) => samePlace(each, place));
  return places[Math.max(0, Math.min(places.length - 1, here + steps))];
}

// "after push, before sweep, in front of the amplifier"
function placeWords(order, block, { to, at }) {
  const others = without(order[to], block);
  const beside = [
    at > 0 ? `after ${spoken(others[at - 1])}` : "first",
    at < others.length ? `before ${spoken(others[at])}` : at > 0 ? "last" : "",
  ].filter(Boolean);
  const words = others.length ? beside.join(", ") : "alone";
  if (to === "loop") return `${words}, in the loop`;
  return hasLoop() ? `${words}, in front of the amplifier` : words;
}
