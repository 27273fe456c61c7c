// A row of the settings: its name and help, its field, what it may be, and what was refused. A
// field's `show` takes the value that was told, unless something else is being typed there, and
// returns whether it did.

const FIELDS = { number: typedField, whole: typedField, text: typedField, pair: typedField, choice: listField, yes: listField, names: ticksField, sequence: sequenceField, groups: groupsField, rows: rowsField, places: placesField, events: eventsField };

function numberShown(value) {
  if (typeof value !== "number") return value ?? "";
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

const defaultShown = (value) => (value === true ? "yes" : value === false ? "no" : typeof value === "number" ? spokenNumber(value) : value);
const withUnit = (words, unit) => (unit ? `${words} ${unit}` : words);

function rowOf(setting) {
  const { control, label } = setting;
  const id = `set-${pathText(setting.path).replaceAll(/[^\w-]/g, "-")}`;
  const told = Object.assign(make("p", "told"), { id: `told-${id}`, role: "status" });
  const note = Object.assign(make("p", "note", control.help), { id: `${id}-help` });
  const { type, choices } = control;
  const { element, group, show } = (type === "text" && choices ? listField : FIELDS[type])(setting, id);
  const head = make(group ? "span" : "label", "set-name", label);
  if (group) Object.assign(element, { role: "group", ariaLabel: label });
  else head.htmlFor = id;
  const unit = make("span", "set-unit", control.unit);
  const row = make("div", "set-row", make("div", "", head, note), make("div", "set-field", element, unit, startsOf(setting, id)), rangesOf(setting, id), told);
  row.dataset.path = pathText(setting.path);
  row.showTold = () => {
    const { value, written } = setting.now();
    row.classList.toggle("written", Boolean(written));
    row.querySelector(".set-default")?.toggleAttribute("hidden", !written);
    if (show(value)) {
      told.replaceChildren();
      row.classList.remove("refused");
    }
  };
  return row;
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
  const ranges = make("p", "note set-ranges", ...words.map((each) => make("span", "", each)));
  if (!control.optional) return ranges;
  const back = plainButton("back to it", `${say}: back to its default`, () => postSetting(setting, undefined, id));
  back.classList.add("set-default");
  ranges.append(make("span", "", plain ? `default ${defaultShown(control.default)}` : Array.isArray(control.default) ? "default: none" : "default: left out", " ", back));
  return ranges;
}

function startsOf(setting, id) {
  const { control, label } = setting;
  return make("span", "set-starts", ...Object.entries(control.starts || {}).map(([name, value]) => {
    const told = withUnit(spokenNumber(value), control.unit);
    const button = plainButton(name, `${label}: ${name}, ${told}`, () => postSetting(setting, value, id));
    button.title = told;
    return button;
  }));
}

function plainButton(words, label, deed) {
  return Object.assign(button("plain", deed, words), { ariaLabel: label });
}

// One of several: `take` is given the one that is chosen.
function selectOf(entries, value, take, shown = (entry) => String(defaultShown(entry))) {
  const select = make("select", "", ...entries.map((entry) => make("option", "", shown(entry))));
  select.selectedIndex = entries.indexOf(value);
  select.addEventListener("change", () => take(entries[select.selectedIndex]));
  return select;
}

// A field that is typed into: `take` is given what was typed, `refuse` what is wrong with it.
function inputOf(control, value, take, refuse) {
  const isText = control.type === "text";
  const input = Object.assign(make("input", isText ? "set-text" : "set-number"), { type: "text", autocomplete: "off", spellcheck: false });
  if (!isText) input.inputMode = "decimal";
  if (control.file) input.setAttribute("list", "set-clips");
  input.value = input.dataset.told = [value].flat().map(numberShown).join(" ");
  input.addEventListener("change", () => {
    if (input.value === input.dataset.told) return;
    const read = readTyped(input.value.trim(), control);
    if (read.fault) refuse(read.fault);
    else take(read.value);
  });
  input.addEventListener("keydown", (event) => {
    if (event.key === "Escape") input.value = input.dataset.told;
  });
  return input;
}

// What was typed, as the file holds it; nothing is undefined, which leaves it to its default.
function readTyped(text, { type, unit, read }) {
  if (text === "") return { value: undefined };
  if (type === "text") return { value: text };
  if (type === "pair") {
    const pair = text.match(/-?\d+(\.\d+)?/g)?.map(Number);
    return pair?.length === 2 ? { value: pair } : { fault: `${text}: two numbers are wanted` };
  }
  const value = read?.(text) ?? Number(text.replace(",", ".").replace("−", "-"));
  if (!Number.isFinite(value)) return { fault: `${text}: ${withUnit("a number", unit && `in ${unit}`)} is wanted` };
  return { value };
}

function refuseIn(id, fault) {
  tell(id, fault);
  byId(`told-${id}`).closest(".set-row").classList.add("refused");
}

function typedField(setting, id) {
  const input = inputOf(setting.control, "", (value) => postSetting(setting, value, id), (fault) => refuseIn(id, fault));
  input.id = id;
  input.setAttribute("aria-describedby", `${id}-help told-${id}`);
  let first = true;
  const show = (value) => {
    const before = input.dataset.told;
    const told = (input.dataset.told = [value].flat().map(numberShown).join(" "));
    if (input === document.activeElement && !first && ![before, told].includes(input.value)) return false;
    input.value = told;
    first = false;
    return true;
  };
  return { element: input, show };
}

function listField(setting, id) {
  const { control } = setting;
  const choices = control.type === "yes" ? [true, false] : control.choices;
  const open = control.optional && (control.default === null || control.default === "");
  const entries = [...(open ? [undefined] : []), ...choices];
  const select = selectOf(entries, undefined, (value) => postSetting(setting, value, id), (entry) => (entry === undefined ? "left out" : String(defaultShown(entry))));
  select.id = id;
  select.setAttribute("aria-describedby", `${id}-help told-${id}`);
  const show = (value) => {
    select.selectedIndex = entries.indexOf(value ?? undefined);
    return true;
  };
  return { element: select, show };
}

// A tick for each name; those that are on keep their sequence.
function ticksField(setting, id) {
  const { control, say } = setting;
  const boxes = control.choices.map((name) => {
    const box = Object.assign(make("input", ""), { type: "checkbox", value: name });
    box.addEventListener("change", async () => {
      const { checked } = box;
      const next = (now) => [...(now || []).filter((each) => each !== name), ...(checked ? [name] : [])];
      const did = await postSetting(setting, next, id, `${say}: ${name} ${checked ? "ticked" : "not ticked"}`);
      if (!did) box.checked = !checked;
    });
    return box;
  });
  const element = make("div", "set-ticks", ...boxes.map((box) => make("label", "", box, " ", make("span", "", spoken(box.value)))));
  const show = (value) => {
    for (const box of boxes) box.checked = (value || []).includes(box.value);
    return true;
  };
  return { element, show, group: true };
}
