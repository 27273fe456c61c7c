// Fields that hold lists. A change posts the whole list, made of the one that stands by then; lines
// that stay as they were stay on the page.

// `partsOf` tells a value's lines as `fill` takes them.
function listedField(partsOf) {
  const element = make("div", "set-list");
  const show = (value) => {
    fill(element, partsOf(value).map(([facts, draw], place) => [[place, facts], draw]));
    return true;
  };
  return { element, show, group: true };
}

// What follows in a list when the entry at `place` is another, or undefined: none.
const withEntry = (list, place, entry) => [...list.slice(0, place), ...(entry === undefined ? [] : [entry]), ...list.slice(place + 1)];

// Names in sequence: each may give way to another or go, and the last list adds one.
function sequenceLine(names, { choices }, label, post) {
  const lists = [...names, undefined].map((name, place) => {
    const none = name === undefined ? "add …" : "take out";
    const select = selectOf([undefined, ...choices], name, (entry) => post(withEntry(names, place, entry)), (entry) => (entry === undefined ? none : spoken(entry)));
    select.ariaLabel = name === undefined ? `${label}: add one` : `${label}: number ${place + 1}`;
    return select;
  });
  return make("div", "set-entry", ...lists);
}

function sequenceField(setting, id) {
  return listedField((value) => [[value, () => sequenceLine(value || [], setting.control, setting.label, (next) => postSetting(setting, next, id))]]);
}

// Several sequences. One counts from two names on; until then it waits in the last line.
function groupsField(setting, id) {
  const { control, label } = setting;
  let waiting = [];
  const field = listedField((value) => [...(value || []), waiting].map((names, place, { length }) => [[names, length], () =>
    sequenceLine(names, control, `${label}, line ${place + 1}`, (next) => {
      const counts = next.length > 1;
      const isNew = place === length - 1;
      waiting = isNew && !counts ? next : [];
      if (isNew && !counts) field.show(value);
      else postSetting(setting, (now) => withEntry(now || [], place, counts ? next : undefined), id);
    }),
  ]));
  return field;
}

// A list of small tables, such as the bands of an equalizer or the outlets of a supply.
function rowsField(setting, id) {
  const { control, say } = setting;
  const inner = control.controls.filter(({ type }) => type in FIELDS);
  const post = (next, words) => postSetting(setting, (now) => next(now || []), id, words);
  const add = () => post((now) => [...now, Object.fromEntries(inner.filter((each) => !each.optional).map((each) => [each.name, startOf(each, now.length)]))]);
  const line = (entry) => (place) => {
    const set = (name, value) => post((now) => withEntry(now, place, withValue(now[place], name, value)));
    const fields = inner.map((each) => innerField(each, entry[each.name], (value) => set(each.name, value), id));
    return make("div", "set-entry", ...fields, plainButton("remove", `${say}: remove line ${place + 1}`, () => post((now) => withEntry(now, place))));
  };
  return listedField((value) => [...(value || []).map((entry) => [entry, line(entry)]), [0, () => plainButton("add a line", `${say}: add a line`, add)]]);
}

// A number for each of some names: rows in the page, a table in the file.
function placesField(setting, id) {
  const { choices } = setting.control;
  const more = { unit: "", help: "", optional: false, allowed: [1] };
  const controls = [{ ...more, name: "block", label: "", type: "text", choices }, { ...more, name: "place", label: "at place", type: "whole" }];
  const rows = (value) => Object.entries(value || {}).map(([block, place]) => ({ block, place }));
  const inside = {
    ...setting,
    control: { ...setting.control, controls },
    now: () => ({ value: rows(setting.now().value) }),
    change: (value) => changeOf(setting.path, value.length ? Object.fromEntries(value.map(({ block, place }) => [block, place])) : undefined),
  };
  const { show, ...field } = rowsField(inside, id);
  return { ...field, show: (value) => show(rows(value)) };
}

const changeOf = (path, value) => (value === undefined ? { path, remove: true } : { path, value });

function withValue(entry, name, value) {
  const { [name]: _, ...rest } = entry;
  return value === undefined ? rest : { ...rest, [name]: value };
}

// What a control begins with; texts are letters, one after another.
const startOf = ({ starts, choices, allowed, type }, place = 0) => starts?.middle ?? choices?.[place % choices.length] ?? (type === "text" ? String.fromCharCode(65 + place) : allowed[0] ?? 0);

// A field of a line, with its name before it and its unit behind.
function innerField(control, value, take, id, label = control.label) {
  const choices = control.type === "yes" ? [true, false] : control.choices;
  const field = choices ? selectOf(choices, value ?? control.default, take) : inputOf(control, value ?? control.default, take, (fault) => refuseIn(id, fault));
  field.title = control.help;
  if (!label) field.ariaLabel = control.name;
  return make("label", "", `${label} `, field, ` ${control.unit}`);
}
