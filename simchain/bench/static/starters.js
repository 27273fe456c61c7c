// Where there is no board yet: the ones to begin with.

let starters = null;

function drawBeginning() {
  const begun = desk.board.begun !== false;
  byId("beginning").hidden = begun;
  byId("sheet").hidden = byId("deeds").hidden = byId("file").hidden = !begun;
  if (!begun) byId("title").textContent = document.title = "Bench";
  if (begun || starters) return;
  starters = getFacts("/starters").then(drawStarters, (error) => {
    starters = null;
    tell("starters", error.message);
  });
}

function drawStarters({ folder, starters: offered }) {
  byId("starters").replaceChildren(...offered.map(starterLine));
  byId("beginning-note").textContent =
    `Nothing is written until you save; the file will lie in ${folder}.`;
}

function starterLine({ name, title, about }) {
  const words = make("b", "", title || spoken(name));
  return make("li", "starter", button("plain", () => beginWith(name), words), make("p", "note", about));
}

async function beginWith(name) {
  tell("starters");
  try {
    takeBoard(await post("/start", { name }), "/reload");
    byId("lines").querySelector(".letter")?.focus();
  } catch (error) {
    tell("starters", error.message);
  }
}
