// Of a passage: how much louder than another, what is set otherwise in it, and what happens in it.

// Both go together: without the other passage the number says nothing.
function aboveSettings(table) {
  const path = [...table.path, "above"];
  const of = pathText(table.path);
  const above = () => tableAt(of)?.above;
  return table.above_controls.map((control) => {
    const others = control.choices?.filter((name) => name !== table.name);
    return {
      control: { ...control, optional: true, choices: others || null, ...(others ? {} : { starts: null }) },
      path: [...path, control.name],
      label: others ? "louder than" : "by",
      say: `${table.name} above`,
      now: () => ({ value: above()?.[control.name], written: Boolean(above()) }),
      change: (value) => changeOf(path, value === undefined ? value : { passage: firstOther(table), lu: 0, ...above(), [control.name]: value }),
    };
  });
}

const firstOther = ({ name }) => settings.told.passages.find((each) => each.name !== name)?.name ?? name;

function otherSettings(table) {
  const pairs = Object.entries(table.set).flatMap(([block, set]) => Object.keys(set).map((name) => [block, name]));
  return pairs.map(([block, name]) => otherSetting(table, block, name)).filter(Boolean);
}

function otherSetting(table, block, name) {
  const of = tableOfBlock(block);
  const control = of?.controls.find((each) => each.name === name);
  const set = () => tableAt(pathText(table.path))?.set || {};
  return control && {
    control: { ...control, optional: true, default: null, help: `${control.help}; in this passage only` },
    path: [...table.path, "set", block, name],
    label: `${spoken(block)}: ${control.label}`,
    say: `${table.name}: ${block} ${name}`,
    now: () => ({ value: set()[block]?.[name], written: true }),
    change: (value) => otherChange([...table.path, "set"], set(), block, name, value),
  };
}

// What is no longer set takes the tables along that would be left empty.
function otherChange(path, set, block, name, value) {
  if (value !== undefined || Object.keys(set[block]).length > 1) return changeOf([...path, block, name], value);
  return changeOf(Object.keys(set).length > 1 ? [...path, block] : path);
}

// What a passage may set: blocks under their names, and the pickup as the source.
const tableOfBlock = (name) => tableAt(name === "source" ? "source.pickup" : `blocks.${name}`);

function otherwise(table) {
  return ["source", ...Object.keys(desk.board.blocks)].flatMap((block) => {
    const of = tableOfBlock(block);
    const may = (of?.controls || []).filter(({ in_passage: fits, type, name }) => fits && type in FIELDS && !(name in (table.set[block] || {})));
    return may.map((control) => [`${block} ${control.name}`, `${spoken(block)}: ${control.label}`, control]);
  });
}

function offerOtherwise(table) {
  fillOptions("set-other", otherwise(table).map(([key, words]) => [key, words]));
}

function setOtherwise() {
  const table = tableAt(settings.table);
  const key = byId("set-other").value;
  const [block, name] = key.split(" ");
  const control = otherwise(table).find(([other]) => other === key)[2];
  const path = [...table.path, "set", block, name];
  postSetting({ path, say: `${table.name}: ${block} ${name}` }, control.value ?? startOf(control), "settings");
}

// Events: a switch or a control that moves, each at its time.

const DOES = { on: "goes on", off: "goes off", record: "records", play: "plays", overdub: "overdubs", stop: "stops" };
const movesOf = (block) => tableOfBlock(block)?.controls.filter(({ movable }) => movable) || [];

function eventsField(setting, id) {
  const { control, path, say } = setting;
  const [at, block, , over] = control.controls;
  const passage = path[1];
  const post = (next, words) => postSetting(setting, (now) => next(now || []), id, words);
  const add = () => post((now) => [...now, firstEvent(passage)], `${passage}: an event added`);
  const line = (event) => (place) => {
    const set = (next) => post((now) => withEntry(now, place, next), `${say}: number ${place + 1}`);
    const moves = movesOf(event.block);
    const toBlock = (name) => set(eventOf(name, event));
    const does = [...(tableOfBlock(event.block)?.does || []), ...moves.map(({ name }) => name)];
    const words = (deed) => DOES[deed] || `moves ${moves.find(({ name }) => name === deed).label} to`;
    const deed = selectOf(does, event.do ?? Object.keys(event.set)[0], (chosen) => set(eventOf(event.block, { at: event.at, do: chosen })), words);
    deed.ariaLabel = "what it does";
    const parts = [
      innerField({ ...at, read: barOf }, event.at, (value) => set({ ...event, at: value ?? 0 }), id),
      innerField(block, event.block, toBlock, id, ""),
      deed,
    ];
    for (const [name, value] of Object.entries(event.set || {})) {
      const move = moves.find((each) => each.name === name);
      if (move) parts.push(innerField(move, value, (next) => set({ ...event, set: { ...event.set, [name]: next ?? value } }), id, ""));
    }
    if (event.set) parts.push(innerField(over, event.over_ms, (value) => set(withValue(event, "over_ms", value)), id, "over"));
    return make("div", "set-entry", ...parts, plainButton("remove", `${say}: remove number ${place + 1}`, () => set(undefined)));
  };
  return listedField((value) => [...(value || []).map((event) => [event, line(event)]), [0, () => plainButton("switch a block where the playhead is", "Switch a block where the playhead is", add)]]);
}

// What becomes of an event that is to do something else, or with another block.
function eventOf(block, { at, do: deed, set }) {
  const moves = movesOf(block);
  const does = tableOfBlock(block)?.does || [];
  if (does.includes(deed)) return { at, block, do: deed };
  const move = moves.find(({ name }) => name === deed || (set && name in set)) || (does.length ? null : moves[0]);
  if (move) return { at, block, set: { [move.name]: set?.[move.name] ?? move.value ?? startOf(move) } };
  return { at, block, do: "on" };
}

// At the playhead if it is in this passage and under way, else half-way: a block that is off goes on.
function firstEvent(name) {
  const { seconds, on } = passageNamed(name);
  const place = chosen.passage === name ? here() : 0;
  const at = Number((place || (seconds || 2) / 2).toFixed(2));
  const blocks = Object.keys(desk.board.blocks);
  const block = blocks.find((each) => !on.includes(each) && desk.board.blocks[each].kind !== "tuner") || blocks[0];
  return { at, block, do: on.includes(block) ? "off" : "on" };
}

// Seconds of a place told as "bar 5" or "bar 5.3" (its third beat), at the tempo that is given.
function barOf(text) {
  const [, bar, beat] = text.match(/^bar\s*(\d+)(?:[.,:\s]+(\d+))?$/i) || [];
  const [tempo, beats] = ["set-tempo", "set-beats"].map((id) => Number(byId(id).value.replace(",", ".")));
  return bar && Number((((bar - 1) * beats + ((beat || 1) - 1)) * (60 / tempo)).toFixed(4));
}
