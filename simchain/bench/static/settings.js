// Settings: one table of the board at a time, a row for each of its controls, from what the server
// says they are. A field that is left or confirmed is posted at once.

const settings = { told: null, table: null, key: null, rows: [], reading: null };

const pathText = (path) => path.join(".");
const tablesTold = () => [...settings.told.tables, ...settings.told.passages];
const tableAt = (key) => tablesTold().find((table) => pathText(table.path) === key) || null;
const FAMILIES = { block: "Blocks", amp: "Amplifiers", passage: "Passages" };

function numberShown(value) {
  if (typeof value !== "number") return "";
  const size = Math.abs(value);
  if (size && (size < 1e-3 || size >= 1e6)) return String(Number(value.toPrecision(6))).replace("e+", "e");
  return String(Number(value.toPrecision(10)));
}

// As people say it: 470 k, 3 M.
function spokenNumber(value) {
  const size = Math.abs(value);
  const [by, letter] = size >= 1e12 || size < 1e4 ? [1, ""] : size < 1e6 ? [1e3, "\u202fk"] : [1e6, "\u202fM"];
  return numberShown(value / by).replace("-", "−") + letter;
}

const withUnit = (words, unit) => (unit ? `${words} ${unit}` : words);

// Asks anew until what it was told is of the board as it stands.
async function readSettings() {
  if (!desk.board || desk.board.begun === false) return;
  if (settings.reading) return settings.reading;
  settings.reading = (async () => {
    while (settings.told?.revision !== desk.board.revision) {
      settings.told = await getFacts("/settings");
    }
  })();
  try {
    await settings.reading;
    drawSettings();
  } catch (error) {
    tell("settings", error.message);
  } finally {
    settings.reading = null;
  }
}

function drawSettings() {
  offerTables();
  const table = tableAt(settings.table);
  const shape = ({ controls, ...rest }) => [rest.path, controls.map(({ value, written, ...fixed }) => fixed)];
  const key = JSON.stringify([shape(table), settings.told.clips, Object.keys(table.set || {}), setNames(table)]);
  if (key !== settings.key) buildTable(table);
  settings.key = key;
  for (const row of settings.rows) row.show(tableAt(settings.table));
}

const setNames = (table) =>
  Object.entries(table.set || {}).map(([block, set]) => [block, Object.keys(set)]);

function offerTables() {
  const known = tablesTold();
  if (!tableAt(settings.table)) settings.table = pathText(known[0].path);
  const groups = new Map();
  for (const table of known) {
    const family = FAMILIES[table.family] || "Around the board";
    groups.set(family, [...(groups.get(family) || []), table]);
  }
  const offered = [...groups].map(([family, tables]) => {
    const group = make("optgroup", "", ...tables.map(tableOption));
    group.label = family;
    return group;
  });
  byId("set-of").replaceChildren(...offered);
  byId("set-of").value = settings.table;
  if (!byId("set-kind").options.length) offerKinds();
  byId("set-clips").replaceChildren(...settings.told.clips.map((name) => Object.assign(make("option", ""), { value: name })));
}

function offerKinds() {
  byId("set-kind").replaceChildren(...settings.told.kinds.map(({ kind }) => optionOf(kind, spoken(kind))));
}

function optionOf(value, words) {
  const option = make("option", "", words);
  option.value = value;
  return option;
}

function tableOption({ name, kind, path }) {
  const words = kind && kind !== name ? `${spoken(name)}, ${spoken(kind)}` : spoken(name);
  return optionOf(pathText(path), words);
}

function buildTable(table) {
  byId("set-about").textContent = table.about;
  tell("settings");
  const own = table.controls.filter((control) => !control.common);
  const common = table.controls.filter((control) => control.common);
  settings.rows = [];
  const rows = (controls) => controls.map((control) => rowOf(settingOf(table, control))).filter(Boolean);
  const parts = rows(own);
  if (table.family === "passage") parts.push(...aboveRows(table), ...setRows(table), differently(table));
  byId("set-rows").replaceChildren(...parts);
  byId("set-common").hidden = !common.length;
  byId("set-common-rows").replaceChildren(...rows(common));
  drawBlockDeeds(table);
  byId("set-clip").hidden = !table.controls.some(({ name, file }) => file && name === "clip");
  byId("clip-volts").hidden = table.family !== "source";
}

// A control, where its value stands in the file, and how its table as told later tells its value.
function settingOf(table, control) {
  return {
    control,
    path: [...table.path, control.name],
    label: labelIn(table, control),
    say: `${table.name} ${control.name}`,
    now: (later) => later.controls.find(({ name }) => name === control.name) || control,
  };
}

// The unit stands beside the field, and need not stand in the name too.
function spokenControl({ name, unit }) {
  const ends = name.split("_");
  const last = ends.at(-1);
  const isUnit = unit && unit.toLowerCase().replace("/", "_per_").startsWith(last.toLowerCase());
  return (isUnit && ends.length > 1 ? ends.slice(0, -1) : ends).join(" ");
}

// Where two would have the same words, the unit stays in them.
function labelIn({ controls }, control) {
  const words = spokenControl(control);
  return controls.filter((each) => spokenControl(each) === words).length > 1 ? spoken(control.name) : words;
}

function rowOf(setting) {
  const { control } = setting;
  if (control.type === "other") return null;
  const id = `set-${pathText(setting.path).replaceAll(/[^\w-]/g, "-")}`;
  const told = make("p", "told");
  told.id = `told-${id}`;
  told.setAttribute("role", "status");
  const note = make("p", "note", control.help);
  note.id = `${id}-help`;
  const field = fieldOf(setting, id);
  const head = field.group ? make("span", "set-name", setting.label) : make("label", "set-name", setting.label);
  if (!field.group) head.htmlFor = id;
  else field.element.setAttribute("aria-label", setting.label);
  const unit = make("span", "set-unit", control.unit);
  const starts = startsOf(setting, id);
  const row = make("div", "set-row", make("div", "", head, note), make("div", "set-field", field.element, unit, starts), rangesOf(setting, id), told);
  row.dataset.path = pathText(setting.path);
  settings.rows.push({
    show(later) {
      const { value, written } = setting.now(later);
      row.classList.toggle("written", Boolean(written));
      row.querySelector(".set-default")?.toggleAttribute("hidden", !written);
      if (field.show(value)) {
        told.replaceChildren();
        row.classList.remove("refused");
      }
    },
  });
  return row;
}

const FIELDS = { number: typedField, whole: typedField, text: typedField, choice: listField, yes: listField, names: ticksField, pair: typedField, rows: rowsField };

function fieldOf(setting, id) {
  const { type, choices } = setting.control;
  return (type === "text" && choices ? listField : FIELDS[type])(setting, id);
}

function rangesOf(setting, id) {
  const { control, say } = setting;
  const [low, high] = control.allowed;
  const words = [];
  if (low !== null || high !== null) {
    const ends = [low, high].map((end) => (end === null ? "…" : spokenNumber(end)));
    words.push(`allowed ${ends.join(" to ")}`);
  }
  if (control.usual) words.push(`usual ${control.usual.map(spokenNumber).join(" to ")}`);
  const plain = ["string", "number", "boolean"].includes(typeof control.default) && control.default !== "";
  const what = plain ? `default ${defaultShown(control.default)}` : "default: left out";
  const ranges = make("p", "note set-ranges", ...words.map((each) => make("span", "", each)));
  if (!control.optional) return ranges;
  const back = plainButton("back to it", `${say}: back to its default`, () => postSetting(setting, undefined, id));
  back.classList.add("set-default");
  ranges.append(make("span", "", what, " ", back));
  return ranges;
}

const defaultShown = (value) => (value === true ? "yes" : value === false ? "no" : typeof value === "number" ? spokenNumber(value) : value);

function startsOf(setting, id) {
  const { control, label } = setting;
  const starts = make("span", "set-starts");
  for (const [name, value] of Object.entries(control.starts || {})) {
    const told = withUnit(spokenNumber(value), control.unit);
    const button = plainButton(name, `${label}: ${name}, ${told}`, () => postSetting(setting, value, id));
    button.title = told;
    starts.append(button);
  }
  return starts;
}

function plainButton(words, label, deed) {
  const button = make("button", "plain", words);
  button.type = "button";
  button.setAttribute("aria-label", label);
  button.addEventListener("click", deed);
  return button;
}

// Posts one value; undefined takes the key out of the file.
async function postSetting(setting, value, id, words = null) {
  const { path, say, change } = setting;
  const made = change ? change(value) : value === undefined ? { path, remove: true } : { path, value };
  const told = value === undefined ? `${say} left to its default` : `${say} ${valueShown(value)}`;
  const did = await ask("/change", { changes: [made], say: words || told }, id);
  byId(`told-${id}`)?.closest(".set-row")?.classList.toggle("refused", !did);
  if (did) await readSettings();
  return did;
}

// Of lists the names alone, and of tables nothing.
function valueShown(value) {
  if (Array.isArray(value)) return value.filter((each) => typeof each !== "object").join(", ");
  return typeof value === "object" ? "" : defaultShown(value);
}

// Fields. `show` takes a value that was told, unless something else is being typed there; it
// returns whether it did.

function typedField(setting, id) {
  const { control } = setting;
  const input = make("input", control.type === "text" ? "set-text" : "set-number");
  Object.assign(input, { id, type: "text", autocomplete: "off", spellcheck: false });
  if (control.type !== "text") input.inputMode = "decimal";
  input.setAttribute("aria-describedby", `${id}-help told-${id}`);
  if (control.file) input.setAttribute("list", "set-clips");
  const commit = () => {
    if (input.value === input.dataset.told) return;
    const { value, fault } = readTyped(input.value.trim(), control);
    if (fault) {
      tell(id, fault);
      input.closest(".set-row")?.classList.add("refused");
    } else {
      postSetting(setting, value, id);
    }
  };
  input.addEventListener("change", commit);
  input.addEventListener("keydown", (event) => {
    if (event.key === "Enter") commit();
    if (event.key === "Escape") input.value = input.dataset.told;
  });
  const show = (value) => {
    const before = input.dataset.told;
    input.dataset.told = control.type === "text" ? (value ?? "") : [value].flat().map(numberShown).join(" ");
    if (input === document.activeElement && input.value !== before && before !== undefined && input.value !== input.dataset.told) return false;
    input.value = input.dataset.told;
    return true;
  };
  return { element: input, show };
}

// What was typed, as the file holds it; nothing is undefined, which leaves it to its default.
function readTyped(text, { type, unit }) {
  if (text === "") return { value: undefined };
  if (type === "text") return { value: text };
  if (type === "pair") {
    const pair = text.match(/-?\d+(\.\d+)?/g)?.map(Number);
    return pair?.length === 2 ? { value: pair } : { fault: `${text}: two numbers are wanted` };
  }
  const value = Number(text.replace(",", ".").replace("−", "-"));
  if (!Number.isFinite(value)) return { fault: `${text}: ${withUnit("a number", unit && `in ${unit}`)} is wanted` };
  return { value };
}

function listField(setting, id) {
  const { control } = setting;
  const select = make("select", "");
  select.id = id;
  select.setAttribute("aria-describedby", `${id}-help told-${id}`);
  const choices = control.type === "yes" ? [true, false] : control.choices;
  const open = control.optional && (control.default === null || control.default === "");
  const entries = [...(open ? [undefined] : []), ...choices];
  select.append(...entries.map((entry) => make("option", "", entry === undefined ? "left out" : String(defaultShown(entry)))));
  select.addEventListener("change", () => postSetting(setting, entries[select.selectedIndex], id));
  const show = (value) => {
    select.selectedIndex = entries.indexOf(value ?? undefined);
    return true;
  };
  return { element: select, show };
}

// A tick for each name; those that are on keep their sequence.
function ticksField(setting, id) {
  const { control, say } = setting;
  const names = control.choices || [];
  let now = [];
  const boxes = names.map((name) => {
    const box = make("input", "");
    Object.assign(box, { type: "checkbox", value: name });
    box.addEventListener("change", async () => {
      const value = box.checked ? [...now, name] : now.filter((each) => each !== name);
      const did = await postSetting(setting, value, id, `${say}: ${name} ${box.checked ? "ticked" : "not ticked"}`);
      if (!did) box.checked = !box.checked;
    });
    return box;
  });
  const element = make("div", "set-ticks", ...boxes.map((box) => make("label", "", box, " ", make("span", "", spoken(box.value)))));
  element.setAttribute("role", "group");
  const show = (value) => {
    now = value || [];
    for (const box of boxes) box.checked = now.includes(box.value);
    return true;
  };
  return { element, show, group: true };
}

// A list of small tables, such as the bands of an equalizer: each change posts the whole list.
function rowsField(setting, id) {
  const { control, say } = setting;
  const element = make("div", "set-list");
  element.setAttribute("role", "group");
  let shown = null;
  let now = [];
  const post = (value) => postSetting(setting, value, id);
  const first = () => Object.fromEntries(control.controls.filter((each) => !each.optional).map((each) => [each.name, startOf(each)]));
  const add = plainButton("add a line", `${say}: add a line`, () => post([...now, first()]));
  const lineFor = (entry, place) => {
    const fields = control.controls.filter(({ type }) => FIELDS[type]).map((inner) => {
      const setOne = (value) => post(now.map((each, at) => (at === place ? withValue(each, inner.name, value) : each)));
      return make("label", "", `${spokenControl(inner)} `, innerField(inner, entry[inner.name], setOne, id), ` ${inner.unit}`);
    });
    const gone = plainButton("remove", `${say}: remove line ${place + 1}`, () => post(now.filter((_, at) => at !== place)));
    return make("div", "set-entry", ...fields, gone);
  };
  const show = (value) => {
    now = value || [];
    if (JSON.stringify(now) !== shown) element.replaceChildren(...now.map(lineFor), add);
    shown = JSON.stringify(now);
    return true;
  };
  return { element, show, group: true };
}

function withValue(entry, name, value) {
  const { [name]: _, ...rest } = entry;
  return value === undefined ? rest : { ...rest, [name]: value };
}

const startOf = ({ starts, choices, allowed }) => starts?.middle ?? choices?.[0] ?? allowed[0] ?? 0;

function innerField(control, value, setOne, id) {
  if (control.choices) {
    const select = make("select", "", ...control.choices.map((entry) => make("option", "", String(entry))));
    select.value = value ?? control.default;
    select.addEventListener("change", () => setOne(control.choices[select.selectedIndex]));
    return select;
  }
  const input = make("input", "set-number");
  Object.assign(input, { type: "text", inputMode: "decimal", value: numberShown(value ?? control.default) });
  input.title = control.help;
  input.addEventListener("change", () => {
    const read = readTyped(input.value.trim(), control);
    if (read.fault) tell(id, read.fault);
    else setOne(read.value);
  });
  return input;
}

// Of a passage: how much louder than another, and what is set otherwise in it.

// Both go together: without the other passage the number says nothing.
function aboveRows(table) {
  const whole = [...table.path, "above"];
  return table.above_controls.map((control) => {
    const others = control.choices?.filter((name) => name !== table.name);
    const setting = {
      control: { ...control, optional: true, choices: others || null, ...(others ? {} : { starts: null }) },
      path: [...whole, control.name],
      label: others ? "louder than" : "by",
      say: `${table.name} above`,
      now: (later) => ({ value: later.above?.[control.name], written: Boolean(later.above) }),
      change: (value) => aboveChange(whole, control.name, value, others),
    };
    return rowOf(setting);
  });
}

function aboveChange(path, name, value, others) {
  if (value === undefined) return { path, remove: true };
  const now = tableAt(settings.table).above || { passage: others?.[0] || "", lu: 0 };
  return { path, value: { ...now, [name]: value } };
}

function setRows(table) {
  return setNames(table).flatMap(([block, names]) => names.map((name) => setRow(table, block, name))).filter(Boolean);
}

function setRow(table, block, name) {
  const of = tableOfBlock(block);
  const control = of?.controls.find((each) => each.name === name);
  return control && rowOf({
    control: { ...control, optional: true, default: null, help: `${control.help}; in this passage only` },
    path: [...table.path, "set", block, name],
    label: `${spoken(block)}: ${labelIn(of, control)}`,
    say: `${table.name}: ${block} ${name}`,
    now: (later) => ({ value: later.set[block]?.[name], written: true }),
    change: (value) => setChange([...table.path, "set"], block, name, value),
  });
}

// What is no longer set takes the tables along that would be left empty.
function setChange(path, block, name, value) {
  const { set } = tableAt(settings.table);
  if (value !== undefined) return { path: [...path, block, name], value };
  if (Object.keys(set[block]).length > 1) return { path: [...path, block, name], remove: true };
  return { path: Object.keys(set).length > 1 ? [...path, block] : path, remove: true };
}

// What a passage may set: blocks under their names, and the pickup as the source.
function tableOfBlock(name) {
  const at = name === "source" ? "source.pickup" : `blocks.${name}`;
  return settings.told.tables.find((table) => pathText(table.path) === at);
}

function differently(table) {
  const choices = ["source", ...Object.keys(desk.board.blocks)].flatMap((block) => {
    const of = tableOfBlock(block);
    const may = of.controls.filter(({ in_passage: fits, type, name }) => fits && FIELDS[type] && !(name in (table.set[block] || {})));
    return may.map((control) => ({ block, control, words: `${spoken(block)}: ${labelIn(of, control)}` }));
  });
  const select = make("select", "", ...choices.map(({ words }) => make("option", "", words)));
  select.id = "set-differently";
  const add = plainButton("add", "Set this control otherwise in this passage", () => {
    const { block, control } = choices[select.selectedIndex];
    const path = [...table.path, "set", block, control.name];
    postSetting({ path, say: `${table.name}: ${block} ${control.name}` }, control.value ?? startOf(control), "settings");
  });
  return make("p", "set-add", make("label", "", "set otherwise here ", select), " ", add);
}

// Adding, removing and renaming blocks.

function drawBlockDeeds(table) {
  const isBlock = table.family === "block";
  byId("set-block").hidden = !isBlock;
  if (!isBlock) return;
  byId("set-name").value = table.name;
  const out = desk.board.orders.filter((order) => order.left_out.includes(table.name));
  byId("set-out").replaceChildren(...out.map((order) =>
    plainButton(`put into ${spoken(order.name)}`, `Put ${spoken(table.name)} into ${spoken(order.name)}, last in front`, () =>
      ask("/move", { order: order.name, block: table.name, to: "front", at: order.front.length }, "settings"),
    ),
  ));
}

// Below a name that is not taken: the kind's, with a number where it needs one.
function freeBlockName(kind) {
  const taken = desk.board.blocks;
  if (!(kind in taken)) return kind;
  for (let number = 2; ; number += 1) if (!(`${kind}_${number}` in taken)) return `${kind}_${number}`;
}

async function doBlock(deed, body, then) {
  const did = await ask("/blocks", { do: deed, ...body }, "settings");
  if (!did) return;
  if (then) settings.table = `blocks.${then}`;
  await readSettings();
  byId("set-of").focus();
}

function listenToBlockDeeds() {
  byId("set-add").addEventListener("submit", (event) => {
    event.preventDefault();
    const kind = byId("set-kind").value;
    const name = freeBlockName(kind);
    doBlock("add", { block: name, kind }, name);
  });
  const here = () => settings.table.replace("blocks.", "");
  byId("set-remove").addEventListener("click", () => doBlock("remove", { block: here() }));
  byId("set-rename").addEventListener("submit", (event) => {
    event.preventDefault();
    const name = byId("set-name").value.trim();
    if (name !== here()) doBlock("rename", { block: here(), name }, name);
  });
}

// Clips: brought from elsewhere, kept beside the board, and tied to volts in one of three ways.

const VOLTS = ["full_scale_dbu", "loudest_peak_volts"];

async function bringClip(file) {
  const answer = await answerTo(addressOf("/clip", { name: file.name }), {
    method: "POST",
    headers: { "Content-Type": "application/octet-stream", "Bench-Token": token },
    body: file,
  });
  return (await answer.json()).clip;
}

// What goes wrong is told beside the field.
async function withClip(file, deed) {
  tell("clip");
  try {
    const clip = await bringClip(file);
    settings.told.revision = null;
    await deed(clip);
  } catch (error) {
    tell("clip", error.message);
  }
}

function takeClip(file) {
  const { path, name } = tableAt(settings.table);
  const setting = { path: [...path, "clip"], say: `${name} clip` };
  if (file) withClip(file, (clip) => postSetting(setting, clip, "clip"));
}

// One way takes the place of the other.
function tieToVolts(key, value) {
  const changes = VOLTS.map((each) => ({ path: ["source", each], ...(each === key ? { value } : { remove: true }) }));
  return ask("/change", { changes, say: `source ${key} ${value}` }, "clip");
}

function tieByTone(file, volts) {
  return withClip(file, async (clip) => {
    const { hz, level_dbfs: level, full_scale_dbu: full } = await getFacts("/tone", { clip, volts });
    await tieToVolts(VOLTS[0], full);
    byId("volts-says").textContent = `${hz.toFixed(0)} Hz, ${signed(level)} dB from full scale: full scale is ${signed(full)} dBu.`;
  });
}

function listenToClips() {
  const place = byId("set-clip");
  byId("clip-file").addEventListener("change", ({ target }) => takeClip(target.files[0]));
  place.addEventListener("dragover", (event) => event.preventDefault());
  place.addEventListener("drop", (event) => {
    event.preventDefault();
    takeClip(event.dataTransfer.files[0]);
  });
  for (const form of all("#clip-volts form")) {
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const [number, file] = form.querySelectorAll("input");
      const { value, fault } = readTyped(number.value.trim(), {});
      if (fault || value === undefined) tell("clip", fault || "a number is wanted");
      else if (!file) tieToVolts(form.dataset.key, value);
      else if (file.files[0]) tieByTone(file.files[0], value);
      else tell("clip", "choose the file in which the tone was recorded");
    });
  }
}

function listenToSettings() {
  byId("set-of").addEventListener("change", (event) => {
    settings.table = event.target.value;
    drawSettings();
  });
  // What the head shows is drawn with every board that is taken, and after it the settings.
  new MutationObserver(readSettings).observe(byId("deeds"), { childList: true, subtree: true });
  listenToBlockDeeds();
  listenToClips();
}

listenToSettings();
