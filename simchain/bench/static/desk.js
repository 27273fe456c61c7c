// What the server says the board is, and what was asked of it. Whatever changes the board is
// posted; what comes back is drawn.

const desk = { board: null, before: null, busy: Promise.resolve(), waiting: 0 };

const orderNamed = (name) => desk.board.orders.find((order) => order.name === name) || null;
const orderPlace = (name) => desk.board.orders.findIndex((order) => order.name === name);
const passageNamed = (name) => desk.board.passages.find((each) => each.name === name) || null;

// One thing after another, so that each is told the revision that the one before it made. `body`
// is a function where it depends on the board as it stands by then; none is nothing to do. Returns
// whether it was done, null for nothing; `place` is where a refusal is told.
function ask(path, body, place) {
  desk.waiting += 1;
  const turn = desk.busy.then(() => askNow(path, body, place)).finally(() => (desk.waiting -= 1));
  desk.busy = turn.catch(() => {});
  return turn;
}

async function askNow(path, body, place) {
  const asked = typeof body === "function" ? body() : body;
  if (!asked) return null;
  tell(place);
  stopAsking();
  try {
    takeBoard(await post(path, { revision: desk.board.revision, ...asked }), path);
    return true;
  } catch (error) {
    if (!(error instanceof Refusal)) throw error;
    if (error.status === 409) await meetConflict(path, error, place);
    else tell(place, error.message);
    return false;
  } finally {
    goOnAsking();
  }
}

// Either the board went on elsewhere, or the file did: the revision shows which.
async function meetConflict(path, error, place) {
  const before = desk.board.revision;
  await readBoard();
  if (path === "/save" && desk.board.revision === before) offerBoth(error.message);
  else tell(place, `${error.message} This is the board as it stands now.`);
}

function offerBoth(text) {
  const over = button("plain", () => ask("/save", { over: true }, "board"), "Save over it");
  const reload = button("plain", () => ask("/reload", {}, "board"), "Take what is in the file, and lose what is here");
  tell("board", `${text} `, over, " ", reload);
  over.focus();
}

async function readBoard() {
  takeBoard(await getFacts("/board"));
}

function takeBoard(board, path = "/board") {
  const before = desk.board && { board: desk.board, wish: wishOf(chosen.order) };
  desk.board = board;
  boardTaken(before, path);
}

function drawHead() {
  const { title, file, saved, undo, redo } = desk.board;
  byId("title").textContent = title;
  document.title = `${title}: bench`;
  const where = file ? `${file}, ${saved ? "saved" : "changes not saved"}` : "not in a file yet";
  byId("file").textContent = `${where}, ${desk.board.rate / 1000} kHz`;
  drawDeed("undo", "Undo", undo);
  drawDeed("redo", "Redo", redo);
  drawDeed("save", "Save", saved && file ? null : file ? `to ${file}` : "the board");
  drawWarnings();
}

// A control that has nothing to do keeps the focus, but says that it is off.
function drawDeed(id, word, what) {
  const joined = id === "save" ? " " : ": ";
  byId(id).replaceChildren(make("b", "", word), what ? `${joined}${what}` : "");
  byId(id).setAttribute("aria-disabled", String(!what));
}

function drawWarnings() {
  const { warnings } = desk.board;
  byId("warnings").hidden = !warnings.length;
  byId("warnings").querySelector("h2").textContent =
    warnings.length === 1 ? "1 warning" : `${warnings.length} warnings`;
  byId("warning-list").replaceChildren(...warnings.map((text) => make("li", "", text)));
}

const DONE = { undo: "Taken back", redo: "Done again", save: "Saved" };

function whatWould(id) {
  const { undo, redo, saved, file } = desk.board;
  return { undo, redo, save: saved ? null : file }[id];
}

async function doDeed(id) {
  if (id === "save" && !desk.board.file) {
    tell("board", fileForm());
    byId("told-board").querySelector("input").focus();
    return;
  }
  let what = null;
  const body = () => {
    what = whatWould(id);
    return what && (id === "save" ? { over: false } : {});
  };
  if (!(await ask(`/${id}`, body, "board"))) return;
  sayAloud(`${DONE[id]}: ${what}`);
}

// A board that is in no file yet is given one, beside the place where the bench was started.
function fileForm() {
  const field = make("input", "");
  Object.assign(field, { value: "board.toml", autocomplete: "off", spellcheck: false, maxLength: 80 });
  const form = make("form", "naming", make("label", "", "name of the file ", field), make("button", "plain", "save"));
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    saveAs(field.value.trim());
  });
  return form;
}

async function saveAs(file) {
  const did = await ask("/save", { over: false, file }, "board");
  if (did) sayAloud(`Saved to ${desk.board.file}`);
  byId("save").focus();
}

function listenToHead() {
  for (const id of ["undo", "redo", "save"]) byId(id).addEventListener("click", () => doDeed(id));
}
