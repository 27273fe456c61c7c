// Where a block should stand: the orders of every group that have it there.
//
// An order is one character a block, its place in `facts.blocks` to the base of 36, with a bar
// where the loop begins.

const facts = JSON.parse(document.getElementById("search-facts").textContent);
const byId = (id) => document.getElementById(id);
const FIRST_SHOWN = 10;
const MORE_SHOWN = 20;

const placeOf = new Map(facts.ranking.map((order, place) => [order, place + 1]));
const counted = (number) => number.toLocaleString("en");
let shown = FIRST_SHOWN;

const wishRows = () => [...document.querySelectorAll(".wish")];

// What is wished, as a test of one order; rows without a block ask for nothing.
function wishes() {
  return wishRows()
    .filter((row) => !row.hidden)
    .map((row) => [...row.querySelectorAll("select")].map((select) => select.value))
    .filter(([block]) => block !== "")
    .map(([block, at]) => ({ block: Number(block).toString(36), at }));
}

function stands(order, { block, at }) {
  const [front, loop = ""] = order.split("|");
  const path = front + loop;
  const [how, which] = at.split(" ");
  const place = path.indexOf(block);
  if (how === "front") return front.includes(block);
  if (how === "loop") return loop.includes(block);
  if (how === "last") return place === path.length - 1;
  if (how === "at") return place === Number(which) - 1;
  const other = path.indexOf(Number(which).toString(36));
  return how === "before" ? place < other : place > other;
}

// The groups with such orders, best first; each with the best of them and how many there are.
function hits(wished) {
  return facts.groups
    .map((members, group) => {
      const found = members.filter((order) => wished.every((wish) => stands(order, wish)));
      const ranked = found.filter((order) => placeOf.has(order));
      const best = ranked.reduce(
        (least, order) => (placeOf.get(order) < placeOf.get(least) ? order : least),
        ranked[0] || found[0],
      );
      return { group, best, count: found.length, place: placeOf.get(best) || Infinity };
    })
    .filter(({ count }) => count)
    .sort((one, other) => one.place - other.place || one.group - other.group);
}

function showHits() {
  const wished = wishes();
  const found = wished.length ? hits(wished) : [];
  byId("wish-says").textContent = wished.length ? countWords(found) : restWords();
  byId("hits").replaceChildren(...found.slice(0, shown).map((hit) => hitLine(hit, wished)));
  byId("hits-more").hidden = found.length <= shown;
}

function countWords(found) {
  const orders = found.reduce((sum, { count }) => sum + count, 0);
  if (!orders) return "None of the orders stands so.";
  const groups = `${counted(found.length)} ${found.length === 1 ? "group" : "groups"}`;
  return `${counted(orders)} of ${counted(facts.orders)} orders, in ${groups}:`;
}

const restWords = () => `Choose a block and a place, to see which of ${counted(facts.orders)} orders suit.`;

function hitLine({ group, best, count, place }, wished) {
  const item = make("li", `hit ${group < facts.coloured ? accent(group) : "others"}`, hitMark(group));
  const words = make("p", "words");
  const [front, loop = ""] = best.split("|");
  const chosen = wished.map(({ block }) => block);
  words.append(...hitWords(front, chosen));
  if (loop) {
    const where = make("span", "where", "in the loop:");
    words.append(make("span", "stretch", where, ...hitWords(loop, chosen)));
  }
  const of = count === 1 ? "the only one of its group" : `best of ${counted(count)} in its group`;
  const at = place < Infinity ? `place ${counted(place)}` : "proved the same as one that is ranked";
  item.append(make("div", "said", words, make("p", "note", `${at}, ${of}`)));
  return item;
}

const hitWords = (blocks, chosen) =>
  [...blocks].map((block) =>
    make("span", chosen.includes(block) ? "word chosen" : "word", facts.blocks[parseInt(block, 36)]),
  );

// A group that can be heard has a button that does what its line's own does.
function hitMark(group) {
  const letter = facts.letters[group];
  const own = document.querySelector(`#lines button[data-order="${group}"]`);
  if (!own) return make("span", "mark", letter);
  const button = make("button", "short", letter);
  button.type = "button";
  button.dataset.order = group;
  button.disabled = own.disabled;
  button.setAttribute("aria-pressed", own.getAttribute("aria-pressed"));
  button.setAttribute("aria-label", `${letter}, hear its best`);
  button.addEventListener("click", () => own.click());
  return button;
}

function listenToWishes() {
  byId("wish").addEventListener("change", () => {
    shown = FIRST_SHOWN;
    showHits();
  });
  byId("wish").addEventListener("submit", (event) => event.preventDefault());
  byId("wish").addEventListener("reset", () => {
    wishRows().forEach((row, place) => { row.hidden = place > 0; });
    byId("wish-more").disabled = false;
    shown = FIRST_SHOWN;
    setTimeout(showHits);
  });
  byId("wish-more").addEventListener("click", () => {
    const hidden = wishRows().filter((row) => row.hidden);
    hidden[0].hidden = false;
    hidden[0].querySelector("select").focus();
    byId("wish-more").disabled = hidden.length === 1;
  });
  byId("hits-more").addEventListener("click", () => {
    const before = byId("hits").children.length;
    shown += MORE_SHOWN;
    showHits();
    byId("hits").children[before]?.querySelector("button")?.focus();
  });
}

if (byId("wish")) {
  listenToWishes();
  showHits();
}
