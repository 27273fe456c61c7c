// Settings: one table of the board at a time, a row for each of its controls, from what the server
// says they are. A field that is left or confirmed is posted at once.

const settings = { told: null, table: null, reading: null, turn: Promise.resolve() };

const pathText = (path) => path.join(".");
const tablesTold = () => [...settings.told.tables, ...settings.told.passages];
const tableAt = (key) => tablesTold().find((table) => pathText(table.path) === key);

// Tables that there are several of, under names.
const FAMILIES = { passages: ["Passages", "passage"], blocks: ["Blocks", "block"], amps: ["Amplifiers", "amplifier"], songs: ["Songs", "song"] };
const familyOf = ({ path }) => (path.length === 2 && path[0] in FAMILIES ? path[0] : null);

// Reads until what is told is of the board as it stands, or of a later one, and draws it.
function readSettings() {
  settings.reading ??= readNow().finally(() => (settings.reading = null));
  return settings.reading;
}

async function readNow() {
  try {
    while (desk.board.begun && !(settings.told?.revision >= desk.board.revision)) {
      settings.told = await getFacts("/settings");
    }
    if (settings.told) drawSettings();
  } catch (error) {
    tell("settings", error.message);
  }
}

function drawSettings() {
  offerTables();
  const table = tableAt(settings.table);
  byId("set-about").textContent = table.about;
  const isPassage = familyOf(table) === "passages";
  const settingsOf = (isCommon) => table.controls.filter(({ common }) => common === isCommon).map((control) => settingOf(table, control));
  fillRows("set-rows", [...settingsOf(false), ...(isPassage ? [...aboveSettings(table), ...otherSettings(table)] : [])]);
  fillRows("set-common-rows", settingsOf(true));
  byId("set-common").hidden = !byId("set-common-rows").children.length;
  byId("set-otherwise").hidden = !isPassage;
  if (isPassage) offerOtherwise(table);
  drawTableDeeds(table);
  byId("set-clip").hidden = !table.controls.some(({ name, file }) => file && name === "clip");
  byId("clip-volts").hidden = settings.table !== "source";
  for (const row of all("#settings .set-row")) row.showTold();
}

function showTable(key) {
  if (key !== settings.table) tell("settings");
  settings.table = key;
  drawSettings();
}

function fillRows(id, rows) {
  fill(byId(id), rows.filter(({ control }) => control.type in FIELDS).map((setting) => {
    const { value, written, ...fixed } = setting.control;
    // Events are drawn from what the blocks can do.
    const more = fixed.type === "events" && settings.told.tables.map(({ path, kind }) => [path, kind]);
    return [[setting.path, setting.label, fixed, more], () => rowOf(setting)];
  }));
}

const filled = new WeakMap();

// Puts parts in a place: of each what it is drawn from, and how. One that is drawn from the same as
// before stays untouched. Whoever was in one that goes is in the same field of what follows it,
// with what was typed there.
function fill(place, wanted) {
  const known = filled.get(place) || new Map();
  const drawn = new Map();
  wanted.forEach(([facts, draw], number) => {
    const key = JSON.stringify(facts);
    drawn.set(key, known.get(key) || draw(number));
  });
  filled.set(place, drawn);
  const parts = [...drawn.values()];
  const fields = (part) => [...part.querySelectorAll("input, select, button")];
  const active = document.activeElement;
  const before = [...place.children];
  const left = before.find((part) => part.contains(active) && !parts.includes(part));
  const at = left && [before.indexOf(left), fields(left).indexOf(active)];
  for (const part of before) if (!parts.includes(part)) part.remove();
  parts.forEach((part, number) => {
    if (place.children[number] !== part) place.insertBefore(part, place.children[number] || null);
  });
  const field = left && fields(parts[Math.min(at[0], parts.length - 1)] || place)[at[1]];
  field?.focus();
  if (field?.dataset.told !== undefined && active.value !== active.dataset.told) field.value = active.value;
}

function offerTables() {
  const known = tablesTold();
  if (!tableAt(settings.table)) settings.table = pathText(known[0].path);
  fill(byId("set-of"), Object.entries({ ...FAMILIES, "": ["Around the blocks"] }).map(([family, [label]]) => {
    const tables = known.filter((table) => (familyOf(table) || "") === family).map((table) => [pathText(table.path), table.title]);
    return [[family, tables], () => Object.assign(make("optgroup", "", ...tables.map(optionOf)), { label })];
  }));
  byId("set-of").value = settings.table;
  const families = ["passages", "amps", "songs"].map((family) => [family, FAMILIES[family][1]]);
  const kinds = settings.told.kinds.map(({ kind }) => [`blocks ${kind}`, `block: ${spoken(kind)}`]);
  fillOptions("set-new", [...families, ...kinds]);
  fillOptions("set-clips", settings.told.clips.map((name) => [name, ""]));
}

const optionOf = ([value, words]) => Object.assign(make("option", "", words), { value });
const fillOptions = (id, options) => fill(byId(id), options.map((option) => [option, () => optionOf(option)]));

// A control, where its value stands in the file, and how its table as told by then tells its value.
function settingOf(table, control) {
  const key = pathText(table.path);
  return {
    control,
    of: key,
    path: [...table.path, control.name],
    label: control.label,
    say: `${table.name} ${control.name}`,
    now: () => tableAt(key)?.controls.find(({ name }) => name === control.name) || control,
  };
}

// Posts one value, after what was posted before it has been told; undefined takes the key out of
// the file. `next` may be a function of the value that stands by then.
function postSetting(setting, next, id, words = null) {
  const turn = settings.turn.then(async () => {
    const { path, say, change, now } = setting;
    const value = typeof next === "function" ? next(now().value) : next;
    const made = change ? change(value) : value === undefined ? { path, remove: true } : { path, value };
    const told = value === undefined ? `${say} left to its default` : `${say} ${valueShown(value)}`;
    const did = await ask("/change", { changes: [made], say: words || told }, id);
    byId(`told-${id}`)?.closest(".set-row")?.classList.toggle("refused", !did);
    if (did) await readSettings();
    return did;
  });
  settings.turn = turn.catch(() => {});
  return turn;
}

// Of lists the names alone, and of tables nothing.
function valueShown(value) {
  if (Array.isArray(value)) return value.filter((each) => typeof each !== "object").join(", ");
  return typeof value === "object" ? "" : defaultShown(value);
}

// Adding, renaming and removing tables that there are several of.

function drawTableDeeds(table) {
  const family = familyOf(table);
  byId("set-one").hidden = !family;
  if (!family) return;
  const field = byId("set-name");
  if (field.dataset.told !== settings.table) field.value = table.name;
  field.dataset.told = settings.table;
  byId("set-remove").textContent = `remove this ${FAMILIES[family][1]}`;
  const out = family === "blocks" ? desk.board.orders.filter((order) => order.left_out.includes(table.name)) : [];
  byId("set-out").replaceChildren(...out.map((order) =>
    plainButton(`put into ${spoken(order.name)}`, `Put ${spoken(table.name)} into ${spoken(order.name)}, last in front`, () =>
      ask("/move", { order: order.name, block: table.name, to: "front", at: order.front.length }, "settings"),
    ),
  ));
}

// A name that no table of the family has: the one it begins with, or with a number behind it.
function freeTableName(family, stem) {
  const taken = tablesTold().filter(({ path }) => path[0] === family).map(({ name }) => name);
  let name = stem;
  for (let number = 2; taken.includes(name); number += 1) name = `${stem}_${number}`;
  return name;
}

async function doTable(deed, what, name, more, then) {
  if (!(await ask("/tables", { do: deed, what, name, ...more }, "settings"))) return;
  await readSettings();
  if (then) showTable(`${what}.${then}`);
  byId(deed === "add" ? "set-name" : "set-of").focus();
  if (deed === "add") byId("set-name").select();
}

function addTable(what, stem, more) {
  const name = freeTableName(what, stem);
  return doTable("add", what, name, more, name);
}

function listenToSettings() {
  byId("set-of").addEventListener("change", ({ target }) => showTable(target.value));
  const here = () => tableAt(settings.table).path;
  const on = (id, event, deed) => byId(id).addEventListener(event, (happened) => {
    happened.preventDefault();
    deed();
  });
  on("set-add", "submit", () => {
    const [what, kind] = byId("set-new").value.split(" ");
    addTable(what, kind || FAMILIES[what][1], kind && { kind });
  });
  on("set-remove", "click", () => doTable("remove", ...here()));
  on("set-copy", "click", () => {
    const [[what, from], typed] = [here(), byId("set-name").value.trim()];
    addTable(what, typed && typed !== from ? typed : from.replace(/_\d+$/, ""), { like: from });
  });
  on("set-rename", "submit", () => {
    const name = byId("set-name").value.trim();
    if (name !== here()[1]) doTable("rename", ...here(), { new: name }, name);
  });
  on("set-otherwise", "submit", setOtherwise);
  on("edit-passage", "click", () => {
    showTable(`passages.${chosen.passage}`);
    byId("settings").scrollIntoView();
    byId("set-of").focus();
  });
  listenToClips();
}
