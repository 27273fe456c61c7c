// Longer work: begun here, told how far it is, stopped; and what came of it.

const job = { told: null, revision: null, drawn: null, asked: false };
// What a kind of work asks for besides what all may.
const jobMore = {};
const jobRuns = () => job.told?.state === "running";
const ticked = () => all("#job-orders :checked").map(({ value }) => value);

async function beginJob(kind) {
  if (job.asked) return;
  job.asked = true;
  tell("job");
  const { value } = byId("job-in");
  try {
    const more = await jobMore[kind]?.();
    await desk.busy;
    job.revision = desk.board.revision;
    job.told = await post("/job", {
      revision: job.revision,
      do: kind,
      passages: value ? [value] : null,
      how: byId("job-how").value,
      order: chosen.order,
      orders: ticked(),
      ...more,
    });
    drawJob();
    while (jobRuns()) {
      await delay(0.4);
      job.told = await getFacts(`/job/${job.told.job}`);
      drawJob();
    }
  } catch (error) {
    if (!(error instanceof Refusal)) throw error;
    job.told = null;
    drawJob();
    tell("job", error.message);
  } finally {
    job.asked = false;
  }
}

// A page that goes leaves no work behind.
function stopJob(keepalive) {
  if (!jobRuns()) return;
  const headers = { "Content-Type": "application/json", "Bench-Token": token };
  fetch(`/job/${job.told.job}/stop`, { method: "POST", headers, body: "{}", keepalive }).catch(() => {});
  byId("job-says").textContent = "Stopping";
}

function leftWords(seconds) {
  if (seconds === null) return "";
  return `, about ${seconds < 100 ? `${Math.round(seconds)} s` : `${Math.round(seconds / 60)} min`} left`;
}

function drawJob() {
  const { told } = job;
  const hadFocus = document.activeElement === byId("job-stop");
  for (const button of all("[data-job]")) button.setAttribute("aria-disabled", String(jobRuns()));
  byId("job-going").hidden = !jobRuns();
  const says = told && told.state !== "failed" ? told.says : "";
  if (byId("job-says").textContent !== says) byId("job-says").textContent = says;
  tell("job", told && !says ? told.says : "");
  if (jobRuns()) drawProgress(told);
  else if (hadFocus) byId("job-result").focus();
  drawResult();
}

function drawProgress({ done, of, left_s: left }) {
  if (of) Object.assign(byId("job-progress"), { max: of, value: done });
  else byId("job-progress").removeAttribute("value");
  byId("job-left").textContent = of ? `${done} of ${of}${leftWords(left)}` : "";
}

function drawResult() {
  const { told } = job;
  const key = told?.result && JSON.stringify([told.job, desk.board.orders]);
  if (job.drawn === key) return;
  const { place } = document.activeElement.dataset;
  job.drawn = key;
  byId("job-result").replaceChildren(...(key ? partsOf(told.result) : []));
  if (place) byId("job-result").querySelector(`[data-place="${place}"]`)?.focus();
}

function partsOf({ facts, notes, page, orders = [], tables = [], changes = [], say }) {
  const parts = facts.map((text) => make("p", "fact", text));
  if (page) {
    const link = make("a", "job-page", page.words);
    parts.push(Object.assign(link, { href: page.at, target: "_blank", rel: "noopener" }));
  }
  parts.push(...tables.map(tableOf));
  if (changes.length) parts.push(plainButton("take these settings", "", () => takeSettings(say, changes)));
  if (orders.length) parts.push(make("ol", "lines", ...orders.map(foundLine)));
  parts.push(...notes.map((text) => make("p", "note", text)));
  return parts;
}

const wordsFound = (blocks) => blocks.map((name) => make("span", "block", spoken(name)));
const stretches = ({ front, loop }) => JSON.stringify([front, loop]);

function foundLine(found) {
  const words = make("p", "words", ...wordsFound(found.front));
  if (found.loop.length) {
    words.append(make("span", "stretch", make("span", "where", "in the loop:"), ...wordsFound(found.loop)));
  }
  const there = desk.board.orders.findIndex((order) => stretches(order) === stretches(found));
  const deed = there < 0 ? "lay on the desk" : `hear it: ${letterOf(there)}`;
  const button = plainButton(deed, `place ${found.place}: ${deed}`, () =>
    there < 0 ? layFound(found) : chooseOrder(desk.board.orders[there].name),
  );
  button.dataset.place = found.place;
  const place = make("span", "place-no", String(found.place));
  return make("li", "found", place, make("div", "", words, make("p", "note", found.says)), button);
}

async function layFound({ front, loop, place }) {
  const name = orderNamed("found") ? freeName("found") : "found";
  const changes = [{ path: ["orders", name], value: loop.length ? { front, loop } : { front } }];
  if (!(await ask("/change", { changes, say: `${name} laid on the desk` }, "job"))) return;
  chooseOrder(name);
  sayAloud(`Place ${place} lies on the desk as ${spoken(name)}. Undo takes it away.`);
}

function tableOf({ caption, heads, rows }) {
  const cell = (tag, text, scope) => Object.assign(make(tag, "", text), scope && { scope });
  const lines = rows.map(([name, ...cells]) =>
    make("tr", "", cell("th", spoken(name), "row"), ...cells.map((text) => cell("td", text))),
  );
  const head = make("thead", "", make("tr", "", ...heads.map((text) => cell("th", text, "col"))));
  return make("div", "scroll", make("table", "", make("caption", "", caption), head, make("tbody", "", ...lines)));
}

async function takeSettings(say, changes) {
  const body = () => desk.board.revision === job.revision && { changes, say };
  const did = await ask("/change", body, "job");
  if (did) sayAloud(`${say}. Undo takes it back.`);
  if (did === null) tell("job", "The board has changed since: let it be found once more.");
}

function offerJobs() {
  const { orders, passages } = desk.board;
  const names = (list) => list.map(({ name }) => name);
  const key = JSON.stringify([names(orders), names(passages)]);
  if (offerJobs.key !== key) {
    offerJobs.key = key;
    const off = new Set(all("#job-orders input:not(:checked)").map(({ value }) => value));
    byId("job-orders").replaceChildren(...names(orders).map((value, place) => {
      const box = Object.assign(make("input", ""), { type: "checkbox", value, checked: !off.has(value) });
      return make("label", accent(place), box, " ", make("span", "name", `${letterOf(place)} ${spoken(value)}`));
    }));
    const { value } = byId("job-in");
    const every = new Option("all passages", "");
    byId("job-in").replaceChildren(every, ...names(passages).map((name) => new Option(spoken(name), name)));
    byId("job-in").value = passageNamed(value) ? value : "";
  }
  drawResult();
}

for (const button of all("[data-job]")) button.addEventListener("click", () => beginJob(button.dataset.job));
byId("job-stop").addEventListener("click", () => stopJob(false));
addEventListener("pagehide", () => stopJob(true));
// What the head shows is drawn with every board that is taken.
new MutationObserver(offerJobs).observe(byId("deeds"), { childList: true, subtree: true });
